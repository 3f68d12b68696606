"""What ``check`` takes for the same results."""

from math import inf

import polars as pl
import pytest

from afterclear.commands.upkeep import is_same


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        (1.0, 1.0 + 1e-12, True),
        (1.0, 1.0 + 1e-6, False),
        (inf, inf, True),
        (inf, -inf, False),
        (inf, 7.0, False),
        (7.0, inf, False),
        (None, None, True),
        (None, 7.0, False),
    ],
)
def test_numbers_are_the_same_but_for_their_last_digits(
    one: float | None, other: float | None, *, same: bool
) -> None:
    """A ratio without an upper limit is no difference; it was told as one."""
    frames = [
        pl.DataFrame({"name": ["a", "b"], "n": [n, 1.0]}, schema={"name": str, "n": pl.Float64})
        for n in (one, other)
    ]
    assert is_same(*frames) is same
