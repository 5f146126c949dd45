"""Photos and clips from files, told apart by what they hold and not by their names."""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import av
import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from vision.errors import TeesquareError

# Largest picture that is decoded: beyond any phone's, below what would exhaust a laptop.
MAX_PIXELS = 250_000_000
MAX_PHOTO_BYTES = 500_000_000
MAX_SIDE = 30_000

# Containers that hold pictures of their own. FFmpeg also "plays" text files, and playlists that
# name other files or addresses: neither may be opened because a file happens to look like one.
_CONTAINERS = (
    "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi,mpegts,mpeg,mjpeg,gif,apng,ogg,asf,flv,ivf,"
    "h264,hevc,yuv4mpegpipe,m4v,mxf,dv"
)
_OPTIONS = {"format_whitelist": _CONTAINERS, "protocol_whitelist": "file"}

_PHOTO_STARTS = (
    b"\xff\xd8\xff",  # JPEG
    b"\x89PNG\r\n\x1a\n",
    b"BM",
    b"II*\x00",  # TIFF, little and big endian
    b"MM\x00*",
    b"\x00\x00\x00\x0cjP  ",  # JPEG 2000
)
_HEIF_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"mif1", b"msf1")


class MediaError(TeesquareError):
    """A file that cannot be read; the message is a plain sentence that says what to do."""


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """One picture: its index in its file, its pixels (h, w, 3) BGR uint8, upright."""

    frame: int
    bgr: NDArray[np.uint8]
    of_clip: bool = False


def pictures(path: Path, every: int = 1) -> Iterator[Picture]:
    """The photo, or every `every`th picture of the clip, turned as its maker marked it.

    Raises MediaError, also midway through a clip that breaks off before its first picture.
    """
    start = _start_of(path)
    if _is_photo(start):
        yield Picture(0, _photo(path))
    elif start[4:8] == b"ftyp" and start[8:12] in _HEIF_BRANDS:
        # iPhones store these in tiles that no decoder here puts together.
        raise MediaError(
            "this is a HEIC photo, which cannot be read: export it as JPEG (on an iPhone: "
            "Settings, Camera, Formats, Most Compatible)"
        )
    else:
        yield from _clip(path, every)


def frame_count(path: Path) -> int | None:
    """About how many pictures the clip holds; None where its file does not say, or is a photo."""
    try:
        if _is_photo(_start_of(path)):
            return None
        with path.open("rb") as file, closing(av.open(file, "r", options=_OPTIONS)) as clip:
            video = clip.streams.video[0]
            if video.frames > 0:
                return int(video.frames)
            if clip.duration and video.average_rate:
                return max(1, round(clip.duration / av.time_base * float(video.average_rate)))
    except (av.error.FFmpegError, OSError, IndexError, MediaError):
        pass  # `pictures` says what is wrong with it
    return None


def _is_photo(start: bytes) -> bool:
    return start.startswith(_PHOTO_STARTS) or (start[:4] == b"RIFF" and start[8:12] == b"WEBP")


def _start_of(path: Path) -> bytes:
    try:
        if path.is_dir():
            raise MediaError("this is a folder: name the pictures in it")
        if not path.exists():
            raise MediaError("there is no such file: check its name and folder")
        if not path.is_file():
            raise MediaError("this is not a regular file: give a photo or a clip")
        with path.open("rb") as file:
            start = file.read(16)
    except (OSError, ValueError) as wrong:
        said = getattr(wrong, "strerror", None) or "its name cannot be used"
        raise MediaError(f"the file cannot be opened ({said})") from wrong
    if not start:
        raise MediaError("the file is empty (0 bytes): copy it from the phone again")
    return start


def _photo(path: Path) -> NDArray[np.uint8]:
    try:
        size = path.stat().st_size
        if size > MAX_PHOTO_BYTES:
            raise MediaError(f"a photo of {size / 1e6:.0f} MB is too large: make it smaller")
        data = path.read_bytes()
    except OSError as wrong:
        raise MediaError(f"the file cannot be read ({wrong.strerror})") from wrong
    torn = MediaError(
        "the picture is torn: its file ends before the picture does. Copy it from the phone again"
    )
    if data.startswith(b"\xff\xd8") and not _jpeg_is_whole(data):
        raise torn  # a decoder may fill the missing part with grey and say nothing
    if data.startswith(b"\x89PNG") and not _png_is_whole(data):
        raise torn  # one that believes a length of 4 GB keeps the machine busy for long
    _need_bounded(data)
    try:
        # Upright by the EXIF orientation, which imdecode honours unless told otherwise.
        picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    except cv2.error as wrong:
        raise MediaError("the picture is too large or broken: save it as JPEG again") from wrong
    if picture is None:
        raise torn
    return _checked(picture)


def _jpeg_is_whole(data: bytes) -> bool:
    """Whether the end-of-image marker follows the scan (ITU-T T.81, B.1.1 and B.2).

    Segments are walked by their lengths, since an EXIF thumbnail holds an end marker of its own.
    """
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if marker == 0xFF:  # fill byte
            at += 1
        elif marker == 0xDA:  # start of scan: coded data follows, in which FF D9 cannot occur
            return data.find(b"\xff\xd9", at) >= 0
        elif marker == 0xD9:
            return False  # ends without any picture
        else:
            at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return False


def _png_is_whole(data: bytes) -> bool:
    """Whether each chunk lies within the file, up to the last one, IEND (ISO/IEC 15948, 5.3)."""
    at = 8
    while at + 12 <= len(data):
        length = int.from_bytes(data[at : at + 4], "big")
        if data[at + 4 : at + 8] == b"IEND":
            return True
        at += 12 + length
    return False


def _need_bounded(data: bytes) -> None:
    """Raise MediaError where the head alone says that the picture is too large to be decoded.

    A file of a few bytes may claim any size, and a decoder would make room for it first.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(data)) as picture:
                width, height = picture.size
    except Image.DecompressionBombError:
        width = height = MAX_SIDE  # larger than its own limit, 179 million pixels
    except Exception:  # not its format, or broken: the real decoder says so
        return
    if width * height > MAX_PIXELS or max(width, height) > MAX_SIDE:
        raise MediaError(_too_large(width, height))


def _clip(path: Path, every: int) -> Iterator[Picture]:
    seen = 0
    try:
        # As an open file: a name such as "http:…" must not be taken for an address.
        with path.open("rb") as file, closing(_open(file)) as clip:
            if not clip.streams.video:
                raise MediaError("the file holds no picture: give a photo or a clip")
            clip.streams.video[0].thread_type = "AUTO"
            for index, picture in enumerate(clip.decode(video=0)):
                if index % every == 0:
                    yield Picture(index, _upright(picture), of_clip=True)
                seen += 1
    except av.error.FFmpegError as wrong:
        if seen == 0:
            raise MediaError(
                "the file is neither a photo nor a clip that can be read: give JPEG, PNG, MP4 or "
                "MOV, or copy it from the phone again"
            ) from wrong
        return  # broken off midway: the whole pictures before the break count
    except OSError as wrong:
        raise MediaError(f"the file cannot be read ({wrong.strerror or wrong})") from wrong
    if seen == 0:
        raise MediaError("the clip is empty: it holds no picture. Film it again")


def _open(file: BinaryIO) -> av.container.InputContainer:
    # Titles may be in any encoding, and are of no interest.
    return av.open(file, "r", options=_OPTIONS, metadata_errors="replace")


def _upright(picture: av.VideoFrame) -> NDArray[np.uint8]:
    """The picture as BGR, turned by the display matrix (degrees counterclockwise)."""
    if picture.width * picture.height > MAX_PIXELS:
        raise MediaError(_too_large(picture.width, picture.height))
    bgr = picture.to_ndarray(format="bgr24")
    turn = {
        90: cv2.ROTATE_90_COUNTERCLOCKWISE,
        180: cv2.ROTATE_180,
        270: cv2.ROTATE_90_CLOCKWISE,
    }.get(round(picture.rotation) % 360)
    return _checked(bgr if turn is None else cv2.rotate(bgr, turn))


def _checked(picture: NDArray[np.generic]) -> NDArray[np.uint8]:
    height, width = picture.shape[:2]
    if width * height > MAX_PIXELS:
        raise MediaError(_too_large(width, height))
    return np.ascontiguousarray(picture, dtype=np.uint8)


def _too_large(width: int, height: int) -> str:
    return f"a picture of {width} x {height} pixels is too large: make it smaller"
