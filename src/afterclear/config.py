"""Settings: what they are called, what they mean, and their defaults, written once.

``config/*.toml`` override these; ``init`` writes the commented files from the same
descriptions.  All mistakes in a file are reported at once.
"""

import json
import os
import re
import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal, Self, TypeVar
from urllib.parse import parse_qsl, quote, urlsplit, urlunsplit

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    field_validator,
    model_validator,
)
from pydantic_core import PydanticUndefined

from afterclear.errors import ConfigError, settings_mistakes
from afterclear.plain import check_zone

Model = TypeVar("Model", bound=BaseModel)


class _Section(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Evidence(_Section):
    """What counts as one visit, as evidence, and as proof."""

    visit_hours: float = Field(
        12, gt=0, le=72, description="Clear, repair and scan within this time are one visit."
    )
    visit_km: float = Field(25, gt=0, description="... and within this distance.")
    presume_clear_at_repair: bool = Field(
        default=True,
        description="A code gone after a repair, with no clear on record, was cleared then.",
    )
    held_below: float = Field(
        0.05, gt=0, lt=1, description="P(not fixed) below which a fix counts as held."
    )
    vehicle_life_km: float = Field(
        500_000, gt=0, description="No distance to go is told that a vehicle will not drive."
    )
    max_km_per_day: float = Field(
        1500, gt=0, description="A faster odometer rise than this is set aside."
    )
    assumed_km_per_day: float = Field(
        40, gt=0, description="Stands in where a vehicle has no odometer readings."
    )
    km_per_engine_hour: float = Field(
        35, gt=0, description="Turns engine hours into km where there is no odometer."
    )
    extrapolate_days: float = Field(
        90, ge=0, description="How far beyond the last reading km are estimated."
    )
    counter_slack_km: float = Field(
        5, ge=0, description="How far a distance-since-clear counter may be off."
    )


class Parts(_Section):
    """How lifetimes of parts are taken from work orders."""

    factory_until_km: float = Field(
        5000, ge=0, description="A vehicle first seen at less still has its factory parts."
    )
    unknown_reason_is_failure: bool = Field(
        default=True, description="A part replaced for a reason nobody noted had failed."
    )


class Costs(_Section):
    """Over which period the costs of work are added up."""

    days: int = Field(365, ge=1, le=3660, description="Days back from the analysis's as-of time.")


class Digest(_Section):
    """How the pages speak."""

    units: Literal["km", "mi"] = Field("km", description="Distances on pages: km or mi.")
    title: str = Field("", max_length=80, description="Owner's name, above every page's own.")
    language: Literal["en", "de"] = Field("en", description="Language of the pages: en or de.")
    zone: str = Field("UTC", description="Time zone of the dates on pages.")
    vehicle_pages: Literal["all", "named"] = Field(
        "all",
        description="Write a page of all vehicles, or only of those the fleet, garage or stock "
        "page names.",
    )
    technicians: bool = Field(
        default=False,
        description="Compare technicians by name on the garage page. Off unless those concerned "
        "agree: data protection and works council law may forbid it.",
    )

    @field_validator("zone")
    @classmethod
    def _known_zone(cls, zone: str) -> str:
        return check_zone(zone)


class Privacy(_Section):
    """Whose names are shown."""

    pseudonyms: bool = Field(
        default=False,
        description="Show tokens for VINs, plates and people; the key is AFTERCLEAR_PSEUDONYM_KEY.",
    )


class Mail(_Section):
    """Where digests are sent; the password is AFTERCLEAR_MAIL_PASSWORD."""

    host: str | None = Field(None, description="Mail server; without it nothing is sent.")
    port: int = Field(587, ge=1, le=65535, description="Its port.")
    security: Literal["starttls", "tls", "none"] = Field(
        "starttls", description="starttls, tls from the first byte, or none (own machine only)."
    )
    ca_file: Path | None = Field(None, description="Certificates trusted instead of the system's.")
    user: str | None = Field(None, description="User name at the server, if it wants one.")
    sender: str = Field("afterclear@localhost", description="Address the mail comes from.")
    fleet: tuple[str, ...] = Field((), description="Who gets the fleet digest.")
    garage: tuple[str, ...] = Field((), description="Who gets the garage digest.")
    stock: tuple[str, ...] = Field((), description="Who gets the stock digest.")
    carries: Literal["page", "pdf", "link"] = Field(
        "page", description="The digest itself: the page attached, a pdf attached, or a link."
    )
    link: str | None = Field(
        None, description="Address under which the reports folder can be read, for links."
    )
    tries: int = Field(3, ge=1, le=10, description="How often a server out of reach is tried.")
    wait_seconds: float = Field(20, ge=0, le=600, description="Before the second try; then double.")


class Webhook(_Section):
    """Urgent come-backs of safety faults, told at once; the secret is AFTERCLEAR_WEBHOOK_SECRET."""

    url: str | None = Field(None, description="Where to: https://, or http:// to this machine.")
    tries: int = Field(3, ge=1, le=10, description="How often it is tried.")
    wait_seconds: float = Field(5, ge=0, le=600, description="Before the second try; then double.")
    timeout_seconds: float = Field(10, gt=0, le=120, description="How long an answer may take.")

    @field_validator("url")
    @classmethod
    def _a_safe_url(cls, url: str | None) -> str | None:
        if url is not None:
            _check_url(url, ("https", "http"))
            if "@" in urlsplit(url).netloc:
                raise ValueError("no name before the host: who it is from, the signature says")
        return url


class Limits(_Section):
    """What is refused: files before or while they are read, rows that say what cannot be."""

    max_file_mb: float = Field(
        2000, gt=0, description="A larger delivered file, or one within an archive, is refused."
    )
    reader_memory_mb: float = Field(
        4000, ge=300, description="A file that takes more to read is refused (not plain tables)."
    )
    reader_seconds: float = Field(
        600, gt=0, description="... and one that takes more processor time, or twice it by clock."
    )
    reader_pages: int = Field(2000, ge=1, description="A PDF of more pages is refused.")
    max_source_minutes: float = Field(
        60, gt=0, description="A url that takes longer in one run is left for the next."
    )
    max_columns: int = Field(
        500, ge=30, le=5000, description="A table with more columns is refused."
    )
    times_from: int = Field(
        1960, ge=1900, le=2100, description="A row with a time before this year is refused."
    )
    dates_from: int = Field(
        1900,
        ge=1800,
        le=2100,
        description="... with a date or a model year of a vehicle before this year.",
    )
    until: int = Field(
        2100, ge=2000, le=2500, description="... with a time, date or year after this year."
    )
    max_odometer_km: float = Field(
        3_000_000, gt=0, description="A row with a higher odometer is refused."
    )
    max_engine_hours: float = Field(
        200_000, gt=0, description="A row with more engine hours is refused."
    )
    max_days_ahead: float = Field(
        1, ge=0, description="A row dated so long after its file came is refused."
    )


class Store(_Section):
    """How the store is kept."""

    copy_for_readers: bool = Field(
        default=True,
        description="A long run puts a copy beside the store, for 'status' and 'export' meanwhile, "
        "and a digest one for its pages, so that loads need not wait for them.",
    )


class Keep(_Section):
    """How long things are kept; 'afterclear vacuum' takes out what is older."""

    archive_days: float | None = Field(
        None, gt=0, description="Delivered files in the archive; without them no replay."
    )
    refused_rows_days: float | None = Field(None, gt=0, description="Refused rows.")
    superseded_days: float | None = Field(
        None, gt=0, description="Rows that a later delivery corrected."
    )
    runs_days: float | None = Field(None, gt=0, description="Reports of runs.")
    trail_days: float | None = Field(
        None, gt=0, description="Who did what at the desk; it names people."
    )
    page_sums_days: float = Field(
        60,
        gt=0,
        description="Sums of single pages of digests; after that one sum of all. Each new digest "
        "sees to it, too.",
    )


class Watching(_Section):
    """How others watch afterclear: logs and metrics."""

    log_form: Literal["text", "json"] = Field("text", description="Log lines: text or json.")
    log_file: Path | None = Field(
        None, description="File for the log, beside the config; without it, the error output."
    )
    metrics_file: Path | None = Field(
        None, description="Prometheus text file, rewritten after each run."
    )
    metrics_port: int | None = Field(
        None,
        ge=1024,
        le=65535,
        description="Port on 127.0.0.1 where 'schedule' answers with the same metrics.",
    )
    healthy_within_days: float = Field(
        3, gt=0, description="'status --health' complains when the last good run is older."
    )


class Settings(_Section):
    """config/afterclear.toml."""

    evidence: Evidence = Evidence()
    parts: Parts = Parts()
    costs: Costs = Costs()
    digest: Digest = Digest()
    privacy: Privacy = Privacy()
    mail: Mail = Mail()
    webhook: Webhook = Webhook()
    limits: Limits = Limits()
    store: Store = Store()
    keep: Keep = Keep()
    watching: Watching = Watching()


class Source(_Section):
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
            _check_url(self.url)
        if self.endpoint is not None:
            _check_url(self.endpoint, ("https", "http"))
        return self


_SCHEMES = ("https", "http", "sftp", "s3", "imaps", "imap")
_IN_CLEAR = {"http", "imap"}  # a password would be readable in transit
_THIS_MACHINE = {"localhost", "127.0.0.1", "::1"}


def _check_url(url: str, schemes: tuple[str, ...] = _SCHEMES) -> None:
    parts = urlsplit(url)
    try:
        _ = parts.port
    except ValueError as error:
        raise ValueError("the port after the host is no number up to 65535") from error
    if parts.scheme not in schemes or not parts.hostname:
        raise ValueError(f"a url begins with one of {', '.join(s + '://' for s in schemes)}")
    if parts.password:
        raise ValueError("a password stands in no file: name its environment variable as secret")
    if parts.scheme in _IN_CLEAR and parts.hostname not in _THIS_MACHINE:
        raise ValueError(f"{parts.scheme}:// is allowed to this machine only; use the safe form")


class Sources(_Section):
    """config/sources.toml."""

    source: tuple[Source, ...] = ()

    @field_validator("source")
    @classmethod
    def _called_apart(cls, sources: tuple[Source, ...]) -> tuple[Source, ...]:
        names = [source.name for source in sources]
        if twice := sorted({name for name in names if names.count(name) > 1}):
            raise ValueError(f"two sources are called {twice[0]!r}; what was taken is kept by name")
        return sources


class Job(_Section):
    """One line of the timetable."""

    at: str = Field(description="When, as five cron fields: minute hour day month weekday.")
    zone: str = Field("UTC", description="Time zone of these fields.")

    @field_validator("zone")
    @classmethod
    def _known_zone(cls, zone: str) -> str:
        return check_zone(zone)


class NamedJob(_Section):
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


class Timetable(_Section):
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
        return model()
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
