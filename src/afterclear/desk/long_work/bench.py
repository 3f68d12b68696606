"""Long work, one piece at a time, each by the program's own commands in a process of their own.

So a load that fails, hangs or is stopped ends as at the terminal: each file is stored whole or not
at all.  A forgetting goes step by step, and only forward; it cannot be cancelled.
Nothing in the desk's own process writes meanwhile.
"""

import logging
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Final

from afterclear.commands.app import App
from afterclear.commands.machine_words import machine_words
from afterclear.commands.progress import LINES_PACKED, line_told
from afterclear.errors import worded

_STOP_S: Final = 15  # a command that is told to stop has tidied up by then
_NICENESS: Final = 10  # of long work: people wait for pages
_SOME_REFUSED: Final = 3  # exit code: all was done, and some input refused
_LOG: Final = logging.getLogger(__name__)


@dataclass(slots=True)
class Piece:
    """A piece of work."""

    title: str
    by: str = ""  # who began it; empty: not known
    key: str = ""  # what it is about, where titles may be alike; empty: none
    lines: list[str] = field(default_factory=list)
    is_done: bool = False
    is_cancelled: bool = False
    can_be_cancelled: bool = True
    problem: str = ""
    _begun: float = field(default_factory=time.monotonic)
    _took: float | None = None

    @property
    def seconds(self) -> float:
        """How long it has taken."""
        return time.monotonic() - self._begun if self._took is None else self._took

    def conclude(self) -> None:
        """Be done, for better or worse."""
        self._took = self.seconds
        self.is_done = True

    def fail(self) -> None:
        """Say that it did not finish, and what stays."""
        if self.can_be_cancelled:
            self.problem = worded(
                "It did not finish; the last line says why. What is listed above as done stays."
            )
        else:
            self.problem = worded(
                "It did not finish, and what it did so far stays. If something is left to do, "
                "“Today” says so."
            )


Then = Callable[[Piece], None]
Running = subprocess.Popen[str] | subprocess.Popen[bytes]


class Bench:
    """Where long work is done; a second piece waits for a person to ask again."""

    def __init__(self, app: App) -> None:
        self.piece: Piece | None = None  # the last one begun
        self.n_begun = 0
        self._command = command_of(app)
        self._taken = threading.Lock()
        self._thread: threading.Thread | None = None
        self._process: subprocess.Popen[str] | None = None
        self._is_stopping = False
        # a page that keeps files for their owner only changes it for a moment
        self._umask = os.umask(0)
        os.umask(self._umask)

    @property
    def is_busy(self) -> bool:
        """Whether a piece is being worked on."""
        return self.piece is not None and not self.piece.is_done

    def begin(
        self,
        title: str,
        commands: Sequence[Sequence[str]],
        then: Then | None = None,
        by: str = "",
        key: str = "",
        *,
        can_be_cancelled: bool = True,
    ) -> bool:
        """Begin a piece of work; False: another one is not done yet.

        ``commands``: words of the command line, one command after another.  ``then``: called with
        the piece when all are done.  ``key``: what it is about, where titles may be alike.
        """
        with self._taken:
            if self.is_busy or self._is_stopping:
                return False
            piece = self.piece = Piece(title, by, key, can_be_cancelled=can_be_cancelled)
            self.n_begun += 1
        self._thread = threading.Thread(target=self._do, args=(piece, commands, then), name=title)
        self._thread.start()
        return True

    def wait(self, seconds: float | None = None) -> None:
        """Wait until the piece is done."""
        if self._thread is not None:
            self._thread.join(seconds)

    def cancel(self) -> bool:
        """Have the piece under way ended; False: none is, or it cannot be.

        It is over when ``is_busy`` says so.
        """
        with self._taken:
            if self.piece is None or self.piece.is_done or not self.piece.can_be_cancelled:
                return False
            self.piece.is_cancelled = True
            running = self._process
        threading.Thread(target=end, args=(running,), daemon=True).start()
        return True

    def stop(self) -> None:
        """Stop what is under way, and begin nothing more."""
        with self._taken:
            self._is_stopping = True
            running = self._process
        end(running)
        self.wait()

    def _do(self, piece: Piece, commands: Sequence[Sequence[str]], then: Then | None) -> None:
        try:
            for words in commands:
                if self._run(piece, words) not in {0, _SOME_REFUSED}:
                    if not piece.is_cancelled:
                        piece.fail()
                    break
            else:
                piece.is_cancelled = False  # it was quicker
            if then is not None:
                then(piece)
        except OSError as error:
            why = machine_words(error) or error.strerror
            piece.problem = worded("This could not be begun: {why}.", why=why)
        except Exception:  # noqa: BLE001 - a person waits for words
            _LOG.exception("work of the desk broke")
            piece.problem = worded("The program failed here; the log has it.")
        finally:
            piece.conclude()

    def _run(self, piece: Piece, words: Sequence[str]) -> int:
        with self._taken:
            if self._is_stopping or piece.is_cancelled:
                return -1
            running = self._process = subprocess.Popen(  # noqa: S603 - our own program
                [*self._command, *words],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                text=True,
                encoding="utf-8",
                errors="replace",
                umask=self._umask,
                env=os.environ | LINES_PACKED,
            )
        give_way(running, _NICENESS)
        assert running.stdout is not None  # noqa: S101 - it was asked for
        with running.stdout as said:
            for line in said:
                if line.strip():
                    piece.lines.append(line_told(line.strip()))
        return running.wait()


def give_way(running: Running, niceness: int) -> None:
    """Let pages come first where a processor is short; a process that is over has no priority."""
    with suppress(OSError, AttributeError):  # not every system has priorities of this kind
        os.setpriority(os.PRIO_PROCESS, running.pid, niceness)


def end(running: Running | None) -> None:
    """End a process of the program; it undoes what it was at."""
    if running is not None and running.poll() is None:
        running.terminate()
        try:
            running.wait(_STOP_S)
        except subprocess.TimeoutExpired:
            running.kill()
            running.wait()


def command_of(app: App) -> list[str]:
    """Give the words that begin a command of the program for the desk's store."""
    folder = app.config.folder
    config = ["--config", str(folder)] if folder is not None else []
    # -P: nothing in the garage's folder is taken for a module
    return [sys.executable, "-P", "-u", "-m", "afterclear", *config, "--store", str(app.store)]
