"""Stop at a signal, in the middle of anything: what was under way is undone.

A signal is handled between two steps of Python, but a query of minutes is one step.  So a second
thread, woken by the signal at once, interrupts the queries; then the handler raises, and every
``with`` on the way out undoes and tidies.  If that takes too long, or something on the way ignores
the signal, that thread ends the process: this is as safe as pulling the plug, which loses nothing
but the step under way.

A query may swallow ``Stopped`` and raise an error of its own. So code that catches errors broadly
asks ``store/engine/stop_signal.py`` for the true cause (``transaction``, ``open_store`` and jobs
do). Nothing else needs to watch for it, as long as every file is written by rename and every change
of the store is one transaction.
"""

import os
import signal
import socket
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Final

from afterclear.errors import Stopped
from afterclear.store.engine.database import interrupt_queries
from afterclear.store.engine.stop_signal import (
    ask_to_stop,
    forget_signals,
    is_stopping,
    stop_explained,
)

# Service managers often wait ten seconds before they kill a process.
GRACE_S: Final = 8.0
_SIGNALS = (signal.SIGTERM, signal.SIGINT)
# a process that a signal ended: 128 and its number (common practice of shells, no source)
STOPPED_BY: Final = 128


@contextmanager
def stoppable(grace_s: float = GRACE_S) -> Iterator[None]:
    """Raise ``Stopped`` in the block at SIGTERM or SIGINT; later signals are ignored.

    ``grace_s``: how long the way out may take before the process is ended as it is.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    forget_signals()
    ear, mouth = socket.socketpair()
    mouth.settimeout(0)
    handlers = {number: signal.signal(number, _raise) for number in _SIGNALS}
    before = signal.set_wakeup_fd(mouth.fileno(), warn_on_full_buffer=False)
    watcher = threading.Thread(target=_watch, args=(ear, grace_s), daemon=True)
    watcher.start()
    try:
        with stop_explained():
            yield
    finally:
        signal.set_wakeup_fd(before)
        for number, handler in handlers.items():
            signal.signal(number, handler)
        mouth.close()
        watcher.join()
        ear.close()
        forget_signals()


def _raise(number: int, _: FrameType | None) -> None:
    if not is_stopping():
        ask_to_stop(number)
        raise Stopped(number)


def _watch(ear: socket.socket, grace_s: float) -> None:
    """Interrupt the queries at a signal; end the process when it is not over in time."""
    while heard := ear.recv(64):
        stops = [number for number in heard if number in _SIGNALS]
        if stops:
            interrupt_queries()
            _end_after(ear, grace_s, stops[0])
            return


def _end_after(ear: socket.socket, grace_s: float, number: int) -> None:
    timer = threading.Timer(grace_s, _end, [number])
    timer.daemon = True
    timer.start()
    while ear.recv(64):  # until the block is over
        pass
    timer.cancel()


def _end(number: int) -> None:
    sys.stderr.write(
        "Stopped at once: tidying up took too long. What was under way is undone, and what it "
        "left behind is removed, at the next start.\n"
    )
    sys.stderr.flush()
    os._exit(STOPPED_BY + number)
