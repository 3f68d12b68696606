"""Change settings in their files, comments kept: as fields of text, checked as ``config`` is.

Fields have names such as ``digest.units``, ``job.backup.when`` or ``source.inbox.place``.  Whoever
changes them says what they saw; if a field is another one by now, nothing is written.

A time is written as people say it: ``03:15`` each day, ``every 2h``, or five cron fields.
"""

import re
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

import tomlkit
from tomlkit import TOMLDocument

from afterclear.commands.app import App
from afterclear.commands.whole_files import put_whole
from afterclear.config import Config, NamedJob, Source
from afterclear.errors import ConfigError, UsageError, worded
from afterclear.store.engine.locking import holding, settings_lock

Fields = Mapping[str, str]

SETTINGS, SOURCES, TIMETABLE = "afterclear.toml", "sources.toml", "schedule.toml"
_OF_DIGEST: Final = ("title", "units", "language", "zone")
_OF_MAIL: Final = ("fleet", "garage", "stock")
_OF_SOURCE: Final = ("place", "pattern", "zone")
_OF_NEW: Final = ("name", *_OF_SOURCE)
NEW: Final = "new."  # what the fields of a source to be added begin with
_DAILY: Final = re.compile(r"(\d\d?) (\d\d?) \* \* \*")
_CLOCK: Final = re.compile(r"(\d\d?):(\d\d)")
_EVERY: Final = re.compile(r"every (.+)")


class ChangedMeanwhileError(UsageError):
    """Somebody else changed the settings after they were shown."""


def fields_of(config: Config) -> dict[str, str]:
    """Give the settings that are changed as text."""
    digest, mail = config.settings.digest, config.settings.mail
    found = {f"digest.{name}": str(getattr(digest, name)) for name in _OF_DIGEST}
    found |= {f"mail.{name}": ", ".join(getattr(mail, name)) for name in _OF_MAIL}
    for job in config.timetable.jobs:
        found |= {f"job.{job.name}.when": when_of(job), f"job.{job.name}.zone": job.zone}
    for source in config.sources:
        told = {"place": place_of(source), "pattern": source.pattern, "zone": source.zone}
        found |= {f"source.{source.name}.{name}": told[name] for name in _OF_SOURCE}
    return found


def when_of(job: NamedJob) -> str:
    """Say when a job runs, as people do.

    >>> when_of(NamedJob(name="run", does="run", at="5 3 * * *"))
    '03:05'
    """
    if job.every is not None:
        return f"every {job.every}"
    daily = _DAILY.fullmatch(job.at or "")
    return f"{int(daily[2]):02d}:{int(daily[1]):02d}" if daily else job.at or ""


def place_of(source: Source) -> str:
    """Give a source's folder or address."""
    return source.url or str(source.folder)


def change_settings(
    app: App, seen: Fields, wanted: Fields, check: Callable[[Config, Config], None]
) -> tuple[Config, list[str]]:
    """Write what is wanted; return the settings as they are then, and which fields changed.

    ``seen``: the fields as they were shown; of ``wanted`` only those that differ count, and a field
    that is missing in it stays.  ``check``: raises if the new settings (second) may not replace the
    old ones.

    Raises:
        ChangedMeanwhileError: a field is not any more as it was seen; says which, from what to
            what.
        ConfigError: the settings would be wrong; all mistakes at once.  Nothing is written.
        UsageError: something is wanted that is none of these fields.

    """
    folder = app.config.folder
    if folder is None:
        raise UsageError(
            worded(
                "Settings need a garage's folder to be kept in, and the desk was not started in "
                "one. 'afterclear init DIR' makes one."
            )
        )
    with holding(settings_lock(app.store), "settings"):
        config = Config(folder)
        now = fields_of(config)
        _check_as_seen(seen, now)
        asked = {name: text.strip() for name, text in wanted.items() if not _is(name, text, now)}
        if not asked:
            return config, []
        _check_known(asked, config, now)
        texts = _changed(folder, asked)
        check(config, _tried(folder, texts))
        for name, text in texts.items():
            _put(folder / name, text)
        return Config(folder), sorted({_shown(name) for name in asked})


def _is(name: str, text: str, now: Fields) -> bool:
    return (name in now and now[name] == text.strip()) or (name.startswith(NEW) and not text)


def _check_as_seen(seen: Fields, now: Fields) -> None:
    names = sorted(seen.keys() | now.keys())
    changed = [
        f"{name}: {seen.get(name, '-')} -> {now.get(name, '-')}"
        for name in names
        if seen.get(name) != now.get(name)
    ]
    if changed:
        raise ChangedMeanwhileError(
            worded(
                "Somebody changed the settings after this page was opened, so nothing was written. "
                "Changed were {changed}.",
                changed="; ".join(changed),
            )
        )


def _check_known(asked: Fields, config: Config, now: Fields) -> None:
    """Refuse what the desk does not show: who sends a form may write any name into it."""
    known = now.keys() | {f"{NEW}{key}" for key in _OF_NEW}
    known |= {f"source.{source.name}.remove" for source in config.sources}
    if strange := sorted(asked.keys() - known):
        raise UsageError(
            worded(
                "The desk does not change {names}. Change it at the machine itself, in the files "
                "under config.",
                names=", ".join(strange),
            )
        )


def _shown(name: str) -> str:
    return "a new source" if name.startswith(NEW) else name


# --- the files ------------------------------------------------------------------------------


def _changed(folder: Path, asked: Fields) -> dict[str, str]:
    """Give the new text of each file that changes."""
    files = {name: _document(folder / name) for name in (SETTINGS, SOURCES, TIMETABLE)}
    before = {name: document.as_string() for name, document in files.items()}
    for name, text in asked.items():
        kind, _, rest = name.partition(".")
        called, _, key = rest.rpartition(".")
        if kind == "digest":
            _section(files[SETTINGS], "digest")[rest] = text
        elif kind == "mail":
            _section(files[SETTINGS], "mail")[rest] = _listed(text)
        elif kind == "job":
            _change_job(files[TIMETABLE], called, key, text)
        elif kind == "source":
            _change_source(files[SOURCES], called, key, text)
    _add_source(files[SOURCES], asked)
    texts = {name: document.as_string() for name, document in files.items()}
    return {name: text for name, text in texts.items() if text != before[name]}


def _document(path: Path) -> TOMLDocument:
    # bytes: ends of lines stay as they are
    return tomlkit.parse(path.read_bytes().decode("utf-8")) if path.exists() else tomlkit.document()


def _section(document: TOMLDocument, name: str) -> Any:  # noqa: ANN401 - of a library without types
    if name not in document:
        document[name] = tomlkit.table()
    return document[name]


def _listed(text: str) -> list[str]:
    return [part for part in re.split(r"[,;\s]+", text) if part]


def _change_job(document: TOMLDocument, called: str, key: str, text: str) -> None:
    jobs = [job for job in document.get("job", ()) if job.get("name") == called]
    entry = jobs[0] if jobs else _section(document, "run")
    if key == "zone":
        entry["zone"] = text
        return
    at, every = _time(text)
    for name, value in (("at", at), ("every", every)):
        if value is not None:
            entry[name] = value
        elif name in entry:
            entry.remove(name)


def _time(text: str) -> tuple[str | None, str | None]:
    """Read a time as people write it: cron fields, or an interval.

    >>> _time("3:15"), _time("every 2h"), _time("0 6 * * mon")
    (('15 3 * * *', None), (None, '2h'), ('0 6 * * mon', None))
    """
    if every := _EVERY.fullmatch(text):
        return None, every[1].replace(" ", "")
    if clock := _CLOCK.fullmatch(text):
        return f"{int(clock[2])} {int(clock[1])} * * *", None
    return text, None


def _change_source(document: TOMLDocument, called: str, key: str, text: str) -> None:
    for number, entry in enumerate(document.get("source", ())):
        if entry.get("name") != called:
            continue
        if key == "remove":
            del document["source"][number]
        elif key == "place":
            entry.pop("folder", None)
            entry.pop("url", None)
            _set_place(entry, text)
        else:
            entry[key] = text
        return


def _set_place(entry: Any, text: str) -> None:  # noqa: ANN401 - of a library without types
    entry["url" if "://" in text else "folder"] = text


def _add_source(document: TOMLDocument, asked: Fields) -> None:
    given = {name.removeprefix(NEW): text for name, text in asked.items() if name.startswith(NEW)}
    if not given:
        return
    entry = tomlkit.table()
    entry["name"] = given.get("name", "")
    _set_place(entry, given.get("place", ""))
    for key in ("pattern", "zone"):
        if given.get(key):
            entry[key] = given[key]
    if "source" not in document:
        document["source"] = tomlkit.aot()
    document["source"].append(entry)


def _tried(folder: Path, texts: Mapping[str, str]) -> Config:
    """Read the settings as they would be."""
    with tempfile.TemporaryDirectory() as made:
        for name in (SETTINGS, SOURCES, TIMETABLE):
            if name in texts:
                (Path(made) / name).write_bytes(texts[name].encode())
            elif (folder / name).exists():
                (Path(made) / name).write_bytes((folder / name).read_bytes())
        try:
            return Config(Path(made))
        except ConfigError as error:
            raise ConfigError(str(error).replace(f"{made}/", "")) from error


def _put(path: Path, text: str) -> None:
    """Replace a file; it keeps its rights."""
    real = path.resolve()
    mode = real.stat().st_mode & 0o777 if real.exists() else 0o600
    put_whole(real, text.encode(), mode)
