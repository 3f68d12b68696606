"""What a source is: a place that lists its files, each with a mark of its state.

``look`` names what is there; ``fetch`` brings one file's bytes.  A file whose ``token`` is the
same as when it was last taken has not changed.  Names from outside are words, never paths.
"""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass
from fnmatch import fnmatch
from pathlib import Path, PurePosixPath
from typing import Final, Protocol, TypeVar

from afterclear.errors import RefusedSourceError, StoreError, UnreachableError

# Seconds between tries of what is out of reach for the moment.
WAITS_S: Final = (1.0, 4.0, 15.0)
# Seconds without an answer after which a try has failed.
TIMEOUT_S: Final = 30.0

# What is being written, and notes beside the data.
_NO_DATA: Final = (".part", ".tmp", ".crdownload", ".partial", ".filepart", ".md")


@dataclass(frozen=True, slots=True)
class Found:
    """One file at a source."""

    name: str  # the path below the source's address, with slashes
    token: str  # changes when the file does; empty where the place does not tell
    size: int | None = None  # bytes; None where the place does not tell


@dataclass(frozen=True, slots=True)
class Address:
    """Where a source is and what opens it."""

    url: str
    secret: str | None = None
    key_file: Path | None = None
    known_hosts: Path | None = None
    endpoint: str | None = None
    ca_file: Path | None = None


class Place(Protocol):
    """One opened source."""

    def look(self) -> list[Found]:
        """List what is there.

        Raises:
            UnreachableError: not now; another try may succeed.
            RefusedSourceError: it said no; a person must change something.

        """

    def fetch(self, found: Found, target: Path) -> None:
        """Write one file's bytes to ``target``.

        Raises:
            UnreachableError: it broke off, or the file changed meanwhile.

        """


Result = TypeVar("Result")
Opener = Callable[[Address], AbstractContextManager[Place]]


def is_data(name: str) -> bool:
    """Tell by its name that a file is no note and is not being written."""
    return not name.lower().endswith(_NO_DATA)


def wanted(name: str, pattern: str) -> bool:
    """Tell whether a remote name is one to load: not hidden, data, of the pattern."""
    pieces = PurePosixPath(name).parts
    if not pieces or any(piece.startswith(".") for piece in pieces):
        return False
    return is_data(name) and fnmatch(pieces[-1], pattern)


def retried(
    ask: Callable[[], Result],
    sleep: Callable[[float], None],
    told: Callable[[str], None],
) -> Result:
    """Ask until answered: again after each of ``WAITS_S`` when out of reach, not when refused.

    Raises:
        UnreachableError: every try failed; RefusedSourceError: it said no.

    """
    for wait_s in WAITS_S:
        try:
            return ask()
        except RefusedSourceError:
            raise
        except UnreachableError as error:
            told(f"{error} Trying again in {wait_s:.0f} s.")
            sleep(wait_s)
    return ask()


def written(chunks: Iterator[bytes], target: Path, size: int | None, name: str) -> None:
    """Write chunks to a file; a size that is not the one promised is a transfer broken off.

    Raises:
        UnreachableError: fewer or more bytes came than were promised.

    """
    n_bytes = 0
    with target.open("wb") as file:
        for chunk in chunks:
            try:
                file.write(chunk)
            except OSError as error:  # our own disk, not the source
                raise StoreError(f"{target.parent} cannot be written: {error}.") from error
            n_bytes += len(chunk)
    if size is not None and n_bytes != size:
        raise UnreachableError(
            f"{name} broke off: {n_bytes:,} of {size:,} bytes came. The next run tries again."
        )
