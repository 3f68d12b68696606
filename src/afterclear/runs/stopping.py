"""Stop at a signal, in the middle of anything: what was under way is undone.

A signal is handled between two steps of Python, but a query of minutes is one step.  So a second
thread, woken by the signal at once, interrupts the queries; then the handler raises, and every
``with`` on the way out undoes and tidies.
"""

import signal
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from afterclear.store.database import interrupt_queries

_SIGNALS = (signal.SIGTERM, signal.SIGINT)


class Stopped(BaseException):
    """A signal asked this process to stop."""

    def __init__(self, number: int) -> None:
        self.number = number
        super().__init__(f"stopped by {signal.Signals(number).name}")


@contextmanager
def stoppable() -> Iterator[None]:
    """Raise ``Stopped`` in the block at SIGTERM or SIGINT; later signals are left unheard."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    ear, mouth = socket.socketpair()
    mouth.settimeout(0)
    handlers = {number: signal.signal(number, _raise) for number in _SIGNALS}
    before = signal.set_wakeup_fd(mouth.fileno(), warn_on_full_buffer=False)
    watcher = threading.Thread(target=_interrupt_at, args=(ear,), daemon=True)
    watcher.start()
    try:
        yield
    finally:
        signal.set_wakeup_fd(before)
        for number, handler in handlers.items():
            signal.signal(number, handler)
        mouth.close()
        watcher.join()
        ear.close()


def _raise(number: int, _: FrameType | None) -> None:
    for other in _SIGNALS:
        signal.signal(other, signal.SIG_IGN)
    raise Stopped(number)


def _interrupt_at(ear: socket.socket) -> None:
    heard = ear.recv(1)
    if heard and heard[0] in _SIGNALS:
        interrupt_queries()
