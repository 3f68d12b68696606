"""Pages come one after another, in the order they were asked for."""

import asyncio

from afterclear.desk.turn import Turn


async def _page(turn: Turn, name: int, told: list[int], within: float = 60) -> None:
    async with turn.within(within) as is_its_turn:
        told.append(name if is_its_turn else -name)
        await asyncio.sleep(0.01)


def test_who_asked_first_is_first() -> None:
    turn, told = Turn(), list[int]()

    async def pages() -> None:
        await asyncio.gather(*(_page(turn, n, told) for n in range(1, 9)))

    asyncio.run(pages())
    assert told == list(range(1, 9))
    assert not turn.is_taken


def test_who_gives_up_or_is_gone_keeps_nobody_waiting() -> None:
    turn, told = Turn(), list[int]()

    async def pages() -> None:
        first = asyncio.create_task(_page(turn, 1, told))
        gone = asyncio.create_task(_page(turn, 2, told))
        await asyncio.sleep(0)
        await _page(turn, 3, told, within=0)
        gone.cancel()
        await _page(turn, 4, told)
        await first

    asyncio.run(pages())
    assert told == [1, -3, 4]
    assert not turn.is_taken
