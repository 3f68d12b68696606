"""One page after another, in the order they were asked for."""

import asyncio
import time
from collections import deque
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Final

_PAUSE_S: Final = 0.005


class Turn:
    """Whose turn it is; whoever came first is first, so nobody is passed over again and again.

    It is no lock of asyncio, or an event loop would own it.
    """

    def __init__(self) -> None:
        self._waiting: deque[object] = deque()  # the first has its turn

    @property
    def is_taken(self) -> bool:
        """Whether somebody has a turn."""
        return bool(self._waiting)

    @asynccontextmanager
    async def within(self, seconds: float) -> AsyncIterator[bool]:
        """Wait for a turn and hold it for the block; False: it did not come in time.

        Whoever waits holds no thread of those who need no turn.
        """
        own = object()
        self._waiting.append(own)
        try:
            yield await self._comes(own, time.monotonic() + seconds)
        finally:
            self._waiting.remove(own)

    async def _comes(self, own: object, until: float) -> bool:
        while self._waiting[0] is not own:
            if time.monotonic() >= until:
                return False
            await asyncio.sleep(_PAUSE_S)
        return True
