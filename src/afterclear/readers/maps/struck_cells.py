"""The mark of a row that is struck out; apart, so that it loads no library of tables."""

from typing import TypeVar

_Cell = TypeVar("_Cell", bound=str | None)


class StruckCells(list[_Cell]):
    """Cells of a row that is struck out, wholly or in part."""
