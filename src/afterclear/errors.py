"""Every exception of afterclear, sectioned by what happens next.

Nothing is defined elsewhere.  A message says what is wrong, where, what was expected and what
to do.  One unreadable *row* is no exception: it becomes a ``Rejection`` beside the good rows.

=======================  ================================  ================================  ====
situation                what is done                      what follows                      exit
=======================  ================================  ================================  ====
one row unreadable       a ``Rejection`` beside good rows  ``rejections`` lists it; it goes  3
                                                           on
the file as a whole      ``RefusedFileError``              nothing of it is stored; the      3
                                                           ledger says why
a source out of reach    ``UnreachableError``              the next run tries again          4
a person must edit       ``ConfigError``, all at once      nothing was done                  2
too little data          a result that says so             a dash and the reason, on pages   0
our own bug in one file  ``FaultError``, file is refused   it goes on; traceback in the log  1
our own bug elsewhere    propagates                        traceback                         1
=======================  ================================  ================================  ====
"""

import os
import re
import signal
from collections.abc import Iterable, Iterator, Mapping
from errno import errorcode
from itertools import chain
from numbers import Integral, Real
from traceback import format_tb
from typing import Any


class Worded(str):
    """A message that keeps its text and what stands in the places of it.

    So whoever shows it can say it in the reader's language (``wording/language.py``).
    """

    __slots__ = ("message", "values")
    message: str
    values: Mapping[str, object]


_PACKED = "worded"


def worded(message: str, **values: object) -> Worded:
    """Fill a message's places, and keep what fills them.

    >>> worded("no file {name!r}", name="a.csv")
    "no file 'a.csv'"
    """
    made = Worded(message.format(**values))
    made.message, made.values = message, values
    return made


def packed(value: Any) -> Any:  # noqa: ANN401 - any part of an answer
    """Return a value in parts that JSON has, messages with their places; ``unpacked`` undoes it.

    >>> unpacked(packed([worded("{n} rows", n=3)]))[0].message
    '{n} rows'
    """
    if isinstance(value, Worded):
        return {_PACKED: str(value), "message": value.message, "values": packed(value.values)}
    if isinstance(value, Mapping):
        return {name: packed(each) for name, each in value.items()}
    if isinstance(value, list | tuple):
        return [packed(each) for each in value]
    if value is None or isinstance(value, str | bool):
        return value
    if isinstance(value, Integral):
        return int(value)
    return float(value) if isinstance(value, Real) else str(value)


def unpacked(value: Any) -> Any:  # noqa: ANN401 - any part of an answer
    """Return what ``packed`` was given, tuples as lists.  Nothing of it is filled anew."""
    if isinstance(value, Mapping):
        parts = {name: unpacked(each) for name, each in value.items()}
        if parts.keys() != {_PACKED, "message", "values"}:
            return parts
        made = Worded(parts[_PACKED])
        made.message, made.values = str(parts["message"]), dict(parts["values"])
        return made
    return [unpacked(each) for each in value] if isinstance(value, list) else value


def told_by(error: Exception) -> str:
    """Return what an error says, with its places if it has some."""
    said = error.args[0] if error.args else ""
    return said if isinstance(said, Worded) else str(error)


class AfterclearError(Exception):
    """Base of all errors that are not our own bugs."""

    exit_code = 2


# --- a person must change something: settings or the call ----------------------------------


class ConfigError(AfterclearError):
    """Stop before any work: a file under config/ is wrong; each mistake has a line."""

    def __init__(self, *mistakes: str) -> None:
        self.mistakes = mistakes
        super().__init__(mistakes[0] if len(mistakes) == 1 else "\n".join(mistakes))


# How a mistake in a settings file is explained to the user, by pydantic's name for it.
_SAID = {
    "extra_forbidden": "there is no such key; is it misspelt?",
    "missing": "is missing",
    "too_short": "has nothing in it",
    "tuple_type": "expected a list; a table that may stand several times begins [[so]]",
}
_PASSWORD = re.compile(r"(://[^/@\s:]*:)[^/@\s]+(?=@)")
_TOKEN = re.compile(r"([?&][^=&#\s'\"]+=)[^&#\s'\"]+")
_LONGEST_FOUND = 80


def settings_mistakes(where: str, found: Iterable[Mapping[str, Any]]) -> list[str]:
    """Put each mistake that pydantic found in a settings file as a sentence: place, what, found.

    ``found``: its ``errors()``.  Tables are not repeated, and no password of an address is.
    """
    found = list(found)
    # a list whose only entry is wrong is not called empty as well
    within = {tuple(e["loc"][:n]) for e in found for n in range(len(e["loc"]))}
    mistakes = [e for e in found if e["type"] != "too_short" or tuple(e["loc"]) not in within]
    return [f"{where}: {_place(e['loc'])}{_mistake(e)}{_found(e['input'])}" for e in mistakes]


def _place(parts: Iterable[str | int]) -> str:
    """Give the place: ``job.0.every`` as ``job 1, every``."""
    path = ""
    for part in parts:
        path += f" {part + 1}" if isinstance(part, int) else f"{', ' if path else ''}{part}"
    return f"{path}: " if path else ""


def _mistake(error: Mapping[str, Any]) -> str:
    said = _SAID.get(error["type"])
    if said is not None:
        return said
    text = str(error["msg"]).removeprefix("Value error, ").partition(", unable to parse")[0]
    return text.replace("Input should be ", "expected ", 1)


def _found(value: object) -> str:
    if not isinstance(value, str | int | float):
        return ""
    shown = _TOKEN.sub(r"\1***", _PASSWORD.sub(r"\1***", repr(value)))
    return f" (found {shown[:_LONGEST_FOUND]})"


class UsageError(AfterclearError):
    """Stop: what was asked for does not exist or does not go together."""


class UnknownNameError(UsageError):
    """A name is not among the ones known; says which would have been."""

    def __init__(self, what: str, name: str, known: Iterable[str]) -> None:
        self.name = name
        super().__init__(f"There is no {what} {name!r}. Use one of: {', '.join(sorted(known))}.")


class UnknownVehicleError(UsageError):
    """No vehicle has this number."""

    def __init__(self, vehicle_id: str, *, by_any_name: bool = False) -> None:
        super().__init__(
            worded(
                "No row in the store speaks of a vehicle {vehicle!r} by number, plate or VIN. "
                "'afterclear export vehicles' lists the vehicles with their VINs and plates.",
                vehicle=vehicle_id,
            )
            if by_any_name
            else worded(
                "No row in the store speaks of a vehicle {vehicle!r}; capitals and blanks count. "
                "'afterclear export vehicles' lists the vehicles with their VINs and plates.",
                vehicle=vehicle_id,
            )
        )


class StoreError(AfterclearError):
    """Stop: the store is missing, held by another process, or newer than this program."""


class StoreInUseError(StoreError):
    """Another process holds the store; it will be free when that has finished."""


class DiskError(StoreError):
    """The disk of the store is full, broken or not writable; whatever was delivered."""


class TakesLongError(AfterclearError):
    """A file takes longer than whoever waits for it allowed; nothing is known to be wrong in it."""


# --- the file as a whole is wrong: nothing of it is kept, the ledger says so ----------------


class RefusedFileError(AfterclearError):
    """A delivered file cannot be read as what it seems to be."""

    exit_code = 3


class FaultError(RefusedFileError):
    """The program itself failed on a file, as no file should make it; others are not kept back.

    ``trace``: where, for the log.
    """

    exit_code = 1

    def __init__(self, name: str, said: str, trace: str) -> None:
        self.trace = trace
        super().__init__(
            f"{name} is refused by a fault of afterclear's own, not of whoever delivered it: "
            f"{said}. Nothing of it is kept. Please report it with the log; 'afterclear replay' "
            "reads the file when that is mended."
        )


# --- out of reach for now: try again later --------------------------------------------------


class UnreachableError(AfterclearError):
    """A source did not answer; the next run tries again."""

    exit_code = 4


class RefusedSourceError(UnreachableError):
    """A source refused: trying again is of no use before a person changes something."""


class SlowSourceError(RefusedSourceError):
    """A source took longer than it is allowed; what is left of it waits for the next run."""

    def __init__(self, minutes: float) -> None:
        super().__init__(
            f"took longer than limits.max_source_minutes allows ({minutes:g}). What came whole was "
            "taken; the next run goes on with the rest."
        )


class TooLargeError(RefusedFileError):
    """More bytes come of a file than are allowed, whatever size was promised."""

    def __init__(self, max_bytes: int) -> None:
        super().__init__(f"over {max_bytes / 1e6:g} MB; limits.max_file_mb allows no more")


# --- bytes that do not follow their standard ------------------------------------------------


class DecodeError(AfterclearError):
    """Bytes of a diagnostic message do not follow the standard they are read by."""

    exit_code = 3


class TruncatedError(DecodeError):
    """Fewer bytes than the standard asks for."""

    def __init__(self, what: str, *, expected: int, received: int) -> None:
        self.expected = expected
        self.received = received
        super().__init__(f"A {what} needs {expected} bytes, but {received} came.")


# --- a signal: neither a mistake nor a bug ---------------------------------------------------


class Stopped(BaseException):
    """A signal asked this process to stop."""

    def __init__(self, number: int) -> None:
        self.number = number
        super().__init__(f"stopped by {signal.Signals(number).name}")


# --- for the log ------------------------------------------------------------------------------
# What an error says may quote a file, a vehicle or a person, and no forgetting reaches a log: there
# stand its kind, where it came from, and our own words with their places empty.


def for_log(error: BaseException) -> str:
    """Say what went wrong in no words but our own.

    >>> for_log(UsageError(worded("no vehicle {name!r}", name="T-014")))
    'UsageError: no vehicle {name!r}'
    >>> try:
    ...     raise UnreachableError("T-014.csv broke off") from TimeoutError("T-014")
    ... except UnreachableError as error:
    ...     for_log(error)
    'UnreachableError from TimeoutError'
    """
    if isinstance(error, StoreInUseError | DiskError):
        return str(error)
    kinds = " from ".join(map(_kind, reversed(_led_to(error))))
    own = unfilled(told_by(error)) if isinstance(error, Exception) else ""
    return f"{kinds}: {own}" if own else kinds


def unfilled(text: str) -> str:
    """Return a message with its places empty; nothing of a text that has no places.

    >>> unfilled(worded("no file {name!r}", name="a.csv")), unfilled("no file 'a.csv'")
    ('no file {name!r}', '')
    """
    return text.message if isinstance(text, Worded) else ""


def trace_of(error: BaseException) -> str:
    """Say through which lines of the program an error came, and what brought it about."""
    steps = ([*format_tb(each.__traceback__), f"{_kind(each)}\n"] for each in _led_to(error))
    return "".join(chain.from_iterable(steps))


def _led_to(error: BaseException) -> list[BaseException]:
    """Give an error after those that brought it about."""
    return [*_back(error)][::-1]


def _back(error: BaseException | None) -> Iterator[BaseException]:
    seen: set[int] = set()
    while error is not None and id(error) not in seen:
        yield error
        seen.add(id(error))
        within = getattr(error, "reason", None)  # an answer of the web holds its cause so
        before = within if isinstance(within, BaseException) else error.__cause__
        error = before or (None if error.__suppress_context__ else error.__context__)


def _kind(error: BaseException) -> str:
    """Name the kind of an error, with the system's number or that of an answer."""
    number, code = getattr(error, "errno", None), getattr(error, "code", None)
    if isinstance(number, int) and number in errorcode:
        return f"{type(error).__name__} ({os.strerror(number)})"
    return f"{type(error).__name__} {code}" if isinstance(code, int) else type(error).__name__
