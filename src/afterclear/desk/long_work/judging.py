"""What is made of a brought file, found out beside the pages where that may take a while.

Pages come one after another, so a large file would keep everybody waiting.  It is judged in a
process of its own, by the function the terminal uses; whoever asked for its page is shown one that
says so and asks again.  A small file is judged on the spot, unless that takes long for its size.
"""

import os
import pickle
import subprocess
import sys
import threading
import time
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

from afterclear.commands.app import App, app_at
from afterclear.commands.intake.mapping import Asked, MapCheck, check_file
from afterclear.desk.long_work.bench import Bench, Running, end, give_way
from afterclear.errors import AfterclearError, TakesLongError, UsageError, told_by, worded

_AT_ONCE_BYTES: Final = 300_000  # some thousand rows: less than a second
_AT_ONCE_PACKED_BYTES: Final = 30_000  # it may hold ten times as much
AT_ONCE_S: Final = 5.0  # of processor time for a small file; everybody else waits so long
_PACKED: Final = (b"PK", b"%PDF", b"\x1f\x8b", b"\xd0\xcf\x11\xe0", b"BZh", b"\xfd7zXZ")
_MOST_KEPT: Final = 20  # verdicts; a person looks at one file at a time
_STILL_ASKED_S: Final = 15  # a page that waits asks again every few seconds
_NICENESS: Final = 5  # whoever waits for a page of another kind comes first
_BEGIN: Final = "from afterclear.desk.long_work.judging import main; main()"
_FAILED: Final = worded("The program failed here; this is its own fault, and the log has it.")

_Key = tuple[str, str, object]


@dataclass(slots=True, eq=False)
class _Verdict:
    """What is made of one file, asked in one way; it is there when ``is_done``."""

    is_done: threading.Event = field(default_factory=threading.Event)
    checks: list[MapCheck] = field(default_factory=list)
    problem: str = ""
    process: Running | None = None
    asked_at: float = 0.0  # when a page last wanted it, by the clock that only runs on


class Judge:
    """Judges brought files.  ``bench``: a verdict from before its last work counts no more."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._verdicts: dict[_Key, _Verdict] = {}
        self._odd: set[str] = set()  # numbers of files that are small, and take long all the same
        self._taken = threading.Lock()
        self._turn = threading.Lock()  # one large file at a time
        self._is_stopping = False

    def judged(self, app: App, number: str, path: Path, how: Asked) -> list[MapCheck] | None:
        """Give what is made of a file; None: it is not known yet, ask again in a while.

        Raises:
            AfterclearError: it cannot be read so, as ``check_file`` says.

        """
        if is_small(path) and number not in self._odd:
            with suppress(TakesLongError):
                return list(check_file(app, path, replace(how, within_s=AT_ONCE_S)))
            self._odd.add(number)
        with self._taken:
            verdict = self._verdict(app, number, path, how)
        if not verdict.is_done.is_set():
            return None
        if verdict.problem:
            raise UsageError(verdict.problem)
        return verdict.checks

    def wait(self, seconds: float) -> None:
        """Wait until all that was asked is known."""
        for verdict in tuple(self._verdicts.values()):
            verdict.is_done.wait(seconds)

    def stop(self) -> None:
        """End what is under way."""
        with self._taken:
            self._is_stopping = True
            under_way = [verdict.process for verdict in self._verdicts.values()]
        for process in under_way:
            end(process)

    def _verdict(self, app: App, number: str, path: Path, how: Asked) -> _Verdict:
        # maps and vehicles may be others after a piece of work, or when a map was mended
        known = (self._bench.n_begun, self._bench.is_busy, _maps(app))
        key = (number, repr(how), known)
        now = time.monotonic()
        for old in self._left_alone(number, now):
            end(self._verdicts.pop(old).process)  # of an answer that is another now
        found = self._verdicts.get(key)
        if found is None:
            while len(self._verdicts) >= _MOST_KEPT:
                end(self._verdicts.pop(next(iter(self._verdicts))).process)
            found = self._verdicts[key] = _Verdict()
            threading.Thread(target=self._find, args=(found, app, path, how), daemon=True).start()
        found.asked_at = now
        return found

    def _left_alone(self, number: str, now: float) -> list[_Key]:
        """Give the unfinished ones of a file that no page waits for; two people may ask at once."""
        return [
            key
            for key, verdict in self._verdicts.items()
            if key[0] == number
            and not verdict.is_done.is_set()
            and now - verdict.asked_at > _STILL_ASKED_S
        ]

    def _find(self, verdict: _Verdict, app: App, path: Path, how: Asked) -> None:
        with self._turn:
            try:
                verdict.checks, verdict.problem = self._asked(verdict, app, path, how)
            except Exception:
                verdict.problem = _FAILED
                raise
            finally:
                verdict.is_done.set()

    def _asked(
        self, verdict: _Verdict, app: App, path: Path, how: Asked
    ) -> tuple[list[MapCheck], str]:
        with self._taken:  # else one that is dropped just now would go on, and nobody end it
            if self._is_stopping or verdict not in self._verdicts.values():
                return [], _FAILED  # nobody waits for it any more
            running = verdict.process = subprocess.Popen(  # noqa: S603 - our own program
                [sys.executable, "-P", "-c", _BEGIN], stdin=subprocess.PIPE, stdout=subprocess.PIPE
            )
        give_way(running, _NICENESS)
        told, _ = running.communicate(pickle.dumps((app.config, app.store, path, how)))
        if running.returncode:
            return [], _FAILED
        made: tuple[list[MapCheck], str] = pickle.loads(told)  # noqa: S301 - our own program
        return made


def is_small(path: Path) -> bool:
    """Whether a file is judged on the spot."""
    with path.open("rb") as file:
        is_packed = file.read(8).startswith(_PACKED)
    return path.stat().st_size <= (_AT_ONCE_PACKED_BYTES if is_packed else _AT_ONCE_BYTES)


def _maps(app: App) -> tuple[tuple[str, int], ...]:
    return tuple(sorted((p.name, p.stat().st_mtime_ns) for p in app.config.imports.glob("*.toml")))


def main() -> None:
    """Judge the file that the standard input names; say on the standard output what it came to."""
    own = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # what a library prints is no answer
    config, store, path, how = pickle.load(sys.stdin.buffer)  # noqa: S301 - from the desk
    made: tuple[list[MapCheck], str]
    try:
        made = (list(check_file(app_at(config, store), path, how)), "")
    except AfterclearError as error:
        made = ([], told_by(error))
    with own:
        own.write(pickle.dumps(made))
