"""Foreign files are read in a process of their own, with limits of memory and time.

A file from outside may make a parser take all memory, never end, or crash.  So a load asks a second
process, started with the first such file and kept for all that follow. If it breaks on a file, that
file is refused, and the next one gets a new process. The store reads files in the plain layout
itself, without any of this.

The limits of memory and processor time are the system's, that of elapsed time is a clock. What
the second process answers is JSON and Arrow files, never a pickle. A test that patches a reader
patches its own process only: it hands ``Readers`` a reader that behaves as wanted
(``tests/readers/odd_readers.py``).
"""

import json
import os
import pickle
import signal
import subprocess
import sys
import tempfile
import threading
from collections import Counter, deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from queue import Empty, SimpleQueue
from types import TracebackType
from typing import IO, TYPE_CHECKING, Any, Self

from afterclear.errors import (
    FaultError,
    RefusedFileError,
    TakesLongError,
    UnreachableError,
    UsageError,
    unpacked,
    worded,
)
from afterclear.readers.child.crossing import picked_up
from afterclear.readers.child.reading_child import (
    FAULT,
    MACHINE,
    MEMORY,
    REFUSED,
    USAGE,
    Identify,
    Kind,
    Late,
    Look,
    Question,
    Read,
    Setup,
    Suggest,
    Unpack,
)
from afterclear.readers.containers import Member, Unpacked, may_be_container
from afterclear.readers.formats.workbook import is_packed
from afterclear.readers.limits import USUAL, ReadingLimits
from afterclear.readers.plain_table import PlainTableReader
from afterclear.readers.reader import Reader
from afterclear.readers.registry import identify
from afterclear.records import Delivery, ReadFile

if TYPE_CHECKING:  # slow to load, and wanted for unknown files only
    from afterclear.readers.suggest.suggested_map import Context
    from afterclear.readers.suggesting import Suggestion

_BEGIN = "from afterclear.readers.child.reading_child import main; main()"
# Environment variables the process gets from ours: no source's password is among them.
_KEPT = {"PATH", "HOME", "TMPDIR", "TEMP", "TMP", "SYSTEMROOT", "TZ", "LANG", "LD_LIBRARY_PATH"}
_MOST_THREADS = 4  # each has a stack that counts as memory
# A process that waits for a disk uses no processor time, one that is stuck neither.
_WAITS = 2.0
_BEGINS_WITHIN_S = 60.0
_DIES_WITHIN_S = 10.0
_NO_MEMORY = ("memory allocation", "out of memory", "cannot allocate", "capacity overflow")


class Readers:
    """All readers, each in its process: plain tables here, everything else in the other.

    ``folder``: where rows pass through; without it, beside the file, which is then our copy.
    """

    def __init__(
        self,
        readers: Sequence[Reader],
        limits: ReadingLimits = USUAL,
        folder: Path | None = None,
    ) -> None:
        self._readers, self._limits, self._folder = readers, limits, folder
        self._process: _Process | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, _: type[BaseException] | None, __: BaseException | None, ___: TracebackType | None
    ) -> None:
        self._end()

    def container_kind(self, path: Path, name: str) -> str | None:
        """Name the kind of archive or mail; None: neither.

        Raises:
            RefusedFileError: finding out took too much.

        """
        if not may_be_container(path, name):
            return None
        kind = self._ask(Kind(path, name), name)
        return None if kind is None else str(kind)

    def unpacked(self, path: Path, name: str, kind: str, folder: Path) -> Unpacked:
        """Unpack a container into numbered files of ``folder``.

        Raises:
            RefusedFileError: it is damaged, protected, too large, or takes too much to unpack.
            OSError: the disk is full.

        """
        question = Unpack(path, name, kind, folder, self._limits.member_bytes)
        answer: Any = self._ask(question, name)
        members = [Member(inner, folder / Path(place).name) for inner, place in answer["members"]]
        return Unpacked(kind, members, Counter(answer["passed_over"]))

    def identify(self, delivery: Delivery) -> Reader:
        """Give the one reader that recognises the delivery.

        Raises:
            RefusedFileError: none does, or several do.

        """
        if is_packed(delivery.path):  # its content shows only when it is unpacked
            return _Apart(str(self._ask(Identify(delivery), delivery.name)), self)
        reader = identify(delivery, self._readers)
        is_plain = isinstance(reader, PlainTableReader)
        return reader if is_plain else _Apart(reader.name, self)

    def read_apart(self, reader: str, delivery: Delivery) -> ReadFile:
        """Read a file in the other process, with a reader that is known there by its name.

        Raises:
            RefusedFileError: it cannot be read, or takes too much.
            FaultError: the reader failed as no reader should.

        """
        return self.read_with(next(r for r in self._readers if r.name == reader), delivery)

    def read_with(self, reader: Reader, delivery: Delivery) -> ReadFile:
        """Read a file in the other process, with a reader of any origin.

        Raises:
            RefusedFileError: it cannot be read, or takes too much.
            FaultError: the reader failed as no reader should.

        """
        place = self._folder or delivery.path.parent
        with tempfile.TemporaryDirectory(prefix="read-", dir=place) as folder:
            answer: Any = self._ask(Read(delivery, _late(reader), Path(folder)), delivery.name)
            return picked_up(answer, Path(folder))

    def texts(self, path: Path, name: str) -> Iterator[str]:
        """Give everything in a file that can be read as text; what is packed is opened apart.

        Raises:
            CannotLookError: it cannot be opened, or opening it takes too much.

        """
        # loaded only if a vehicle was or is being forgotten
        from afterclear.readers.looking import CannotLookError, texts  # noqa: PLC0415

        if not (may_be_container(path, name) or is_packed(path)):
            yield from texts(path, name)
            return
        with tempfile.TemporaryDirectory(prefix="read-", dir=path.parent) as folder:
            try:
                answer: Any = self._ask(Look(path, name, Path(folder)), name)
            except RefusedFileError as error:
                raise CannotLookError(name) from error
            if answer is None:
                raise CannotLookError(name)
            for number in range(1, answer + 1):
                text = (Path(folder) / f"{number}.txt").read_bytes()
                yield text.decode("utf-8", "surrogatepass")

    def suggested(
        self, delivery: Delivery, context: "Context", answers: Mapping[str, str]
    ) -> "Suggestion":
        """Suggest a map for a file that no reader takes.

        Raises:
            RefusedFileError: no map can be made for it, or finding one takes too much.
            UsageError: an answer is none of its question's choices, or nobody asked.

        """
        from afterclear.readers.suggesting import suggestion_of  # noqa: PLC0415 - as above

        answer: Any = self._ask(Suggest(delivery, context, answers), delivery.name)
        return suggestion_of(unpacked(answer))

    def _ask(self, question: Question, name: str) -> object:
        """Ask the other process, beginning one where there is none."""
        while True:
            if self._process is None:
                self._process = _begun(self._readers, self._limits)
            process = self._process
            begins_s = 0.0 if process.n_answered else _BEGINS_WITHIN_S
            answer = process.answer(question, _WAITS * self._limits.seconds + begins_s)
            if "did" in answer:
                process.n_answered += 1
                return answer["did"]
            if answer["error"] not in {REFUSED, USAGE, FAULT}:
                self._end()
                # memory that earlier files left in use must not count against this one
                if answer["error"] == MEMORY and process.n_answered:
                    continue
            raise self._error(answer, name)

    def _error(self, answer: dict[str, Any], name: str) -> Exception:
        said = unpacked(answer.get("said"))
        if answer["error"] == REFUSED:
            return RefusedFileError(said)
        if answer["error"] == USAGE:
            return UsageError(said)
        if answer["error"] == FAULT:
            return FaultError(name, str(said), str(answer["trace"]))
        if answer["error"] == MACHINE:
            number, strerror, filename = answer["said"]
            return OSError(int(number), str(strerror), str(filename) or None)
        if answer["error"] == _ENDED_FROM_OUTSIDE:
            return UnreachableError(f"{name} was not read: its reading process was ended ({said}).")
        return _took_too_much(answer["error"], name, said, self._limits)

    def _end(self) -> None:
        if self._process is not None:
            self._process.end()
            self._process = None


@dataclass(frozen=True, slots=True)
class _Apart:
    """A reader whose work is done in the other process."""

    name: str
    readers: Readers

    def identify(self, delivery: Delivery) -> bool:
        return self.readers.identify(delivery).name == self.name

    def read(self, delivery: Delivery) -> ReadFile:
        return self.readers.read_apart(self.name, delivery)


# --- the process ------------------------------------------------------------------------------

_TIME, _CRASH, _ENDED_FROM_OUTSIDE = "time", "crash", "ended"


def _took_too_much(
    error: str, name: str, said: object, limits: ReadingLimits
) -> TakesLongError | RefusedFileError:
    if error == _TIME and limits.is_brief:
        return TakesLongError(name)
    told = worded("{name} is damaged; its parser crashed on it ({said}).", name=name, said=said)
    if error == MEMORY:
        told = worded(
            "{name} takes more than {mb:,.0f} MB of memory to read. Deliver it in pieces, or allow "
            "more as limits.reader_memory_mb.",
            name=name,
            mb=limits.memory_bytes / 1e6,
        )
    if error == _TIME:
        told = worded(
            "{name} takes more than {seconds:g} s to read. Deliver it in pieces, or allow more as "
            "limits.reader_seconds.",
            name=name,
            seconds=limits.seconds,
        )
    return RefusedFileError(told)


@dataclass(slots=True)
class _Process:
    """The other process, until it ends."""

    popen: subprocess.Popen[bytes]
    answers: "SimpleQueue[bytes]" = field(default_factory=SimpleQueue)
    complaints: "deque[bytes]" = field(default_factory=lambda: deque(maxlen=20))
    listeners: list[threading.Thread] = field(default_factory=list)
    n_answered: int = 0

    def listen(self) -> None:
        """Start reading its answers."""
        takes = ((self.popen.stdout, self.answers.put), (self.popen.stderr, self.complaints.append))
        for pipe, take in takes:
            self.listeners.append(threading.Thread(target=_hear, args=(pipe, take), daemon=True))
            self.listeners[-1].start()

    def answer(self, question: Question | Setup, wait_s: float) -> dict[str, Any]:
        """Ask one question; if the process breaks on it, that is an answer too."""
        try:
            self.say(question)
            line = self.answers.get(timeout=wait_s)
        except Empty:
            return {"error": _TIME}
        except OSError:  # it has ended since the last question
            line = b""
        if not line:
            return self._last_words()
        answer: dict[str, Any] = json.loads(line)
        return answer

    def say(self, what: Question | Setup) -> None:
        """Send it something."""
        assert self.popen.stdin is not None  # noqa: S101 - it is a pipe
        self.popen.stdin.write(pickle.dumps(what))
        self.popen.stdin.flush()

    def end(self) -> None:
        """End it, whatever it is doing, and clean up."""
        self.popen.kill()
        self.popen.wait()
        for listener in self.listeners:
            listener.join()
        for pipe in (self.popen.stdin, self.popen.stdout, self.popen.stderr):
            if pipe is not None:
                with suppress(OSError):  # some input was still unsent
                    pipe.close()

    def _last_words(self) -> dict[str, Any]:
        """Explain by how the process ended what the file did to it."""
        try:
            code = self.popen.wait(timeout=_DIES_WITHIN_S)
        except subprocess.TimeoutExpired:
            return {"error": _TIME}
        for listener in self.listeners:
            listener.join()
        words = b"".join(self.complaints).decode("utf-8", "replace").lower()
        if any(said in words for said in _NO_MEMORY):
            return {"error": MEMORY}
        name = signal.Signals(-code).name if -code in set(signal.Signals) else f"code {code}"
        error = {"SIGXCPU": _TIME, "SIGKILL": _ENDED_FROM_OUTSIDE}.get(name, _CRASH)
        return {"error": error, "said": name}


def _hear(pipe: IO[bytes], take: Callable[[bytes], None]) -> None:
    for line in pipe:
        take(line)
    take(b"")


def _begun(readers: Sequence[Reader], limits: ReadingLimits) -> _Process:
    """Start a process and send it its limits.

    Raises:
        UnreachableError: none can be begun.

    """
    # not a fork: the copy would lack the database's threads; not multiprocessing's spawn, which
    # would run the main module again
    try:
        popen = subprocess.Popen(  # noqa: S603 - our own module
            [sys.executable, "-P", "-c", _BEGIN],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env=_environment(),
        )
    except OSError as error:
        raise UnreachableError(
            f"No process could be begun to read foreign files: {error.strerror}."
        ) from error
    process = _Process(popen)
    process.listen()
    process.say(Setup(tuple(map(_late, readers)), limits))
    return process


def _late(reader: Reader) -> Late:
    return Late(reader.name, pickle.dumps(reader))


def _environment() -> dict[str, str]:
    kept = {
        name: value
        for name, value in os.environ.items()
        if name in _KEPT or name.startswith(("LC_", "PYTHON"))
    }
    kept["PYTHONPATH"] = os.pathsep.join(path for path in sys.path if path)
    kept["POLARS_MAX_THREADS"] = str(min(_MOST_THREADS, os.cpu_count() or 1))
    return kept
