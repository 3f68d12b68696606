"""How far a long piece of work is: told by it, shown by whoever started it."""

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Progress:
    """Told how much there is to do, then of each part done."""

    begin: Callable[[int], None]
    advance: Callable[[int], None]


QUIET = Progress(lambda _: None, lambda _: None)
