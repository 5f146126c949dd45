"""Whether a firewall of this machine keeps phones out, read from what its own tools print.

The readers are pure functions of text. They judge whether a rule lets TCP to the port in; where a
rule set is too clever for them they say so.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

from server.sentence import Sentence

WAIT_S = 5.0


class Gate(Enum):
    """What a firewall does with a phone's first packet."""

    OPEN = "open"
    SHUT = "shut"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Firewall:
    """One firewall: the tool that was asked, its answer, and the cure if it is shut."""

    tool: str
    gate: Gate
    cure: str = ""


Run = Callable[[list[str]], tuple[int, str] | None]


def run_tool(words: list[str]) -> tuple[int, str] | None:
    """Exit code and output of a tool; None where there is no such tool or it hangs."""
    # An ordinary user's search path often lacks the folders of the system's own tools.
    path = os.pathsep.join([os.environ.get("PATH", os.defpath), "/usr/sbin", "/sbin"])
    tool = shutil.which(words[0], path=path)
    if tool is None:
        return None
    try:
        done = subprocess.run(
            [tool, *words[1:]],
            capture_output=True,
            text=True,
            timeout=WAIT_S,
            check=False,
            errors="replace",
        )
    except (OSError, subprocess.TimeoutExpired):
        return None
    return done.returncode, done.stdout + done.stderr


def firewalls(port: int, run: Run = run_tool, platform: str = sys.platform) -> list[Firewall]:
    """Every firewall found on this machine, and what it does to TCP on `port`."""
    if platform == "darwin":
        tool = "/usr/libexec/ApplicationFirewall/socketfilterfw"
        said = run([tool, "--getglobalstate"])
        return [] if said is None else [_macos(said[1])]
    if platform == "win32":
        return [Firewall("Windows Firewall", Gate.UNKNOWN, Sentence("doctor.wall.windows"))]
    readers: list[tuple[list[str], Callable[[str, int], Gate], str]] = [
        (["ufw", "status"], ufw_gate, f"sudo ufw allow {port}/tcp"),
        (
            ["firewall-cmd", "--list-all"],
            firewalld_gate,
            f"sudo firewall-cmd --add-port={port}/tcp",
        ),
        (
            ["nft", "list", "ruleset"],
            nft_gate,
            Sentence(
                "doctor.wall.nft",
                port=port,
                command=f"sudo nft insert rule inet filter input tcp dport {port} accept",
            ),
        ),
        (
            ["iptables", "-S", "INPUT"],
            iptables_gate,
            f"sudo iptables -I INPUT -p tcp --dport {port} -j ACCEPT",
        ),
    ]
    found = []
    for words, read, cure in readers:
        said = run(words)
        if said is None:
            continue
        code, text = said
        if code != 0 and "not running" in text.lower():
            continue
        found.append(Firewall(words[0], Gate.UNKNOWN if code else read(text, port), cure))
    return found


def ufw_gate(text: str, port: int) -> Gate:
    """`ufw status`: incoming is denied unless a rule lets it in."""
    if "inactive" in text:
        return Gate.OPEN
    if "Status: active" not in text:
        return Gate.UNKNOWN
    for line in text.splitlines():
        where, _, rest = line.partition(" ")
        if rest.strip().startswith(("ALLOW", "LIMIT")) and _ufw_port(where, port):
            return Gate.OPEN
        if rest.strip().startswith(("DENY", "REJECT")) and _ufw_port(where, port):
            return Gate.SHUT
    return Gate.SHUT


def firewalld_gate(text: str, port: int) -> Gate:
    """`firewall-cmd --list-all`: the zone's ports and target."""
    if re.search(r"^\s*target: ACCEPT", text, re.M):
        return Gate.OPEN
    ports = re.search(r"^\s*ports:(.*)$", text, re.M)
    if ports is None:
        return Gate.UNKNOWN
    for item in ports[1].split():
        span, _, protocol = item.partition("/")
        if protocol == "tcp" and _in_span(span, port, "-"):
            return Gate.OPEN
    return Gate.SHUT


def nft_gate(text: str, port: int) -> Gate:
    """`nft list ruleset`: every base chain at the input hook must let the packet pass."""
    gates = [
        _nft_chain(chain, port)
        for chain in re.findall(r"chain [^{\n]*\{([^{}]*(?:\{[^{}]*\}[^{}]*)*)\}", text)
        if re.search(r"type filter hook input", chain)
    ]
    if Gate.SHUT in gates:
        return Gate.SHUT
    return Gate.UNKNOWN if Gate.UNKNOWN in gates else Gate.OPEN


def _nft_chain(chain: str, port: int) -> Gate:
    shut = re.search(r"policy drop", chain) is not None
    for line in (line.strip() for line in chain.splitlines()):
        dport = re.search(r"tcp dport (\{[^}]*\}|\S+)", line)
        if dport is not None:
            spans = [span.strip() for span in dport[1].strip("{} ").split(",")]
            if any(_in_span(span, port, "-") for span in spans):
                if re.search(r"\baccept\b", line):
                    return Gate.OPEN
                if re.search(r"\b(drop|reject)\b", line):
                    return Gate.SHUT
            continue
        words = re.sub(r"\bcounter( packets \d+ bytes \d+)?|\bcomment \"[^\"]*\"", "", line).split()
        if words == ["accept"]:
            return Gate.OPEN
        if words and words[0] in ("drop", "reject"):
            return Gate.SHUT
        if "jump" in words or "goto" in words:
            return Gate.UNKNOWN  # another chain decides
    return Gate.SHUT if shut else Gate.OPEN


def iptables_gate(text: str, port: int) -> Gate:
    """`iptables -S INPUT`: the first rule that fits a new TCP packet from anywhere, or policy."""
    policy = Gate.OPEN
    for line in text.splitlines():
        if line.startswith("-P INPUT"):
            policy = Gate.OPEN if line.split()[-1] == "ACCEPT" else Gate.SHUT
            continue
        target = re.search(r" -j (\S+)", line)
        if target is None or not line.startswith("-A INPUT"):
            continue
        dport = re.search(r"--dports? (\S+)", line)
        if dport is not None and not any(_in_span(s, port, ":") for s in dport[1].split(",")):
            continue
        if re.search(r" -p (?!tcp)\S+| -i lo\b| -s (?!0\.0\.0\.0/0)\S+|state|--ctstate", line):
            continue  # for other packets than a new phone's
        if target[1] == "ACCEPT":
            return Gate.OPEN
        if target[1] in ("DROP", "REJECT"):
            return Gate.SHUT
        return Gate.UNKNOWN  # a chain of its own
    return policy


def _macos(text: str) -> Firewall:
    cure = Sentence("doctor.wall.macos")
    if "disabled" in text or "State = 0" in text:
        return Firewall("macOS firewall", Gate.OPEN)
    blocks_all = "block all" in text.lower() or "State = 2" in text
    return Firewall("macOS firewall", Gate.SHUT if blocks_all else Gate.UNKNOWN, cure)


def _ufw_port(where: str, port: int) -> bool:
    span, _, protocol = where.partition("/")
    return where == "Anywhere" or (protocol in ("", "tcp") and _in_span(span, port, ":"))


def _in_span(span: str, port: int, between: str) -> bool:
    first, found, last = span.partition(between)
    if not first.isdigit() or (found and not last.isdigit()):
        return False
    return int(first) <= port <= int(last or first)
