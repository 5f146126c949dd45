"""What the fuzzers found, each mended: the smallest input that showed it."""

import re
import time
import zlib

import pytest

from server.app import SESSIONS
from server.media import MediaError, pictures
from tests.server.is_problem import is_problem
from tests.server.made_files import bytes_in, picture, write, write_clip


async def test_an_offer_without_a_fingerprint_is_refused_before_a_task_breaks_on_it(phone, server):
    offer = re.sub(r"a=fingerprint:[^\r\n]+\r\n", "", await phone.offer())
    assert "fingerprint" in await is_problem(await phone.post(offer), 400)
    assert len(server.app[SESSIONS]) == 0


async def test_a_bundle_of_media_that_is_not_there_is_refused(phone, server):
    offer = (await phone.offer()).replace("m=application", "\x17=application")
    assert "bundle" in await is_problem(await phone.post(offer), 400)
    assert len(server.app[SESSIONS]) == 0


async def test_a_connection_that_cannot_be_closed_frees_its_place(phone, server, http, caplog):
    await phone.post(await phone.offer())
    session = next(iter(server.app[SESSIONS]))
    close = session._pc.close

    async def breaks() -> None:
        await close()
        raise AttributeError("what the library raised")

    session._pc.close = breaks
    assert (await http.delete(phone.location)).status == 200
    assert len(server.app[SESSIONS]) == 0
    assert "could not be closed" in caplog.text


@pytest.mark.parametrize("port", ["0", "65536", "99999999999"])
async def test_a_port_that_does_not_exist_is_refused(phone, http, port):
    offer = await phone.offer()
    wrong = re.sub(r"(a=candidate:\S+ 1 udp \d+ \S+) \d+", rf"\1 {port}", offer)
    assert wrong != offer
    assert "port" in await is_problem(await phone.post(wrong), 400)
    await phone.post(offer)
    headers = {"If-Match": phone.etag, "Content-Type": "application/trickle-ice-sdpfrag"}
    body = f"a=mid:0\r\na=candidate:1 1 udp 1 192.0.2.1 {port} typ host\r\n"
    await is_problem(await http.patch(phone.location, data=body, headers=headers), 400)


def test_a_title_in_another_encoding_does_not_matter(tmp_path):
    path = write_clip(tmp_path / "a.mkv", 6)
    data = path.read_bytes()
    assert b"ENCODER" in data
    at = data.index(b"Lavc")
    path.write_bytes(data[:at] + b"\x87\xff" + data[at + 2 :])
    assert len(list(pictures(path))) == 6


def png_chunk(kind: bytes, body: bytes) -> bytes:
    crc = zlib.crc32(kind + body).to_bytes(4, "big")
    return len(body).to_bytes(4, "big") + kind + body + crc


def test_a_png_that_claims_a_chunk_of_4_gb_is_torn_at_once(tmp_path):
    path = write(tmp_path / "a.png", picture())
    data = bytearray(path.read_bytes())
    at = data.index(b"IDAT")
    data[at - 4 : at] = b"\xff\xff\xff\x00"
    path.write_bytes(data)
    start_s = time.perf_counter()
    with pytest.raises(MediaError, match="torn"):
        list(pictures(path))
    assert time.perf_counter() - start_s < 1


@pytest.mark.parametrize("size", [(60_000, 60_000), (29_000, 29_000), (100_000, 1)])
def test_a_small_file_that_claims_a_huge_picture_is_refused_unopened(tmp_path, size):
    head = b"".join(side.to_bytes(4, "big") for side in size) + b"\x08\x02\0\0\0"
    data = b"\x89PNG\r\n\x1a\n" + png_chunk(b"IHDR", head)
    data += png_chunk(b"IDAT", zlib.compress(b"")) + png_chunk(b"IEND", b"")
    with pytest.raises(MediaError, match="too large"):
        list(pictures(bytes_in(tmp_path / "a.png", data)))
