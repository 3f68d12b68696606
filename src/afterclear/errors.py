"""Every exception of afterclear, sectioned by what happens next.

Nothing is defined elsewhere.  A message says what is wrong, where, what was expected and what
to do.  One unreadable *row* is no exception: it becomes a ``Rejection`` beside the good rows.
"""

from collections.abc import Iterable


class AfterclearError(Exception):
    """Base of all errors that are not our own bugs."""

    exit_code = 2


# --- a person must change something: settings or the call ----------------------------------


class ConfigError(AfterclearError):
    """Stop before any work: a file under config/ is wrong."""


class UsageError(AfterclearError):
    """Stop: what was asked for does not exist or does not go together."""


class UnknownNameError(UsageError):
    """A name is not among the ones known; says which would have been."""

    def __init__(self, what: str, name: str, known: Iterable[str]) -> None:
        self.name = name
        super().__init__(f"There is no {what} {name!r}. Use one of: {', '.join(sorted(known))}.")


class StoreError(AfterclearError):
    """Stop: the store is missing, held by another process, or newer than this program."""


class StoreInUseError(StoreError):
    """Another process holds the store; it will be free when that has finished."""


# --- the file as a whole is wrong: nothing of it is kept, the ledger says so ----------------


class RefusedFileError(AfterclearError):
    """A delivered file cannot be read as what it seems to be."""

    exit_code = 3


# --- out of reach for now: try again later --------------------------------------------------


class UnreachableError(AfterclearError):
    """A source did not answer; the next run tries again."""

    exit_code = 4


class RefusedSourceError(UnreachableError):
    """A source said no: trying again is of no use before a person changes something."""


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
