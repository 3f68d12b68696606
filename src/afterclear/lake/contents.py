"""What a lake holds: its files by table, bucket and month, in one list that is replaced whole.

A *bucket* is the vehicles whose ids have the same remainder of a checksum, so that a vehicle stays
in its bucket whichever machine asks. A *piece* is the rows of one table, bucket and month; its
digest tells whether its rows are those that were put there before. A file whose piece has changed
gets another name: whoever read the list before still finds what it names.
"""

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

from afterclear.errors import StoreError, UsageError
from afterclear.plain import INSTANT_OF

_LIST: Final = "lake.json"
_LIST_BEFORE: Final = "lake.before.json"
_FORM: Final = 1  # of the list; another one is another program's
# Tables of rows by vehicle with the column of their instant; None: a row has none.
INSTANTS: Final = {"vehicles": None, **INSTANT_OF}
WHOLE: Final = "decisions"  # few rows, read by whoever ranks the work


@dataclass(frozen=True, slots=True)
class Piece:
    """Rows of one table, bucket and month, and the files that hold them."""

    table: str
    bucket: int
    month: str  # as in 2025-03; empty: rows without an instant
    digest: str
    n_rows: int
    last_at: str  # of its rows, ISO 8601 in UTC without an offset; empty: they have no instant
    files: tuple[str, ...]  # below the lake

    @property
    def key(self) -> tuple[str, int, str]:
        """What the piece is of."""
        return self.table, self.bucket, self.month


@dataclass(frozen=True, slots=True)
class Contents:
    """All pieces of a lake, and into how many buckets its vehicles are divided."""

    n_buckets: int
    pieces: tuple[Piece, ...] = ()

    def by_bucket(self) -> dict[int, list[Piece]]:
        """Give the pieces of every bucket that has any."""
        found: dict[int, list[Piece]] = {}
        for piece in self.pieces:
            if piece.table != WHOLE:
                found.setdefault(piece.bucket, []).append(piece)
        return dict(sorted(found.items()))

    def whole(self) -> tuple[Piece, ...]:
        """Give the pieces of the table that is read as a whole."""
        return tuple(p for p in self.pieces if p.table == WHOLE)

    def files(self) -> set[str]:
        """Name every file of the lake's rows."""
        return {file for piece in self.pieces for file in piece.files}


def piece_from(told: Mapping[str, Any]) -> Piece:
    """Give a piece back from what JSON kept of it."""
    return Piece(**{**told, "files": tuple(told["files"])})


def named(made_of: object) -> str:
    """Name something by what it is made of, which JSON can tell."""
    return hashlib.sha256(json.dumps(made_of).encode()).hexdigest()[:24]


def fingerprint(pieces: Iterable[Piece]) -> str:
    """Identify the rows of some pieces, whatever their order."""
    return named(sorted((*piece.key, piece.digest, piece.n_rows) for piece in pieces))


def files_of(pieces: Iterable[Piece], table: str) -> list[str]:
    """Name the files of one table."""
    return [file for piece in pieces if piece.table == table for file in piece.files]


def contents_at(lake: Path) -> Contents | None:
    """Read what a lake holds; None: there is none yet.

    Raises:
        StoreError: the list is damaged, or of a newer version.

    """
    return _read(lake / _LIST)


def contents_there(lake: Path) -> Contents:
    """Read what a lake holds.

    Raises:
        UsageError: there is none, or nothing is in it.
        StoreError: the list is damaged, or of a newer version.

    """
    found = contents_at(lake)
    if found is None:
        raise UsageError(f"There is no lake at {lake}. 'afterclear lake-fill {lake}' makes one.")
    if not found.by_bucket():
        raise UsageError(f"The lake at {lake} holds no rows. Load some, then fill it again.")
    return found


def put_contents(lake: Path, contents: Contents) -> None:
    """Replace the list in one step, and remove files that neither it nor the one before names."""
    place, part = lake / _LIST, lake / f".{_LIST}.part"
    told = {
        "form": _FORM,
        "n_buckets": contents.n_buckets,
        "pieces": [asdict(piece) for piece in contents.pieces],
    }
    part.write_text(json.dumps(told), encoding="utf-8")
    before = _read(place)
    if before is not None:
        (lake / _LIST_BEFORE).write_bytes(place.read_bytes())
    part.replace(place)
    kept = contents.files() | (before.files() if before else set())
    for file in (lake / "rows").rglob("*.parquet"):
        if file.relative_to(lake).as_posix() not in kept:
            file.unlink(missing_ok=True)


def _read(place: Path) -> Contents | None:
    if not place.exists():
        return None
    try:
        told = json.loads(place.read_text(encoding="utf-8"))
        if told["form"] != _FORM:
            raise StoreError(f"{place} is of another version of afterclear. Update the program.")
        pieces = tuple(map(piece_from, told["pieces"]))
        return Contents(int(told["n_buckets"]), pieces)
    except (ValueError, KeyError, TypeError) as error:
        raise StoreError(
            f"{place} is damaged ({error}). Put the one of a backup there, or fill another lake."
        ) from error
