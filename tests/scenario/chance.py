"""Repeatable chance.  Only ``Random.random`` is used, which Python promises to keep stable.

Every vehicle draws from a stream of its own name, so a new story changes no other vehicle.
"""

import math
from collections.abc import Sequence
from random import Random
from typing import TypeVar

T = TypeVar("T")

SEED = "afterclear sample 1"


class Chance:
    """A stream of draws that depends on its names only."""

    def __init__(self, *names: str) -> None:
        self._random = Random("/".join((SEED, *names)))  # noqa: S311 - a simulation, no secret

    def happens(self, probability: float) -> bool:
        """Draw True with this probability."""
        return self._random.random() < probability

    def between(self, low: float, high: float) -> float:
        """Draw evenly from [low, high)."""
        return low + (high - low) * self._random.random()

    def whole(self, low: int, high: int) -> int:
        """Draw a whole number from low to high, both included."""
        return low + int((high - low + 1) * self._random.random())

    def pick(self, choices: Sequence[T]) -> T:
        """Draw one of the choices, each as likely."""
        return choices[int(len(choices) * self._random.random())]

    def weighted(self, choices: Sequence[tuple[T, float]]) -> T:
        """Draw one of the choices by its weight; weights need not add up to one."""
        left = sum(weight for _, weight in choices) * self._random.random()
        for choice, weight in choices:
            left -= weight
            if left < 0:
                return choice
        return choices[-1][0]

    def weibull(self, scale: float, shape: float) -> float:
        """Draw a distance from a Weibull distribution; shape 1 is the exponential."""
        return scale * math.pow(-math.log(1.0 - self._random.random()), 1.0 / shape)
