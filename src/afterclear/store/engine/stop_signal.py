"""Whether a signal has asked this process to stop; code that waits or catches errors asks here.

A signal raises ``Stopped`` once.  A query that is running at that moment swallows it and raises an
error of its own instead ("Query interrupted"), so whoever catches errors broadly lets
``stop_explained`` say what it really was.
"""

from collections.abc import Iterator
from contextlib import contextmanager

from afterclear.errors import Stopped

# The signal's number; empty: nobody asked.
_asked: list[int] = []


def ask_to_stop(number: int) -> None:
    """Note that a signal asks this process to stop."""
    _asked.append(number)


def forget_signals() -> None:
    """Start again, as if no signal had come."""
    _asked.clear()


def is_stopping() -> bool:
    """Whether a signal has asked this process to stop."""
    return bool(_asked)


@contextmanager
def stop_explained() -> Iterator[None]:
    """Turn any error of the block into ``Stopped`` where a signal was the cause.

    Raises:
        Stopped: a signal asked this process to stop, and the block raised.

    """
    try:
        yield
    except Exception as error:
        if _asked:
            raise Stopped(_asked[0]) from error
        raise
