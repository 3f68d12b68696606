"""Settings: what they are called, what they mean, and their defaults, written once.

``config/*.toml`` override these; ``init`` writes the commented files from the same
descriptions.  All mistakes in a file are reported at once.
"""

import json
import os
import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal, TypeVar
from zoneinfo import ZoneInfo, available_timezones

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from afterclear.errors import ConfigError

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


class Digest(_Section):
    """How the pages speak."""

    units: Literal["km", "mi"] = Field("km", description="Distances on pages: km or mi.")
    title: str = Field("Fleet", max_length=80, description="Name at the top of every page.")


class Settings(_Section):
    """config/afterclear.toml."""

    evidence: Evidence = Evidence()
    digest: Digest = Digest()


class Source(_Section):
    """One place files come from."""

    name: str = Field(min_length=1, max_length=60, description="How the source is called.")
    folder: Path = Field(description="Folder whose files are loaded, with those below it.")
    pattern: str = Field("*", description="File names taken, e.g. *.csv")
    zone: str = Field("UTC", description="Time zone of times written without an offset.")
    vehicle: str | None = Field(
        None, description="Whose files these are, for bus logs that name no vehicle."
    )
    stale_after_days: float = Field(
        8, gt=0, description="Without a new file for so long, the digest says so."
    )

    @field_validator("zone")
    @classmethod
    def _known_zone(cls, zone: str) -> str:
        return check_zone(zone)


class Sources(_Section):
    """config/sources.toml."""

    source: tuple[Source, ...] = ()


class Job(_Section):
    """One line of the timetable."""

    at: str = Field(description="When, as five cron fields: minute hour day month weekday.")
    zone: str = Field("UTC", description="Time zone of these fields.")

    @field_validator("zone")
    @classmethod
    def _known_zone(cls, zone: str) -> str:
        return check_zone(zone)


class Timetable(_Section):
    """config/schedule.toml."""

    run: Job = Job(at="15 3 * * *")


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
        "schedule.toml": f"[run]\n{_commented(Job, {'at': Timetable().run.at})}",
    }
    return {name: f"# {_HEADS[name]}\n\n{body}" for name, body in bodies.items()}


def _commented(section: type[BaseModel], given: dict[str, str]) -> str:
    lines = []
    for name, about in section.model_fields.items():
        value = given.get(name, about.default)
        lines.append(f"# {about.description}")
        if value is None:
            lines.append(f"# {name} =")
        else:
            lines.append(f"{'' if name in given else '# '}{name} = {json.dumps(value)}")
    return "\n".join(lines) + "\n"


def check_zone(zone: str) -> str:
    """Give back the name of a known IANA time zone.

    Raises:
        ValueError: there is no such zone.

    """
    if zone not in available_timezones():
        raise ValueError(f"there is no time zone {zone!r}; use a name such as Europe/Berlin")
    return ZoneInfo(zone).key


class Config:
    """Everything under one config directory, over the built-in defaults."""

    def __init__(self, folder: Path | None) -> None:
        self.folder = folder
        problems: list[str] = []
        self.settings = _read(folder, "afterclear.toml", Settings, problems)
        self.sources = _read(folder, "sources.toml", Sources, problems).source
        self.timetable = _read(folder, "schedule.toml", Timetable, problems)
        if problems:
            raise ConfigError("\n".join(problems))

    @property
    def tables(self) -> Path:
        """Where the tables of codes and families are: the user's, where there are any."""
        own = self.folder / "codes" if self.folder else None
        return self.folder if self.folder and own and own.is_dir() else shipped("config")

    @property
    def imports(self) -> Path:
        """Where the import maps are: the config's own or, without a config, the examples."""
        return (self.folder or shipped("config")) / "imports"

    def source_folder(self, source: Source) -> Path:
        """Where a source's files are; a relative folder counts from the config's parent."""
        base = self.folder.parent if self.folder else Path()
        return base / source.folder.expanduser()


def find_config(given: Path | None) -> Config:
    """Read the config directory asked for, else ``./config`` if there, else the defaults.

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
    """Where a folder shipped with the program stands: in the wheel, or in a checkout."""
    inside = Path(str(files("afterclear"))) / "shipped" / name
    return inside if inside.is_dir() else Path(str(files("afterclear"))).parents[1] / name


def environment_secret(name: str) -> str:
    """Read a secret from the environment; secrets stand in no file.

    Raises:
        ConfigError: it is not set.

    """
    value = os.environ.get(name)
    if not value:
        raise ConfigError(f"The environment variable {name} is not set.")
    return value


def _read(folder: Path | None, name: str, model: type[Model], problems: list[str]) -> Model:
    path = folder / name if folder else None
    if path is None or not path.exists():
        return model()
    try:
        content: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))
        return model.model_validate(content)
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        problems.append(f"{path}: {error}")
    except ValidationError as error:
        problems += [
            f"{path}: {'.'.join(map(str, e['loc']))}: {e['msg']} (found {e['input']!r})"
            for e in error.errors()
        ]
    return model.model_construct()
