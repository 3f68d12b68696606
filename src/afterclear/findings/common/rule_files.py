"""Rules of the stock audit and the worklist, read from TOML files under ``config/``."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, TypeVar

from afterclear.errors import ConfigError

Record = TypeVar("Record")


@dataclass(frozen=True, slots=True)
class ReadinessRule:
    """How many monitors a programme allows to be incomplete, for some vehicles."""

    programme: str
    first_year: int
    may_be_incomplete: int
    source: str
    last_year: int = 0  # 0: no last year
    only: tuple[str, ...] = ()  # monitors that may be incomplete; empty: any
    not_counted: tuple[str, ...] = ()
    fuels: tuple[str, ...] = ()  # empty: any
    valid_from: str = ""


@dataclass(frozen=True, slots=True)
class StockRules:
    """When a vehicle in stock counts as ready.  Meanings are in ``stock_rules.toml``."""

    scan_age_days: float
    scan_age_km: float
    recent_clear_km: float
    recent_clear_warmups: float
    record_slack_km: float
    record_slack_share: float
    monitor_more_km: float
    monitor_km: Mapping[str, float]
    readiness: tuple[ReadinessRule, ...] = ()  # of the programme in use; empty: no programme

    def km_of(self, monitor: str) -> float:
        """Return the km after a clear in which a monitor usually completes."""
        return self.monitor_km.get(monitor, self.monitor_km["default"])


@dataclass(frozen=True, slots=True)
class WorklistRules:
    """How the worklist is ranked.  Meanings are in ``worklist_rules.toml``."""

    come_back: float
    currency: str
    min_orders: int
    min_fleet_orders: int
    safety_order: tuple[str, ...]
    quiet_days: float
    silent_scans: int


def read_stock_rules(path: Path) -> StockRules:
    """Read the rules of the stock audit.

    Raises:
        ConfigError: the file is missing or wrong; says where.

    """
    content = _read(path)
    limits = _table(content, "limits", path)
    monitors = {k: _number(v, k, path) for k, v in _table(content, "monitor_km", path).items()}
    if "default" not in monitors:
        raise ConfigError(f"{path}: [monitor_km] needs a line for default.")
    readiness = _table({"readiness": {}, **content}, "readiness", path)
    programme, entries = readiness.get("programme", ""), readiness.get("rule", [])
    if not isinstance(entries, list) or not all(isinstance(rule, dict) for rule in entries):
        raise ConfigError(f"{path}: every rule of readiness begins with [[readiness.rule]].")
    rules = tuple(_record(ReadinessRule, rule, path) for rule in entries)
    known = sorted({rule.programme for rule in rules})
    if programme and programme not in known:
        raise ConfigError(f"{path}: no rule of a programme {programme!r}; there are {known}.")
    return _record(
        StockRules,
        {
            **{key: _number(value, key, path) for key, value in limits.items()},
            "monitor_km": monitors,
            "readiness": tuple(r for r in rules if r.programme == programme),
        },
        path,
    )


def read_worklist_rules(path: Path) -> WorklistRules:
    """Read how the worklist is ranked.

    Raises:
        ConfigError: the file is missing or wrong; says where.

    """
    content = _read(path)
    cost, ranking = _table(content, "cost", path), _table(content, "ranking", path)
    for table, names in (
        (cost, ("come_back", "min_orders", "min_fleet_orders")),
        (ranking, ("quiet_days", "silent_scans")),
    ):
        for name in names:
            _number(table.get(name), name, path)
    return _record(WorklistRules, {**cost, **ranking}, path)


def _read(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        raise ConfigError(f"{path} is missing.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigError(f"{path}: {error}") from error


def _table(content: Mapping[str, Any], name: str, path: Path) -> dict[str, Any]:
    table = content.get(name)
    if not isinstance(table, dict):
        raise ConfigError(f"{path}: there must be a section [{name}].")
    return table


def _number(value: object, name: str, path: Path) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or value < 0:
        raise ConfigError(f"{path}: {name} must be a number of 0 or more, not {value!r}.")
    return value


def _record(record: type[Record], content: Mapping[str, Any], path: Path) -> Record:
    """Build a record from a table; lists become tuples."""
    known = {f.name for f in fields(record)}  # type: ignore[arg-type]
    unknown = sorted(set(content) - known)
    if unknown:
        raise ConfigError(f"{path}: there is no key {unknown[0]!r}; there are {sorted(known)}.")
    values = {k: tuple(v) if isinstance(v, list) else v for k, v in content.items()}
    try:
        return record(**values)
    except TypeError as error:
        raise ConfigError(f"{path}: {error}") from error
