"""What config/afterclear.toml may say: each setting with its meaning and its default, written once.

``config`` reads the file and writes it commented, from the same descriptions.
"""

from pathlib import Path
from typing import Literal
from urllib.parse import urlsplit

from pydantic import BaseModel, ConfigDict, Field, field_validator

from afterclear.plain import check_zone


class Section(BaseModel):
    """A part of a config file; a key that is not known is a mistake.

    What checks a section is made when a file is there to be checked: each command waits for it.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)


_SCHEMES = ("https", "http", "sftp", "s3", "imaps", "imap")
_IN_CLEAR = {"http", "imap"}  # a password would be readable in transit
_THIS_MACHINE = {"localhost", "127.0.0.1", "::1"}


def check_url(url: str, schemes: tuple[str, ...] = _SCHEMES) -> None:
    """Raise a ValueError for an address that is none, or shows a password in transit."""
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


class Evidence(Section):
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


class Parts(Section):
    """How lifetimes of parts are taken from work orders."""

    factory_until_km: float = Field(
        5000, ge=0, description="A vehicle first seen at less still has its factory parts."
    )
    unknown_reason_is_failure: bool = Field(
        default=True, description="A part replaced for a reason nobody noted had failed."
    )


class Costs(Section):
    """Over which period the costs of work are added up."""

    days: int = Field(365, ge=1, le=3660, description="Days back from the analysis's as-of time.")


class Digest(Section):
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


class Privacy(Section):
    """Whose names are shown."""

    pseudonyms: bool = Field(
        default=False,
        description="Show tokens for VINs, plates and people; the key is AFTERCLEAR_PSEUDONYM_KEY.",
    )


class Mail(Section):
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


class Webhook(Section):
    """Urgent come-backs of safety faults, told at once; the secret is AFTERCLEAR_WEBHOOK_SECRET."""

    url: str | None = Field(None, description="Where to: https://, or http:// to this machine.")
    tries: int = Field(3, ge=1, le=10, description="How often it is tried.")
    wait_seconds: float = Field(5, ge=0, le=600, description="Before the second try; then double.")
    timeout_seconds: float = Field(10, gt=0, le=120, description="How long an answer may take.")

    @field_validator("url")
    @classmethod
    def _a_safe_url(cls, url: str | None) -> str | None:
        if url is not None:
            check_url(url, ("https", "http"))
            if "@" in urlsplit(url).netloc:
                raise ValueError("no name before the host: who it is from, the signature says")
        return url


class Limits(Section):
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


class Store(Section):
    """How the store is kept."""

    copy_for_readers: bool = Field(
        default=True,
        description="A long run puts a copy beside the store, for 'status' and 'export' meanwhile, "
        "and a digest one for its pages, so that loads need not wait for them.",
    )


class Keep(Section):
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


class Watching(Section):
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


class Settings(Section):
    """config/afterclear.toml."""

    evidence: Evidence = Field(default_factory=Evidence.model_construct)
    parts: Parts = Field(default_factory=Parts.model_construct)
    costs: Costs = Field(default_factory=Costs.model_construct)
    digest: Digest = Field(default_factory=Digest.model_construct)
    privacy: Privacy = Field(default_factory=Privacy.model_construct)
    mail: Mail = Field(default_factory=Mail.model_construct)
    webhook: Webhook = Field(default_factory=Webhook.model_construct)
    limits: Limits = Field(default_factory=Limits.model_construct)
    store: Store = Field(default_factory=Store.model_construct)
    keep: Keep = Field(default_factory=Keep.model_construct)
    watching: Watching = Field(default_factory=Watching.model_construct)
