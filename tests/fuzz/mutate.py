"""Seeded mutations of well-formed inputs: what gets past the first check of a parser."""

from __future__ import annotations

import random
from collections.abc import Sequence

_NUMBERS = (b"0", b"-1", b"65536", b"4294967296", b"1e309", b"-1e18", b"NaN", b"9" * 400, b"1e-320")
_BYTES = (b"\x00", b"\xff", b"\r\n", b"\xed\xa0\x80", b"\xf0\x9f\x8f\x8c", b'"', b"{", b"[" * 300)


def mutate(seeds: Sequence[bytes], words: Sequence[bytes], rng: random.Random) -> bytes:
    """One new input from one of the seeds, of one to eight changes."""
    data = bytearray(rng.choice(seeds))
    for _ in range(rng.choice((1, 1, 1, 2, 2, 3, 5, 8))):
        _change(data, seeds, words, rng)
    return bytes(data)


def _change(
    data: bytearray, seeds: Sequence[bytes], words: Sequence[bytes], rng: random.Random
) -> None:
    at = rng.randrange(len(data) + 1)
    end = min(len(data), at + rng.choice((1, 2, 4, 16, 64, 400)))
    kind = rng.randrange(10)
    if kind == 0 and data:
        data[at % len(data)] ^= 1 << rng.randrange(8)
    elif kind == 1 and data:
        data[at % len(data)] = rng.randrange(256)
    elif kind == 2:
        del data[at:end]
    elif kind == 3:
        data[at:at] = data[at:end] * rng.choice((1, 2, 30))
    elif kind == 4:
        data[at:at] = rng.choice(_BYTES)
    elif kind == 5 and words:
        data[at : at + rng.choice((0, 5))] = rng.choice(words)
    elif kind == 6:
        _number(data, rng)
    elif kind == 7:
        other = rng.choice(seeds)
        start = rng.randrange(len(other) + 1)
        data[at:end] = other[start : start + rng.choice((4, 40, 400))]
    elif kind == 8 and b"\n" in data:
        lines = bytes(data).split(b"\n")
        one, two = rng.randrange(len(lines)), rng.randrange(len(lines))
        lines[one], lines[two] = lines[two], lines[one]
        if rng.random() < 0.5:
            del lines[rng.randrange(len(lines))]
        data[:] = b"\n".join(lines)
    elif kind == 9 and len(data) >= 4:
        # A length or a size in a file's head.
        at %= len(data) - 3
        data[at : at + 4] = rng.choice((0, 1, 255, 2**16, 2**31 - 1, 2**32 - 1)).to_bytes(4, "big")


def _number(data: bytearray, rng: random.Random) -> None:
    """Replace one run of digits."""
    digits = [i for i, byte in enumerate(data[:20_000]) if 48 <= byte <= 57]
    if not digits:
        return
    start = end = rng.choice(digits)
    while end < len(data) and 48 <= data[end] <= 57:
        end += 1
    data[start:end] = rng.choice(_NUMBERS)
