"""From a configured source to files on this machine: listed, complete, new or changed, fetched.

Files come one at a time, so that a large source needs the space of one file only.  A file counts as
taken once the ledger knows it; a file under way when the machine stopped is taken again.
"""

import hashlib
import logging
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from afterclear import __version__
from afterclear.commands.app import App
from afterclear.config import Source, environment_secret, without_secrets
from afterclear.errors import (
    ConfigError,
    SlowSourceError,
    TooLargeError,
    UnreachableError,
    for_log,
)
from afterclear.load import Arrival
from afterclear.records import LoadResult, plain_ending, printable
from afterclear.sources.folder import files_in, move_aside, settled, state
from afterclear.sources.places import opened_place
from afterclear.sources.source import Address, Allowance, Found, Place, ended_after, retried, wanted
from afterclear.store.engine.database import Connection
from afterclear.store.intake.cursors import Cursors

_LEAVING_S = 20.0
_log: Final = logging.getLogger("afterclear.sources")


@dataclass(slots=True)
class FetchReport:
    """What a person should know of the sources, gathered on the way."""

    out_of_reach: list[str] = field(default_factory=list)
    unsettled: list[str] = field(default_factory=list)
    refused: list[LoadResult] = field(default_factory=list)
    outcome: str = "stored"  # of the file that is being loaded

    def hear(self, result: LoadResult) -> None:
        """Note what became of a file, or of one within it."""
        if result.outcome in ("refused", "left"):
            self.outcome = result.outcome


@dataclass(frozen=True, slots=True)
class Fetching:
    """What fetching needs besides the source."""

    app: App
    con: Connection
    sleep: Callable[[float], None] = time.sleep
    say: Callable[[str], None] = lambda _: None

    def failed(self, source: Source) -> Callable[[UnreachableError, float], None]:
        """Give who says and logs that a source did not answer, and is asked again."""

        def failed(error: UnreachableError, wait_s: float) -> None:
            _log_failure(source, error, wait_s)
            self.say(f"{error} Trying again in {wait_s:.0f} s.")

        return failed


def arrivals(source: Source, how: Fetching, report: FetchReport) -> Iterator[Arrival]:
    """Yield a source's new files; a failure to answer is reported and ends the source."""
    try:
        if source.folder is not None:
            yield from _from_folder(source, how, report)
        else:
            yield from _from_place(source, how, report)
    except (UnreachableError, ConfigError) as error:
        _log_failure(source, error)
        report.out_of_reach.append(f"{source.name}: {without_secrets(str(error))}")


def _log_failure(source: Source, error: Exception, again_s: float | None = None) -> None:
    facts = {"source": source.name, "error": for_log(error), "again_s": again_s}
    _log.warning("source does not answer", extra={"facts": facts})


def reading(app: App) -> str:
    """Identify the program, the import maps and the limits: they decide how a file is read."""
    digest = hashlib.sha256()
    for path in sorted(app.config.imports.glob("*.toml")):
        digest.update(path.read_bytes())
    limits = app.reading_limits
    limits_text = f"{limits.memory_bytes} {limits.seconds:g} {limits.member_bytes}"
    return f"{__version__} maps {digest.hexdigest()[:12]} limits {limits_text}"


# --- a folder -------------------------------------------------------------------------------


def _from_folder(source: Source, how: Fetching, report: FetchReport) -> Iterator[Arrival]:
    app = how.app
    folder = app.config.source_folder(source)
    cursors = Cursors(how.con, source.name, reading(app))
    states = {path: state(path) for path in files_in(folder, source.pattern)}
    names = {path: printable(path.relative_to(folder.resolve()).as_posix()) for path in states}
    new = [path for path, mark in states.items() if cursors.token(names[path]) != mark]
    ready, changing = settled(new, source.settle_seconds, app.clock().timestamp(), how.sleep)
    report.unsettled += [f"{source.name}: {names[path]}" for path in changing]
    for path in ready:
        mark = state(path)
        report.outcome = "stored"
        if _is_too_large(path.stat().st_size if mark else 0, source, names[path], how, report):
            report.outcome = "refused"
        else:
            yield replace(_arrival(source, path, names[path]), root=folder.resolve())
        if report.outcome == "left" or mark is None:
            continue
        cursors.put(names[path], mark, report.outcome, app.clock())
        if source.after_loading == "move" and report.outcome == "stored":
            _move(source, path, folder, how, report)


def _move(source: Source, path: Path, folder: Path, how: Fetching, report: FetchReport) -> None:
    target = how.app.config.beside(source.move_to) if source.move_to else None
    try:
        move_aside(path, folder, target)
    except OSError as error:
        report.out_of_reach.append(
            f"{source.name}: {printable(path.name)} was loaded but cannot be moved: "
            f"{error.strerror}."
        )


# --- a place elsewhere ----------------------------------------------------------------------


def _from_place(source: Source, how: Fetching, report: FetchReport) -> Iterator[Arrival]:
    cursors = Cursors(how.con, source.name, reading(how.app))
    allowance = Allowance(how.app.config.settings.limits.max_source_minutes)
    with _opened(source, how, allowance) as place:
        with allowance.used():
            listed = retried(place.look, how.sleep, how.failed(source))
        for found in listed:
            name = printable(found.name)
            if not wanted(found.name, source.pattern):
                continue
            if found.token and cursors.token(name) == found.token:
                continue
            report.outcome = "stored"
            if _is_too_large(found.size or 0, source, name, how, report):
                report.outcome = "refused"
            else:
                yield from _fetched(source, how, (place, allowance), found, report)
            if report.outcome != "left":
                cursors.put(name, found.token, report.outcome, how.app.clock())


@contextmanager
def _opened(source: Source, how: Fetching, allowance: Allowance) -> Iterator[Place]:
    with ExitStack() as stack:
        with allowance.used():
            place = stack.enter_context(opened_place(address_of(source, how.app)))
        try:
            yield place
        finally:
            # closing is a request too, and need not be answered
            with ended_after(_LEAVING_S, SlowSourceError(allowance.minutes)):
                stack.close()


def _fetched(
    source: Source, how: Fetching, at: tuple[Place, Allowance], found: Found, report: FetchReport
) -> Iterator[Arrival]:
    place, allowance = at
    how.app.archive.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory(prefix="incoming-", dir=how.app.archive) as folder:
        # the name from outside is only text; of it only a plain ending is kept
        target = Path(folder) / f"fetched{plain_ending(found.name)}"
        max_bytes = int(how.app.config.settings.limits.max_file_mb * 1e6)
        try:
            with allowance.used():
                ask = partial(place.fetch, found, target, max_bytes)
                retried(ask, how.sleep, how.failed(source))
        except TooLargeError as error:
            report.outcome = "refused"
            report.refused.append(_refusal(source, printable(found.name), str(error)))
            return
        yield _arrival(source, target, printable(found.name))


def address_of(source: Source, app: App) -> Address:
    """Give a source's address, with its secret from the environment.

    Raises:
        ConfigError: the environment variable is not set.

    """
    beside = app.config.beside
    return Address(
        url=source.url or "",
        secret=environment_secret(source.secret) if source.secret else None,
        key_file=beside(source.key_file) if source.key_file else None,
        known_hosts=beside(source.known_hosts) if source.known_hosts else None,
        endpoint=source.endpoint,
        ca_file=beside(source.ca_file) if source.ca_file else None,
    )


def _arrival(source: Source, path: Path, name: str) -> Arrival:
    return Arrival(source.name, path, name, source.zone, source.vehicle)


def _is_too_large(
    n_bytes: int, source: Source, name: str, how: Fetching, report: FetchReport
) -> bool:
    limit = how.app.config.settings.limits.max_file_mb
    if n_bytes <= limit * 1e6:
        return False
    note = f"{n_bytes / 1e6:.0f} MB; limits.max_file_mb allows {limit:g}"
    report.refused.append(_refusal(source, name, note))
    return True


def _refusal(source: Source, name: str, note: str) -> LoadResult:
    return LoadResult(None, source.name, name, "", "", outcome="refused", note=note)
