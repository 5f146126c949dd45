import asyncio

import pytest

from server.mailbox import Mailbox, MailboxClosed


async def test_the_newest_item_replaces_the_older_and_is_counted():
    box: Mailbox[int] = Mailbox()
    for item in range(5):
        box.put(item)
    assert await box.take() == 4
    assert box.dropped == 4
    assert box.taken == 1


async def test_an_item_is_taken_once():
    box: Mailbox[str] = Mailbox()
    box.put("a")
    await box.take()
    waiting = asyncio.create_task(box.take())
    await asyncio.sleep(0)
    assert not waiting.done()
    box.put("b")
    assert await waiting == "b"
    assert box.dropped == 0


async def test_a_slow_reader_sees_only_fresh_items():
    box: Mailbox[int] = Mailbox()
    seen = []

    async def read() -> None:
        while True:
            seen.append(await box.take())
            await asyncio.sleep(0.02)

    reader = asyncio.create_task(read())
    for item in range(50):
        box.put(item)
        await asyncio.sleep(0.002)
    await asyncio.sleep(0.03)
    reader.cancel()
    assert seen == sorted(seen)
    assert seen[-1] == 49
    assert len(seen) + box.dropped == 50


async def test_closing_wakes_the_reader_and_refuses_more():
    box: Mailbox[int] = Mailbox()
    waiting = asyncio.create_task(box.take())
    await asyncio.sleep(0)
    box.close()
    with pytest.raises(MailboxClosed):
        await waiting
    box.put(1)
    with pytest.raises(MailboxClosed):
        await box.take()


async def test_waiting_takes_nothing_so_that_the_newest_can_still_come():
    box: Mailbox[int] = Mailbox()
    box.put(1)
    await box.wait()
    box.put(2)
    assert await box.take() == 2
    assert (box.received, box.dropped, box.taken) == (2, 1, 1)
