"""Session descriptions: what an offer must hold (RFC 9725) and what the answer adds."""

from __future__ import annotations

import re
from dataclasses import dataclass

from aiortc import RTCIceCandidate, sdp

from server.problems import Problem
from server.sentence import Sentence

# Without a hint a browser starts at 0.3 Mbit/s and halves the picture for tens of seconds.
START_KBPS = 2000
MAX_OFFER = 64 * 1024  # characters; a browser's, with every candidate, has about 10 000
FINGERPRINTS = ("sha-256", "sha-384", "sha-512")
MAX_FRAGMENT = 16 * 1024
MAX_OFFERED = 64  # candidates in an offer


@dataclass(frozen=True, slots=True)
class Fragment:
    """A trickle-ice-sdpfrag (RFC 8840): credentials, candidates, whether they are all."""

    ufrag: str | None
    pwd: str | None
    candidates: tuple[RTCIceCandidate, ...]
    complete: bool

    def restarts(self, known: set[tuple[str, str]]) -> bool:
        """Whether it asks for an ICE restart: credentials other than those of the offer."""
        if self.ufrag is None:
            return False
        if self.pwd is None:
            return self.ufrag not in {ufrag for ufrag, _ in known}
        return (self.ufrag, self.pwd) not in known


def check_offer(text: str) -> sdp.SessionDescription:
    """The parsed offer. Raises Problem 400 when malformed, 406 when of a sort not taken here."""
    _need_short(text, MAX_OFFER)
    if text.count("a=candidate:") > MAX_OFFERED:
        raise _malformed(f"it holds more than {MAX_OFFERED} candidates")
    if not text.startswith("v=0"):
        raise _malformed("it does not begin with v=0")
    try:
        offer = sdp.SessionDescription.parse(text)
    except Exception as problem:  # the parser raises whatever a broken line makes it raise
        raise _malformed(f"{type(problem).__name__} while reading it") from problem
    video = [media for media in offer.media if media.kind == "video"]
    for media in offer.media:
        if media.kind in ("audio", "video") and media.direction in ("recvonly", "inactive"):
            raise _malformed(f"its {media.kind} is {media.direction}, but must be sendonly")
    if len(video) != 1:
        raise Problem(
            406,
            "Not Acceptable",
            Sentence("http.offer.videos", n=len(video)),
        )
    if sum(media.kind == "audio" for media in offer.media) > 1:
        raise Problem(406, "Not Acceptable", Sentence("http.offer.sounds"))
    if any(media.kind not in ("audio", "video", "application") for media in offer.media):
        raise Problem(406, "Not Acceptable", Sentence("http.offer.more"))
    streams = {media.msid.split()[0] for media in offer.media if media.msid} - {"-"}
    if len(streams) > 1:
        raise Problem(
            406,
            "Not Acceptable",
            Sentence("http.offer.streams", n=len(streams)),
        )
    groups = [set(group.items) for group in offer.group if group.semantic == "BUNDLE"]
    bundled = groups[0] if len(groups) == 1 else set()
    if len(offer.media) > 1 and any(media.rtp.muxId not in bundled for media in offer.media):
        raise Problem(406, "Not Acceptable", Sentence("http.offer.bundle"))
    if bundled - {media.rtp.muxId for media in offer.media}:
        raise _malformed("its bundle names media that it does not hold")
    if not all(_has_port(one) for media in offer.media for one in media.ice_candidates):
        raise _malformed("a candidate's port is none (1 to 65535)")
    if not all(_has_fingerprint(media) for media in offer.media):
        # Asked for later, in a task of the library's that nobody waits for.
        raise _malformed("it holds no fingerprint of a certificate (RFC 8122) by SHA-256 or better")
    return offer


def split_offer(text: str, offer: sdp.SessionDescription) -> tuple[str, list[RTCIceCandidate]]:
    """The offer without names and without the end of its candidates; the candidates with names.

    Browsers that hide addresses give names that only multicast resolves (RFC 8828), and many
    networks let no multicast through. Such a phone is still heard: its own checks tell its address
    (RFC 8445, section 7.3.1.3), unless the ICE library believes that it has heard of every
    candidate. So it is never told so, and the names are looked up beside the answer, not before.
    """
    lines = [
        line
        for line in text.splitlines()
        if line != "a=end-of-candidates"
        and not (line.startswith("a=candidate:") and ".local " in line)
    ]
    named = []
    for media in offer.media:
        for candidate in media.ice_candidates:
            if candidate.ip.endswith(".local") and candidate.protocol.lower() == "udp":
                candidate.sdpMid = media.rtp.muxId
                named.append(candidate)
    return "\r\n".join(lines) + "\r\n", named


def _has_port(candidate: RTCIceCandidate) -> bool:
    return 1 <= candidate.port <= 65535


def _has_fingerprint(media: sdp.MediaDescription) -> bool:
    known = media.dtls.fingerprints if media.dtls is not None else []
    return any(print_.algorithm.lower() in FINGERPRINTS for print_ in known)


def finish_answer(text: str) -> str:
    """The answer with `a=rtcp-mux-only` (RFC 9725, section 4.4.1) and the video's first bitrate."""
    out: list[str] = []
    video = False
    hint = f"x-google-start-bitrate={START_KBPS}"
    for line in text.splitlines():
        if line.startswith("m="):
            video = line.startswith("m=video")
        codec = re.match(r"a=rtpmap:(\d+) (?!rtx/)", line)
        parameters = re.match(r"a=fmtp:\d+ (?!apt=)", line)
        out.append(f"{line};{hint}" if video and parameters else line)
        if line == "a=rtcp-mux":
            out.append("a=rtcp-mux-only")
        elif video and codec and f"a=fmtp:{codec[1]} " not in text:
            out.append(f"a=fmtp:{codec[1]} {hint}")
    return "\r\n".join(out) + "\r\n"


def read_fragment(text: str, mids: list[str]) -> Fragment:
    """Parse a fragment for a session whose media lines are named `mids`, in order.

    Raises Problem 400 when malformed. Candidates of transports not supported here are dropped
    (RFC 9725, section 4.3.2).
    """
    _need_short(text, MAX_FRAGMENT)
    ufrag = pwd = mid = None
    line_index = -1
    complete = said = False
    candidates: list[RTCIceCandidate] = []
    for raw in text.splitlines():
        line = raw.strip()
        key, _, value = line.partition(":")
        if line.startswith("m="):
            line_index += 1
            mid = None
        elif key == "a=ice-ufrag":
            ufrag = value
        elif key == "a=ice-pwd":
            pwd = value
        elif key == "a=mid":
            mid = value
        elif line == "a=end-of-candidates":
            complete = True
        elif key == "a=candidate":
            try:
                candidate = sdp.candidate_from_sdp(value)
            except Exception as problem:  # the parser asserts and indexes
                raise _malformed(f"the candidate line {line[:120]!r} cannot be read") from problem
            if not _has_port(candidate):
                raise _malformed(f"the port {str(candidate.port)[:20]} does not exist")
            named = mid if mid is not None else mids[min(max(line_index, 0), len(mids) - 1)]
            if named not in mids:
                raise _malformed(f"it names the media {named!r}, which this session does not have")
            candidate.sdpMid = named
            said = True
            if candidate.protocol.lower() == "udp":
                candidates.append(candidate)
        elif line and not re.match(r"[a-z]=", line):
            raise _malformed(f"the line {line[:120]!r} is no SDP")
    if ufrag is None and not said and not complete:
        raise _malformed("it holds neither credentials nor candidates")
    return Fragment(ufrag, pwd, tuple(candidates), complete)


def _need_short(text: str, most: int) -> None:
    if len(text) > most:
        raise Problem(
            413,
            "Content Too Large",
            Sentence("http.offer.long", n=len(text), most=most),
        )


def _malformed(why: str) -> Problem:
    return Problem(400, "Bad Request", Sentence("http.offer", why=why))
