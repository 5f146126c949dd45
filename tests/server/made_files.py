"""Photos and clips made by hand, good and bad."""

import av
import cv2
import numpy as np

from server.media import pictures


def picture(width=320, height=240, grey=120):
    """Grey with a dark top left corner, so that turning it shows."""
    made = np.full((height, width, 3), grey, np.uint8)
    made[: height // 4, : width // 4] //= 4
    return made


def write(path, bgr):
    done, data = cv2.imencode(path.suffix, bgr)
    assert done
    path.write_bytes(data.tobytes())
    return path


def write_clip(path, count=25, size=(320, 240)):
    with av.open(str(path), "w") as clip:
        stream = clip.add_stream("mpeg4", rate=25)
        stream.width, stream.height = size
        stream.pix_fmt = "yuv420p"
        for _ in range(count):
            frame = av.VideoFrame.from_ndarray(picture(*size), format="bgr24")
            clip.mux(stream.encode(frame))
        clip.mux(stream.encode())
    return path


def torn(path, keep):
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * keep)])
    return path


def with_thumbnail(tmp_path):
    """A JPEG whose EXIF part holds a whole little JPEG, as phones write it, torn after that."""
    whole = write(tmp_path / "t.jpg", picture()).read_bytes()
    inner = write(tmp_path / "i.jpg", picture(32, 24)).read_bytes()
    body = b"Exif\0\0" + inner
    exif = b"\xff\xe1" + (len(body) + 2).to_bytes(2, "big") + body
    path = tmp_path / "thumb.jpg"
    path.write_bytes(whole[:2] + exif + whole[2:])
    assert len(list(pictures(path))) == 1  # readable while it is whole
    return torn(path, 0.8)


BAD = {
    "missing": (lambda d: d / "nowhere.jpg", "no such file"),
    "folder": (lambda d: d, "a folder"),
    "empty": (lambda d: bytes_in(d / "e.jpg", b""), "0 bytes"),
    "text": (lambda d: bytes_in(d / "a.txt", b"hello\n" * 100), "neither a photo nor a clip"),
    "text called jpg": (lambda d: bytes_in(d / "b.jpg", b"hello\n" * 9), "neither a photo nor"),
    "noise": (lambda d: bytes_in(d / "n", np.random.default_rng(1).bytes(5000)), "neither a photo"),
    "playlist": (
        lambda d: bytes_in(d / "p.m3u8", b"#EXTM3U\n#EXTINF:9,\nhttp://127.0.0.1:9/x.ts\n"),
        "neither a photo nor a clip",
    ),
    "torn jpeg": (lambda d: torn(write(d / "t.jpg", picture()), 0.6), "torn"),
    "jpeg torn after its thumbnail": (with_thumbnail, "torn"),
    "jpeg of its first bytes": (lambda d: bytes_in(d / "s.jpg", b"\xff\xd8\xff\xe0\0"), "torn"),
    "torn png": (lambda d: torn(write(d / "t.png", picture()), 0.6), "torn"),
    "clip cut at its head": (lambda d: torn(write_clip(d / "c.mp4"), 0.3), "neither a photo"),
    "empty clip": (lambda d: no_pictures(d / "c.avi"), "holds no picture"),
    "sound": (lambda d: sound(d / "s.mp4"), "holds no picture"),
    "HEIC": (lambda d: bytes_in(d / "a.heic", b"\0\0\0\x18ftypheic\0\0\0\0"), "export it as JPEG"),
    "null byte": (lambda d: "a\0b.jpg", "file"),
}


def bytes_in(path, data):
    path.write_bytes(data)
    return path


def no_pictures(path):
    """The head of a clip, with a video stream, and no picture after it."""
    with av.open(str(path), "w") as clip:
        stream = clip.add_stream("mpeg4", rate=25)
        stream.width, stream.height = 320, 240
        stream.pix_fmt = "yuv420p"
        clip.start_encoding()
    return path


def sound(path):
    with av.open(str(path), "w") as clip:
        stream = clip.add_stream("aac", rate=8000)
        silence = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), "fltp", "mono")
        silence.sample_rate = 8000
        clip.mux(stream.encode(silence))
        clip.mux(stream.encode())
    return path
