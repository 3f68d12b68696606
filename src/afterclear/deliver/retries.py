"""Try again when something is out of reach for a moment."""

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

from afterclear.errors import UnreachableError

Result = TypeVar("Result")


@dataclass(frozen=True, slots=True)
class Patience:
    """How often to try, and how long to wait before the second time; then double."""

    tries: int = 3
    wait_seconds: float = 20.0
    sleep: Callable[[float], None] = time.sleep


def with_patience(attempt: Callable[[], Result], patience: Patience) -> Result:
    """Call until it works or patience ends.

    Raises:
        UnreachableError: the last try failed too.

    """
    wait = patience.wait_seconds
    for _ in range(patience.tries - 1):
        try:
            return attempt()
        except UnreachableError:
            patience.sleep(wait)
            wait *= 2
    return attempt()
