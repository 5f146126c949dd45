"""What may die inside: a decoder, the threads of vision, one piece of work. The phone goes on."""

import asyncio
import queue
import threading
from concurrent.futures import ThreadPoolExecutor
from concurrent.futures.thread import BrokenThreadPool
from fractions import Fraction
from types import SimpleNamespace

import av
import numpy as np
import pytest
from aiortc.codecs.vpx import Vp8Encoder
from aiortc.jitterbuffer import JitterFrame

from server.pool import VisionPool, WorkerDied
from server.reception import decode_until_none
from tests.server.live_phone import Camera, far_away, later_guidance, nothing_found, serving, until

VP8 = SimpleNamespace(name="VP8", mimeType="video/VP8")


class BrokenCamera(Camera):
    """Encodes by itself; while `broken`, every coded picture is noise, as after lost packets."""

    def __init__(self) -> None:
        super().__init__()
        self.broken = False
        self._encoder = av.CodecContext.create("libvpx", "w")
        self._encoder.width, self._encoder.height = self.size
        self._encoder.pix_fmt, self._encoder.time_base = "yuv420p", Fraction(1, 30)
        self._encoder.gop_size = 15
        self._encoder.options = {"deadline": "realtime", "lag-in-frames": "0"}
        self._rng = np.random.default_rng(3)

    async def recv(self):
        picture = await super().recv()
        pts, time_base = picture.pts, picture.time_base
        picture.pts, picture.time_base = round(pts / 3000), Fraction(1, 30)
        data = b"".join(bytes(packet) for packet in self._encoder.encode(picture))
        packet = av.Packet(self._rng.bytes(900) if self.broken else data)
        packet.pts, packet.time_base = pts, time_base
        return packet


async def test_a_stream_that_cannot_be_decoded_comes_back_with_its_next_key_picture(told):
    async with serving(far_away, tell=told.append) as (_, phone):
        await phone.of_type("pong")
        phone.pc.getSenders()[0].replaceTrack(camera := BrokenCamera())
        await later_guidance(phone, 40)
        camera.broken = True
        await asyncio.sleep(1.0)

        def pongs() -> int:
            return sum(m["type"] == "pong" for m in phone.messages)

        before = pongs()
        await until(lambda: pongs() > before, 3.0)  # still heard and answered
        camera.broken = False
        await later_guidance(phone, 40)
        assert not any("gone" in sentence for sentence in told)


async def test_the_decoders_thread_outlives_whatever_a_decoder_raises(monkeypatch):
    """The library's own thread ends with any error but FFmpeg's; the picture then stands still."""
    made = []

    class Fragile:
        def __init__(self):
            made.append(self)

        def decode(self, encoded):
            if encoded.data == b"bad":
                raise ValueError("a bug")
            return [encoded.data]

    monkeypatch.setattr("aiortc.rtcrtpreceiver.get_decoder", lambda codec: Fragile())
    coded, pictures, failed = queue.Queue(), asyncio.Queue(), threading.Event()
    thread = threading.Thread(
        target=decode_until_none, args=(asyncio.get_running_loop(), coded, pictures, failed)
    )
    thread.start()
    for data in (b"one", b"bad", b"two"):
        coded.put((VP8, JitterFrame(data, 0)))
    coded.put(None)
    got = [await asyncio.wait_for(pictures.get(), 5) for _ in range(3)]
    thread.join(5)
    assert got == [b"one", b"two", None]
    assert failed.is_set()
    assert len(made) == 2


async def test_noise_does_not_end_a_real_decoder():
    encoder = Vp8Encoder()
    frame = av.VideoFrame(320, 180, "yuv420p")
    frame.pts, frame.time_base = 0, Fraction(1, 90000)
    whole = b"".join(p[4:] for p in encoder.encode(frame, force_keyframe=True)[0])
    rng = np.random.default_rng(1)
    coded, pictures, failed = queue.Queue(), asyncio.Queue(), threading.Event()
    for data in (*(rng.bytes(500) for _ in range(50)), b"", whole):
        coded.put((VP8, JitterFrame(data, 0)))
    coded.put(None)
    await asyncio.to_thread(decode_until_none, asyncio.get_running_loop(), coded, pictures, failed)
    await asyncio.sleep(0)
    got = [pictures.get_nowait() for _ in range(pictures.qsize())]
    assert got[-1] is None
    assert got[-2].width == 320
    assert failed.is_set()


class Breaking(ThreadPoolExecutor):
    """Threads whose start fails once told to: the pool breaks as concurrent.futures breaks it."""

    made = 0

    def __init__(self, workers):
        Breaking.made += 1
        super().__init__(workers, thread_name_prefix="vision")
        self.after = 5 if Breaking.made == 1 else 10**9

    def submit(self, fn, /, *args, **kwargs):
        self.after -= 1
        if self.after < 0:
            raise BrokenThreadPool("a thread could not start")
        return super().submit(fn, *args, **kwargs)


async def test_threads_that_break_are_exchanged_and_no_session_ends():
    Breaking.made = 0
    pool = VisionPool(1, Breaking)
    async with serving(far_away, pool=pool) as (_, phone):
        await phone.wait_for(lambda m: m.get("seq", 0) >= 15)
        assert not any(m["type"] in ("bye", "problem") for m in phone.messages)
    assert pool.replaced == 1
    assert Breaking.made == 2


@pytest.mark.parametrize("end", [SystemExit(1), KeyboardInterrupt(), GeneratorExit()])
async def test_work_that_ends_its_thread_costs_one_picture(end):
    calls = []

    def fragile(state, frame, setup, time_s):
        calls.append(threading.current_thread())
        if len(calls) == 3:
            raise end
        return state, nothing_found(setup)

    async with serving(fragile) as (_, phone):
        problem = await phone.of_type("problem")
        assert problem["text"].startswith("This picture could not be analysed")
        await later_guidance(phone)
    assert len(calls) > 3


def test_after_its_end_the_pool_takes_no_work_and_is_not_made_anew():
    pool = VisionPool(1)
    assert pool.submit(pow, 2, 5).result(5) == 32
    with pytest.raises(WorkerDied, match="SystemExit: 3"):
        pool.submit(exit_, 3).result(5)
    pool.shutdown()
    pool.shutdown()
    with pytest.raises(RuntimeError):
        pool.submit(pow, 2, 5)
    assert pool.replaced == 0


def exit_(code):
    raise SystemExit(code)
