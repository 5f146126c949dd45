from pathlib import Path

import numpy as np
import pytest

from server.media import MediaError, pictures
from tests.server.made_files import BAD, picture, torn, write, write_clip


@pytest.mark.parametrize("kind", BAD)
def test_a_bad_file_is_told_in_a_sentence(tmp_path, kind):
    make, told = BAD[kind]
    with pytest.raises(MediaError, match=told):
        list(pictures(Path(make(tmp_path))))


@pytest.mark.parametrize("ending", [".jpg", ".png", ".webp", ".bmp", ".tiff"])
def test_a_photo_is_told_by_what_it_holds(tmp_path, ending):
    path = write(tmp_path / f"a{ending}", picture()).rename(tmp_path / "no ending é")
    (only,) = pictures(path)
    assert (only.frame, only.of_clip) == (0, False)
    assert only.bgr.shape == (240, 320, 3)
    assert np.abs(only.bgr.astype(int) - picture()).mean() < 3


def test_every_nth_picture_of_a_clip(tmp_path):
    clip = write_clip(tmp_path / "swing.mp4", count=25)
    assert [made.frame for made in pictures(clip, every=10)] == [0, 10, 20]
    assert all(made.of_clip for made in pictures(clip))


def test_a_clip_cut_midway_gives_its_whole_pictures(tmp_path):
    path = torn(write_clip(tmp_path / "c.avi"), 0.6)
    assert 1 <= len(list(pictures(path))) < 25


def _oriented_jpeg(path, orientation):
    """A JPEG with an EXIF orientation (Exif 2.3, 4.6.4, tag 0x0112)."""
    data = write(path, picture()).read_bytes()
    tag = (
        (0x0112).to_bytes(2, "big") + b"\0\x03\0\0\0\x01" + orientation.to_bytes(2, "big") + b"\0\0"
    )
    body = b"Exif\0\0MM\0*\0\0\0\x08\0\x01" + tag + b"\0\0\0\0"
    path.write_bytes(data[:2] + b"\xff\xe1" + (len(body) + 2).to_bytes(2, "big") + body + data[2:])
    return path


def test_a_photo_is_turned_as_its_exif_says(tmp_path):
    # 6: the first row of the file is the right side of the scene.
    (upright,) = pictures(_oriented_jpeg(tmp_path / "o.jpg", 6))
    assert upright.bgr.shape == (320, 240, 3)
    assert upright.bgr[10, -10].mean() < 60 < upright.bgr[10, 10].mean()


def test_a_clip_is_turned_as_its_display_matrix_says(tmp_path):
    path = write_clip(tmp_path / "c.mp4", count=2)
    data = bytearray(path.read_bytes())
    at = data.index(b"tkhd") + 4 + 40  # the matrix of a version 0 box (ISO/IEC 14496-12, 8.3.2)
    # x' = height - y, y' = x: a quarter turn clockwise.
    matrix = [0, 1 << 16, 0, -(1 << 16), 0, 0, 240 << 16, 0, 1 << 30]
    data[at : at + 36] = b"".join(value.to_bytes(4, "big", signed=True) for value in matrix)
    path.write_bytes(data)
    upright = next(pictures(path))
    assert upright.bgr.shape == (320, 240, 3)
    assert upright.bgr[10, -10].mean() < 60 < upright.bgr[10, 10].mean()
