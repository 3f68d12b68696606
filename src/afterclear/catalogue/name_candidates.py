"""Possible names in a text, if only hashes of the names are known. Pure."""

from collections.abc import Iterator
from typing import Final

import numpy as np

from afterclear.catalogue.names_in_text import BETWEEN, as_bytes

_PIECES: Final = 6  # pieces a name is written in
_IS_LETTER: Final = np.array([chr(b).isalnum() if b < 0x80 else True for b in range(256)], np.int8)  # noqa: PLR2004 - ASCII
_IS_BETWEEN: Final = np.array([b in BETWEEN for b in range(256)])


def candidates(text: str, lengths: frozenset[int]) -> Iterator[str]:
    """Give possible names of these lengths in a text, as ``plain_id`` writes them.

    ``lengths``: of names in UTF-8, bytes.  Words of the text, and neighbouring words together
    with no more than two blanks, dashes, dots or slashes between; each once.
    """
    raw = as_bytes(text)
    if not raw or not lengths:
        return
    letters = np.frombuffer(raw, np.uint8)
    edges = np.diff(np.concatenate(([0], _IS_LETTER[letters], [0])))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    joined = _joined(letters, starts, ends)
    size, wanted = ends - starts, np.array(sorted(lengths))
    total, is_run, found = size.copy(), np.ones(len(size), bool), set[bytes]()
    for more in range(_PIECES):
        for at in np.flatnonzero(is_run & np.isin(total, wanted)):
            found.add(raw[starts[at] : ends[at + more]].translate(None, BETWEEN))
        if len(size) <= more + 1:
            break
        is_run = is_run[:-1] & joined[more:]
        total = total[:-1] + size[more + 1 :]
    for name in sorted(found):
        yield name.decode("utf-8", errors="replace")


def _joined(
    letters: "np.ndarray[tuple[int], np.dtype[np.uint8]]",
    starts: "np.ndarray[tuple[int], np.dtype[np.int64]]",
    ends: "np.ndarray[tuple[int], np.dtype[np.int64]]",
) -> "np.ndarray[tuple[int], np.dtype[np.bool_]]":
    """Say for each word but the last whether the next one may belong to the same name."""
    gap, first = starts[1:] - ends[:-1], ends[:-1]
    second = np.minimum(first + 1, len(letters) - 1)
    is_between = _IS_BETWEEN[letters[first]]
    return np.asarray(
        (gap == 1) & is_between | (gap == 2) & is_between & _IS_BETWEEN[letters[second]]  # noqa: PLR2004
    )
