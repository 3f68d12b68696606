"""What a source is: a place that lists its files, each with a token of its state.

``look`` lists the files; ``fetch`` brings one file's bytes.  A file whose ``token`` is the same as
when it was last taken has not changed.  Names from outside are text, never paths.
"""

import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from fnmatch import fnmatch
from pathlib import Path, PurePosixPath
from typing import Final, Protocol, TypeVar

from afterclear.errors import (
    RefusedSourceError,
    SlowSourceError,
    StoreError,
    TooLargeError,
    UnreachableError,
)

# Seconds between tries of what is out of reach for the moment.
WAITS_S: Final = (1.0, 4.0, 15.0)
# Seconds without an answer after which a try has failed.
TIMEOUT_S: Final = 30.0

_RING_AGAIN_S: Final = 5.0

# Files being written, and notes beside the data.
_NO_DATA: Final = (".part", ".tmp", ".crdownload", ".partial", ".filepart", ".md")


@dataclass(frozen=True, slots=True)
class Found:
    """One file at a source."""

    name: str  # the path below the source's address, with slashes
    token: str  # changes when the file does; empty if the place does not say
    size: int | None = None  # bytes; None if the place does not say


@dataclass(frozen=True, slots=True)
class Address:
    """A source's address and credentials."""

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
            UnreachableError: out of reach now; another try may succeed.
            RefusedSourceError: it refused; a person must change something.

        """

    def fetch(self, found: Found, target: Path, max_bytes: int) -> None:
        """Write one file's bytes to ``target``.

        Raises:
            TooLargeError: more than ``max_bytes`` come.
            UnreachableError: it broke off, or the file changed meanwhile.

        """


Result = TypeVar("Result")
Opener = Callable[[Address], AbstractContextManager[Place]]


def is_data(name: str) -> bool:
    """Whether a file's name shows neither a note nor a file being written."""
    return not name.lower().endswith(_NO_DATA)


def wanted(name: str, pattern: str) -> bool:
    """Whether a remote name is one to load: not hidden, data, of the pattern."""
    pieces = PurePosixPath(name).parts
    if not pieces or any(piece.startswith(".") for piece in pieces):
        return False
    return is_data(name) and fnmatch(pieces[-1], pattern)


def retried(
    ask: Callable[[], Result],
    sleep: Callable[[float], None],
    on_failure: Callable[[UnreachableError, float], None],
) -> Result:
    """Ask until answered: again after each of ``WAITS_S`` when out of reach, not when refused.

    ``on_failure``: is told each failure, and after how many seconds it is tried again.

    Raises:
        UnreachableError: every try failed; RefusedSourceError: it refused.

    """
    for wait_s in WAITS_S:
        try:
            return ask()
        except RefusedSourceError:
            raise
        except UnreachableError as error:
            on_failure(error, wait_s)
            sleep(wait_s)
    return ask()


def written(chunks: Iterator[bytes], target: Path, found: Found, max_bytes: int) -> None:
    """Write chunks to a file; a size other than the promised one means a broken transfer.

    Raises:
        TooLargeError: more than ``max_bytes`` came, whatever size was promised.
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
            if n_bytes > max_bytes:
                raise TooLargeError(max_bytes)
    if found.size is not None and n_bytes != found.size:
        raise UnreachableError(
            f"{found.name} broke off: {n_bytes:,} of {found.size:,} bytes came. "
            "The next run tries again."
        )


@dataclass(slots=True)
class Allowance:
    """The time one source may take in one run, used up step by step."""

    minutes: float
    used_s: float = 0.0

    @contextmanager
    def used(self) -> Iterator[None]:
        """Count the block's time, and end the block when there is none left.

        Raises:
            SlowSourceError: there is none left.

        """
        left_s = self.minutes * 60 - self.used_s
        if left_s <= 0:
            raise SlowSourceError(self.minutes)
        begun = time.monotonic()
        try:
            with ended_after(left_s, SlowSourceError(self.minutes)):
                yield
        finally:
            self.used_s += time.monotonic() - begun


@contextmanager
def ended_after(seconds: float, error: Exception) -> Iterator[None]:
    """Raise ``error`` in the block when it takes longer, whatever it waits for.

    A server that sends a byte now and then is never silent for long enough to time out.  An alarm
    reaches every client alike; on systems without alarms, and in other threads than the main one,
    the block is not ended.
    """
    if not hasattr(signal, "setitimer") or (
        threading.current_thread() is not threading.main_thread()
    ):
        yield
        return

    def ring(*_: object) -> None:
        raise error

    before = signal.signal(signal.SIGALRM, ring)
    # again and again, should a client take the error for one of its own
    signal.setitimer(signal.ITIMER_REAL, seconds, _RING_AGAIN_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)
