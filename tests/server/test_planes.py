"""Decoded pictures as vision's planes."""

import av
import numpy as np
import pytest
from av.video.reformatter import ColorRange

from server.planes import frame_from_video


def picture(bgr, fmt="yuv420p", color_range=ColorRange.MPEG) -> av.VideoFrame:
    height, width = 90, 161
    pixels = np.full((height, width, 3), bgr, np.uint8)
    return av.VideoFrame.from_ndarray(pixels, format="bgr24").reformat(
        format=fmt, dst_color_range=color_range
    )


# ITU-R BT.601-7, full range as in JFIF: Y = 0.299 R + 0.587 G + 0.114 B,
# Cb = 128 + 0.564 (B - Y), Cr = 128 + 0.713 (R - Y).
@pytest.mark.parametrize(
    ("bgr", "yuv"),
    [
        ((0, 0, 0), (0, 128, 128)),
        ((255, 255, 255), (255, 128, 128)),
        ((0, 0, 255), (76, 85, 255)),
        ((0, 255, 0), (150, 44, 21)),
        ((255, 0, 0), (29, 255, 107)),
    ],
)
@pytest.mark.parametrize(
    ("fmt", "color_range"),
    [
        ("yuv420p", ColorRange.MPEG),
        ("yuvj420p", ColorRange.JPEG),
        ("nv12", ColorRange.MPEG),
        ("yuv444p", ColorRange.MPEG),
        ("bgr24", ColorRange.UNSPECIFIED),
    ],
)
def test_planes_are_full_range_whatever_the_decoder_gives(bgr, yuv, fmt, color_range):
    frame = frame_from_video(picture(bgr, fmt, color_range))
    assert (frame.height, frame.width) == (90, 161)
    assert frame.u.shape == frame.v.shape == (45, 81)
    for plane, expected in zip((frame.y, frame.u, frame.v), yuv, strict=True):
        # The odd last column of chroma is the converter's own affair.
        assert np.abs(plane[:, :-1].astype(int) - expected).max() <= 3


def test_every_code_is_expanded_as_the_recommendation_says():
    """ITU-R BT.601-7 to full range as in JFIF: 219 steps of luma and 224 of chroma become 255."""
    codes = np.arange(256)
    decoded = av.VideoFrame(2 * 256, 2, "yuv420p")
    for plane, row in zip(decoded.planes, (np.repeat(codes, 2), codes, codes), strict=True):
        rows = np.zeros((plane.height, plane.line_size), np.uint8)
        rows[:, : plane.width] = row
        plane.update(rows)
    decoded.color_range = ColorRange.MPEG
    frame = frame_from_video(decoded)
    luma = np.clip(np.rint((codes - 16) * 255 / 219), 0, 255)
    chroma = np.clip(np.rint((codes - 128) * 255 / 224 + 128), 0, 255)
    assert np.array_equal(frame.y[0], np.repeat(luma, 2))
    assert np.array_equal(frame.u[0], chroma) and np.array_equal(frame.v[0], chroma)


def test_full_range_planes_are_not_copied():
    decoded = picture((1, 2, 3), "yuvj420p", ColorRange.JPEG)
    frame = frame_from_video(decoded)
    address = np.frombuffer(decoded.planes[0], np.uint8).ctypes.data
    assert frame.y.ctypes.data == address


def test_padded_rows_do_not_leak_into_the_picture():
    decoded = picture((200, 200, 200))
    assert decoded.planes[0].line_size > decoded.width  # else this test shows nothing
    assert frame_from_video(decoded).y.std() == 0
