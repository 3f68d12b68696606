"""Progress of a long piece of work: reported by it, shown by its caller."""

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Progress:
    """Gets the amount of work, then each part done."""

    begin: Callable[[int], None]
    advance: Callable[[int], None]


QUIET = Progress(lambda _: None, lambda _: None)
