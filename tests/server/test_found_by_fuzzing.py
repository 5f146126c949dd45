"""What the fuzzers found, each mended: the smallest input that showed it."""

import re
import time
import zlib

import pytest

from server.app import SESSIONS
from server.media import MediaError, pictures
from tests.server.made_files import bytes_in, picture, write, write_clip
from tests.server.test_whip import is_problem


async def test_an_offer_without_a_fingerprint_is_refused_before_a_task_breaks_on_it(phone, server):
    offer = re.sub(r"a=fingerprint:[^\r\n]+\r\n", "", await phone.offer())
    assert "fingerprint" in await is_problem(await phone.post(offer), 400)
    assert len(server.app[SESSIONS]) == 0


async def test_a_half_broken_offer_leaves_no_session(phone, server):
    """Its second media line is lost, so that the library makes a connection in part."""
    offer = (await phone.offer()).replace("m=application", "\x17=application")
    response = await phone.post(offer)
    assert response.status in (201, 400, 406)
    for session in server.app[SESSIONS]:
        await session.close()
    assert len(server.app[SESSIONS]) == 0


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
