"""The folder of a configuration: its files over the built-in settings, its tables, secrets.

``config/*.toml`` override the defaults; ``init`` writes the commented files from the descriptions
here and in ``settings``.  All mistakes in a file are reported at once.
"""

import json
import os
import re
import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal, Self, TypeVar
from urllib.parse import parse_qsl, quote, urlsplit, urlunsplit

from pydantic import BaseModel, Field, ValidationError, field_validator, model_validator
from pydantic_core import PydanticUndefined

from afterclear.errors import ConfigError, settings_mistakes
from afterclear.plain import check_zone
from afterclear.settings import Section, Settings, check_url

Model = TypeVar("Model", bound=BaseModel)


class Source(Section):
    """One place files come from: a folder, or a url."""

    name: str = Field(min_length=1, max_length=60, description="How the source is called.")
    folder: Path | None = Field(
        None, description="Folder whose files are loaded, with those below it."
    )
    url: str | None = Field(
        None,
        description="... or https://, sftp://user@host/folder, s3://bucket/prefix, "
        "imaps://user@host/mailbox.",
    )
    pattern: str = Field("*", description="File names taken, e.g. *.csv")
    zone: str = Field("UTC", description="Time zone of times written without an offset.")
    vehicle: str | None = Field(
        None, description="Whose files these are, for bus logs that name no vehicle."
    )
    stale_after_days: float = Field(
        8, gt=0, description="Without a new file for so long, the digest says so."
    )
    settle_seconds: float = Field(
        2, ge=0, le=3600, description="A file in a folder is taken once unchanged for so long."
    )
    after_loading: Literal["keep", "move"] = Field(
        "keep", description="Leave a loaded file where it is, or move it (folders only)."
    )
    move_to: Path | None = Field(
        None, description="Where to; without it, .loaded in the source's folder."
    )
    secret: str | None = Field(
        None, description="Name of the environment variable that holds the password or key."
    )
    key_file: Path | None = Field(None, description="Private key file (sftp).")
    known_hosts: Path | None = Field(
        None, description="Known host keys (sftp); without it, the user's own."
    )
    endpoint: str | None = Field(None, description="Address of an S3-compatible server.")
    ca_file: Path | None = Field(None, description="Certificates to trust beside the system's.")

    @field_validator("zone")
    @classmethod
    def _known_zone(cls, zone: str) -> str:
        return check_zone(zone)

    @model_validator(mode="after")
    def _one_place(self) -> Self:
        if (self.folder is None) == (self.url is None):
            raise ValueError("give exactly one of folder and url")
        if self.url is not None:
            check_url(self.url)
        if self.endpoint is not None:
            check_url(self.endpoint, ("https", "http"))
        return self


class Sources(Section):
    """config/sources.toml."""

    source: tuple[Source, ...] = ()

    @field_validator("source")
    @classmethod
    def _called_apart(cls, sources: tuple[Source, ...]) -> tuple[Source, ...]:
        names = [source.name for source in sources]
        if twice := sorted({name for name in names if names.count(name) > 1}):
            raise ValueError(f"two sources are called {twice[0]!r}; what was taken is kept by name")
        return sources


class Job(Section):
    """One line of the timetable."""

    at: str = Field(description="When, as five cron fields: minute hour day month weekday.")
    zone: str = Field("UTC", description="Time zone of these fields.")

    @field_validator("zone")
    @classmethod
    def _known_zone(cls, zone: str) -> str:
        return check_zone(zone)


class NamedJob(Section):
    """One more line of the timetable: what is done, and when."""

    name: str = Field(min_length=1, max_length=60, description="How the job is called.")
    does: Literal["run", "load", "analyse", "digest", "backup", "check", "vacuum"] = Field(
        description="run (load, analyse, digest), load, analyse, digest (of a new analysis), "
        "backup, check or vacuum."
    )
    at: str | None = Field(None, description="When, as five cron fields ...")
    every: str | None = Field(None, description="... or how often, such as 30m, 6h or 1d.")
    zone: str = Field("UTC", description="Time zone of the cron fields.")
    sources: tuple[str, ...] = Field((), description="load, run: only these; none: all.")
    audiences: tuple[Literal["fleet", "garage", "stock"], ...] = Field(
        (), description="digest: only these of fleet, garage, stock; none: all."
    )
    email: bool = Field(default=False, description="digest: also send them, as [mail] says.")
    into: Path | None = Field(None, description="backup: the folder, beside the config.")
    keep: int = Field(7, ge=1, description="backup: how many of the newest are kept.")

    @field_validator("zone")
    @classmethod
    def _known_zone(cls, zone: str) -> str:
        return check_zone(zone)

    @field_validator("every")
    @classmethod
    def _a_span(cls, every: str | None) -> str | None:
        if every is not None and not re.fullmatch(r"[1-9][0-9]*[mhd]", every):
            raise ValueError("expected a whole number of m, h or d, such as 30m, 6h or 1d")
        return every

    @model_validator(mode="after")
    def _one_time(self) -> Self:
        if (self.at is None) == (self.every is None):
            raise ValueError("give exactly one of at and every")
        if (self.does == "backup") != (self.into is not None):
            raise ValueError("a backup, and no other job, needs into: a folder to go into")
        if self.does == "backup" and re.search(r"[/\\\x00]", self.name):
            raise ValueError("a backup's name begins its files' names: no / or \\ in it")
        return self


class Timetable(Section):
    """config/schedule.toml."""

    run: Job | None = Job(at="15 3 * * *")
    job: tuple[NamedJob, ...] = ()

    @model_validator(mode="after")
    def _names_once(self) -> Self:
        names = [job.name for job in self.jobs]
        twice = sorted({n for n in names if names.count(n) > 1})
        if twice:
            raise ValueError(f"two jobs are called {twice[0]!r}")
        return self

    @property
    def jobs(self) -> tuple[NamedJob, ...]:
        """All jobs; ``[run]`` is one called run, unless there are others and it is left out."""
        if self.run is None or (self.job and "run" not in self.model_fields_set):
            return self.job
        return (NamedJob(name="run", does="run", at=self.run.at, zone=self.run.zone), *self.job)


_HEADS: dict[str, str] = {
    "afterclear.toml": "How afterclear judges and speaks.  Every key may be left out.",
    "sources.toml": "Where files come from.  Repeat [[source]] for each place.",
    "schedule.toml": "When 'afterclear schedule' loads, analyses and writes the digests.",
}


def commented_files() -> dict[str, str]:
    """Write each config file with its keys, their meaning and their defaults, commented."""
    source = {"name": "inbox", "folder": "inbox"}
    bodies = {
        "afterclear.toml": "\n".join(
            f"[{name}]\n{_commented(type(section), {})}" for name, section in Settings()
        ),
        "sources.toml": f"[[source]]\n{_commented(Source, source)}",
        "schedule.toml": f"[run]\n{_commented(Job, {'at': '15 3 * * *'})}\n"
        f"# More jobs, each with its own time:\n# [[job]]\n{_commented(NamedJob, {})}",
    }
    return {name: f"# {_HEADS[name]}\n\n{body}" for name, body in bodies.items()}


def _commented(section: type[BaseModel], given: dict[str, str]) -> str:
    lines = []
    for name, about in section.model_fields.items():
        value = given.get(name, about.default)
        lines.append(f"# {about.description}")
        if value is None or value is PydanticUndefined:
            lines.append(f"# {name} =")
        else:
            lines.append(f"{'' if name in given else '# '}{name} = {json.dumps(value)}")
    return "\n".join(lines) + "\n"


class Config:
    """Everything under one config directory, over the built-in defaults.

    ``demo``: no directory, and the tables of the sample fleet (``config/demo``) before the others.
    """

    def __init__(self, folder: Path | None, *, demo: bool = False) -> None:
        self.folder = folder
        self._first = shipped("config") / "demo" if demo else folder
        problems: list[str] = []
        self.settings = _read(folder, "afterclear.toml", Settings, problems)
        self.sources = _read(folder, "sources.toml", Sources, problems).source
        self.timetable = _read(folder, "schedule.toml", Timetable, problems)
        names = {source.name for source in self.sources}
        problems += [
            f"schedule.toml: the job {job.name!r} names the source {name!r}, which does not exist"
            for job in self.timetable.jobs
            for name in job.sources
            if name not in names
        ]
        if problems:
            raise ConfigError("\n".join(problems))
        for url in (self.settings.webhook.url, *(source.url for source in self.sources)):
            _keep_quiet_of(url)

    @property
    def tables(self) -> Path:
        """Where the tables of codes and families are: the user's, if there are any."""
        own = self.folder / "codes" if self.folder else None
        return self.folder if self.folder and own and own.is_dir() else shipped("config")

    @property
    def own_cures(self) -> Path | None:
        """The user's own rows of ``cures.csv``, which count beside the shipped ones, if any."""
        own = self.folder / "cures.csv" if self.folder else None
        return own if own and own.is_file() and self.tables != self.folder else None

    @property
    def imports(self) -> Path:
        """Where the import maps are: the config's own or, without a config, the examples."""
        return (self.folder or shipped("config")) / "imports"

    def table(self, name: str) -> Path:
        """Where a single table is: the user's, if there is one, otherwise the shipped one."""
        own = self._first / name if self._first else None
        return own if own and own.is_file() else shipped("config") / name

    def source_folder(self, source: Source) -> Path:
        """Where a source's files are; a relative folder counts from the config's parent."""
        return self.beside(source.folder or Path())

    def beside(self, path: Path) -> Path:
        """Give a path of the settings; a relative one counts from the config's parent."""
        base = self.folder.parent if self.folder else Path()
        return base / path.expanduser()


def find_config(given: Path | None) -> Config:
    """Read the config directory asked for, otherwise ``./config`` if there, otherwise the defaults.

    Raises:
        ConfigError: it does not exist, or a file in it is wrong; all problems at once.

    """
    if given is not None:
        if not given.is_dir():
            raise ConfigError(f"There is no config folder {given}. 'afterclear init' makes one.")
        return Config(given)
    here = Path("config")
    return Config(here if here.is_dir() else None)


def shipped(name: str) -> Path:
    """Where a folder shipped with the program is: in the wheel, or in a checkout."""
    inside = Path(str(files("afterclear"))) / "shipped" / name
    return inside if inside.is_dir() else Path(str(files("afterclear"))).parents[1] / name


# Secrets this process has read, so that no message or log line repeats one.
_secrets: set[str] = set()
_SHORTEST_SECRET = 4
_TOKEN_NAME = re.compile(r"token|key|sig|secret|pass|auth|cred|code", re.IGNORECASE)
_LONG_VALUE = 16  # a word in a query that is as long is hardly a choice of format or of a page


def shown_address(url: str) -> str:
    """Give an address without what may be a secret in it: name, password, query.

    >>> shown_address("https://yard:x@files.example.org/list/?token=abc")
    'https://files.example.org/list/'
    """
    parts = urlsplit(url)
    return urlunsplit((parts.scheme, parts.netloc.rpartition("@")[2], parts.path, "", ""))


def _keep_quiet_of(url: str | None) -> None:
    """Count values in an address's query as secrets if they look like one."""
    for name, value in parse_qsl(urlsplit(url or "").query):
        if _TOKEN_NAME.search(name) or len(value) >= _LONG_VALUE:
            _secrets.add(value)


def environment_secret(name: str) -> str:
    """Read a secret from the environment; secrets are in no file.

    Raises:
        ConfigError: it is not set.

    """
    value = os.environ.get(name)
    if not value:
        raise ConfigError(f"The environment variable {name} is not set.")
    _secrets.add(value)
    return value


def without_secrets(text: str) -> str:
    """Give a text in which every secret read so far is struck out, as it is and in a URL."""
    for secret in sorted(_secrets, key=len, reverse=True):
        if len(secret) >= _SHORTEST_SECRET:
            text = text.replace(secret, "***").replace(quote(secret, safe=""), "***")
    return text


def _read(folder: Path | None, name: str, model: type[Model], problems: list[str]) -> Model:
    path = folder / name if folder else None
    if path is None or not path.exists():
        return model.model_construct()  # defaults need no check
    try:
        content: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))
        return model.model_validate(content)
    except tomllib.TOMLDecodeError as error:
        problems.append(f"{path} is no TOML: {error}. Text stands in quotation marks.")
    except UnicodeDecodeError:
        problems.append(f"{path} is not in UTF-8; save it as UTF-8 text.")
    except ValidationError as error:
        problems += settings_mistakes(str(path), error.errors())
    return model.model_construct()
