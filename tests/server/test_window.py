import asyncio
import os

from server.window import Window


async def test_a_typed_word_runs_its_command_and_others_are_told(capsys):
    ran = asyncio.Event()

    async def new() -> None:
        ran.set()

    read, write = os.pipe()
    with os.fdopen(read) as stream, Window({"new": new}, stream):
        os.write(write, b"what\n\n Ne")
        await asyncio.sleep(0.05)
        assert not ran.is_set()
        os.write(write, b"w \n")
        await asyncio.wait_for(ran.wait(), 2)
        os.close(write)
        await asyncio.sleep(0.05)
    assert "Known words: new." in capsys.readouterr().out


async def test_a_window_that_cannot_be_read_is_none(tmp_path):
    (tmp_path / "file").write_text("new\n")
    with (tmp_path / "file").open() as stream, Window({}, stream):
        pass  # a regular file cannot be watched
    with Window({}, object()):  # and some inputs have no descriptor
        pass


async def test_a_long_line_is_not_kept():
    read, write = os.pipe()
    with os.fdopen(read) as stream, Window({}, stream) as window:
        for _ in range(10):
            os.write(write, b"x" * 4096)
            await asyncio.sleep(0.01)
        assert len(window._typed) <= 1000
    os.close(write)
