"""The reading process: answers questions about foreign files, one by one, within its limits.

Started by ``reading_process`` only.  It ends when its input ends, whatever it is doing. The
operating system sets its limits: a file that needs too much ends the process, not the load.
"""

import errno
import json
import os
import pickle
import re
import signal
import sys
import threading
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from functools import cached_property
from pathlib import Path
from queue import SimpleQueue
from types import ModuleType
from typing import IO, TYPE_CHECKING, Any

from afterclear.errors import DecodeError, RefusedFileError, UsageError, packed, told_by, trace_of
from afterclear.readers.containers import container_kind, unpacked
from afterclear.readers.limits import ReadingLimits
from afterclear.readers.reader import Reader
from afterclear.records import Delivery, ReadFile

if TYPE_CHECKING:  # slow to load, and most questions do not need it
    from afterclear.readers.suggest.suggested_map import Context

try:
    import resource
except ImportError:  # a system without such limits: the time is still limited from outside
    resource: ModuleType | None = None  # type: ignore[no-redef]

REFUSED, USAGE, MEMORY, MACHINE, FAULT = "refused", "usage", "memory", "machine", "fault"
# What the machine refuses, not the file.
_MACHINES = {errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.EROFS, errno.EACCES, errno.EMFILE}
_NUMBER_IN_WORDS = re.compile(r"\(os error ([0-9]+)\)")
_LONGEST = 500


@dataclass(frozen=True, slots=True)
class Kind:
    """Question: whether this is an archive or a mail, and of what kind."""

    path: Path
    name: str

    def answer(self, _: Sequence[Reader]) -> object:
        """Give the kind, or None."""
        return container_kind(self.path, self.name)


@dataclass(frozen=True, slots=True)
class Unpack:
    """Question: unpack an archive or a mail into a folder."""

    path: Path
    name: str
    kind: str
    folder: Path
    most_bytes: int  # of one file within

    def answer(self, _: Sequence[Reader]) -> object:
        """Give each file's name and number, and what was skipped."""
        made = unpacked(self.path, self.name, self.kind, self.folder, self.most_bytes)
        members = [(member.name, member.path.name) for member in made.members]
        return {"members": members, "passed_over": dict(made.passed_over)}


@dataclass(frozen=True, slots=True)
class Identify:
    """Question: the reader that takes this file."""

    delivery: Delivery

    def answer(self, readers: Sequence[Reader]) -> object:
        """Give the reader's name."""
        from afterclear.readers.registry import identify  # noqa: PLC0415 - it waits for its maps

        return identify(self.delivery, readers).name


@dataclass(frozen=True, slots=True)
class Read:
    """Question: bring a file into the plain layout, its rows into files of a folder."""

    delivery: Delivery
    reader: "Late"
    folder: Path

    def answer(self, _: Sequence[Reader]) -> object:
        """Say what the folder holds now."""
        # loading the frame library takes half of the start, and unpacking does not need it
        from afterclear.readers.child.crossing import put_down  # noqa: PLC0415

        return put_down(self.reader.read(self.delivery), self.folder)


@dataclass(frozen=True, slots=True)
class Suggest:
    """Question: suggest a map for a file that no reader takes."""

    delivery: Delivery
    context: "Context"
    answers: Mapping[str, str]  # a person's, to the questions of an earlier suggestion

    def answer(self, _: Sequence[Reader]) -> object:
        """Give the parts of a suggestion."""
        from afterclear.readers.suggesting import suggest_map  # noqa: PLC0415 - as above
        from afterclear.readers.unread import why_unread  # noqa: PLC0415

        try:
            return packed(asdict(suggest_map(self.delivery, self.context, self.answers)))
        except RefusedFileError as error:
            raise RefusedFileError(why_unread(self.delivery) or told_by(error)) from error


@dataclass(frozen=True, slots=True)
class Look:
    """Question: write all that can be read as text in a packed file into files of a folder."""

    path: Path
    name: str
    folder: Path

    def answer(self, _: Sequence[Reader]) -> object:
        """Give the number of texts; None: the file cannot be opened."""
        from afterclear.readers.looking import CannotLookError, texts  # noqa: PLC0415 - as above

        n_texts = 0
        try:
            for n_texts, text in enumerate(texts(self.path, self.name), 1):
                (self.folder / f"{n_texts}.txt").write_bytes(text.encode("utf-8", "surrogatepass"))
        except CannotLookError:
            return None
        return n_texts


Question = Kind | Unpack | Identify | Read | Suggest | Look


@dataclass
class Late:
    """A reader that is loaded when it is first called: most files need one of them only."""

    name: str
    pickled: bytes

    @cached_property
    def _reader(self) -> Reader:
        reader: Reader = pickle.loads(self.pickled)  # noqa: S301 - from the program itself
        return reader

    def identify(self, delivery: Delivery) -> bool:
        """Whether it is the reader's kind."""
        return self._reader.identify(delivery)

    def read(self, delivery: Delivery) -> ReadFile:
        """Bring the file into the plain layout."""
        return self._reader.read(delivery)


@dataclass(frozen=True, slots=True)
class Setup:
    """What a reading process begins with."""

    readers: tuple[Late, ...]
    limits: ReadingLimits


def main() -> None:
    """Answer questions from the standard input, a line each, until it ends."""
    answers = _own_output()
    for number in (signal.SIGINT, signal.SIGTERM):  # the asking process handles these signals
        signal.signal(number, signal.SIG_IGN)
    asked: SimpleQueue[Any] = SimpleQueue()
    threading.Thread(target=_listen, args=(asked,), daemon=True).start()
    setup: Setup = asked.get()
    _limit_memory(setup.limits.memory_bytes)
    while True:
        question: Question = asked.get()
        _allow_time(setup.limits.seconds)
        answers.write(json.dumps(answered(question, setup.readers)) + "\n")
        answers.flush()


def answered(question: Question, readers: Sequence[Reader]) -> dict[str, object]:
    """Do what was asked; an error becomes an answer."""
    try:
        return {"did": question.answer(readers)}
    except MemoryError:
        return {"error": MEMORY}
    except (RefusedFileError, DecodeError) as error:
        return {"error": REFUSED, "said": packed(told_by(error))}
    except UsageError as error:
        return {"error": USAGE, "said": packed(told_by(error))}
    except BaseException as error:  # noqa: BLE001 - a panic of native code is not an Exception
        number = _machines_number(error)
        if number is None:
            return _fault(error)
        return {"error": MACHINE, "said": [number, os.strerror(number), _place(error)]}


def _machines_number(error: BaseException) -> int | None:
    """Give the system's number of an error that is the machine's, not the file's."""
    number = error.errno if isinstance(error, OSError) else None
    if number is None:  # the library that writes frames gives it in words
        found = _NUMBER_IN_WORDS.search(str(error))
        number = int(found[1]) if found else None
    return number if number in _MACHINES else None


def _place(error: BaseException) -> str:
    return str(error.filename or "") if isinstance(error, OSError) else ""


def _fault(error: BaseException) -> dict[str, object]:
    return {
        "error": FAULT,
        "said": f"{type(error).__name__}: {error}"[:_LONGEST],
        "trace": trace_of(error),
    }


def _own_output() -> IO[str]:
    """Keep the standard output for answers: what a library prints goes elsewhere."""
    own = os.fdopen(os.dup(1), "w", encoding="ascii")
    os.dup2(2, 1)
    return own


def _listen(asked: "SimpleQueue[Any]") -> None:
    while True:
        try:
            asked.put(pickle.load(sys.stdin.buffer))  # noqa: S301 - from the program itself
        except (EOFError, OSError, pickle.UnpicklingError):
            os._exit(0)


def _limit_memory(n_bytes: int) -> None:
    """Limit the process's memory, if the system can."""
    if resource is None:
        return
    # On Linux RLIMIT_DATA counts the memory in use; RLIMIT_AS also counts what is only reserved,
    # which is far more (getrlimit(2))
    kind = resource.RLIMIT_DATA if sys.platform == "linux" else resource.RLIMIT_AS
    _set(kind, n_bytes)
    _set(resource.RLIMIT_CORE, 0)
    if sys.platform == "linux":  # if memory runs out all the same, this process goes first
        with suppress(OSError):
            Path("/proc/self/oom_score_adj").write_text("1000", encoding="ascii")


def _allow_time(seconds: float) -> None:
    """Limit the processor time from now on; then the system ends the process."""
    if resource is not None:
        used = resource.getrusage(resource.RUSAGE_SELF)
        _set(resource.RLIMIT_CPU, int(used.ru_utime + used.ru_stime + seconds) + 1)


def _set(kind: int, soft: int) -> None:
    assert resource is not None  # noqa: S101 - the callers checked
    _, hard = resource.getrlimit(kind)
    if hard != resource.RLIM_INFINITY:
        soft = min(soft, hard)
    with suppress(ValueError, OSError):  # a system may name the limit, but not keep it
        resource.setrlimit(kind, (soft, hard))
