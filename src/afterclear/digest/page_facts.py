"""What a vehicle's page is made from, as one fingerprint: the same facts, the same page.  Pure.

A page is written again only when its facts changed.  Facts are all columns of the vehicle's rows
that pages read, and what they are shown with; the day of the digest is none of them.  Where a page
does depend on that day (when a fix on watch would be proven, how far an odometer is carried
forward), it holds from the day it was made until the first day on which it may say something else.

Figures worked out from the whole fleet change every night in some digit.  They count as they are
told: in words here, or rounded before any page is made of them (``commands/pages/page_frames.py``).
"""

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl

from afterclear.catalogue.component import component_of
from afterclear.digest.common.assess import Setting
from afterclear.digest.common.attempt_reasons import likes_said
from afterclear.digest.common.model import PageHead
from afterclear.digest.common.rise_words import coming_words
from afterclear.digest.common.worklist_lines import cost_said
from afterclear.digest.input.finding_rows import FINDING_ROWS, RecurringCode, WorkRow
from afterclear.digest.input.frames import FRAME_ROWS, HISTORY_MARKS, VEHICLE_FINDINGS
from afterclear.digest.input.mileage import Usual
from afterclear.digest.input.row_frames import read_rows
from afterclear.digest.sheet.tried_parts import folded, is_of, part_said
from afterclear.digest.vehicle.vehicle_model import VehiclePage
from afterclear.finding_tables.costs import Cost
from afterclear.finding_tables.forecast import Forecast
from afterclear.finding_tables.recurrence import Worsening
from afterclear.wording.cells import Cells
from afterclear.wording.cures import fault_cures
from afterclear.wording.findings import finding_words
from afterclear.wording.work import deed_words, ground_words

_NO_DAY = datetime(1970, 1, 1, tzinfo=UTC)

_ByVehicle = Mapping[str, str]


@dataclass(frozen=True, slots=True)
class PageFacts:
    """What a vehicle's page was made from, and for which days it holds."""

    facts: str  # SHA-256 in hexadecimal
    since: datetime  # as of when it was made
    until: datetime | None  # from then on it may say something else; None: never by itself
    files: Mapping[str, str]  # the page, and its sheet if it has one: file name -> SHA-256

    def hold(self, facts: str, as_of: datetime) -> bool:
        """Whether a page made now of ``facts`` would be the same."""
        in_time = self.since <= as_of and (self.until is None or as_of < self.until)
        return in_time and self.facts == facts


def holds_until(page: VehiclePage, setting: Setting) -> datetime | None:
    """Return the first instant at which a page made now may say something else of the same facts.

    Only fixes on watch look ahead: "about 7 Jan" becomes "now" on that day, and an odometer that
    was not read for too long is not carried forward.
    """
    dues = [view.due for view in page.attempts if view.due is not None]
    if not dues or not isinstance(page.usual, Usual):
        return None
    silent_from = page.usual.last_at + timedelta(days=setting.settings.extrapolate_days)
    # a microsecond later it is silent; one instant earlier does no harm
    turns = [silent_from, *(due.on for due in dues if isinstance(due.on, datetime))]
    return min((turn for turn in turns if turn > setting.as_of), default=None)


def shown_with(setting: Setting, head: PageHead, program: str) -> str:
    """Sum up what all vehicles' pages of a digest share; ``program``: of what makes them."""
    told = [
        program,
        repr(replace(head, as_of=_NO_DAY, tables=frozenset())),
        repr(sorted(head.tables)),
        repr(setting.settings),
        repr(sorted(setting.cautions.items())),
    ]
    return hashlib.sha256("\x1e".join(told).encode("utf-8", "surrogatepass")).hexdigest()


def page_facts(
    tables: Mapping[str, pl.DataFrame], vehicle_ids: Iterable[str], setting: Setting, shared: str
) -> dict[str, str]:
    """Return the facts of each vehicle's page; ``shared``: from ``shown_with``."""
    told = [
        *_plain_facts(tables),
        *_told_facts(tables, setting),
        dict(tables[HISTORY_MARKS].iter_rows()) if HISTORY_MARKS in tables else {},
        _parts_told(tables, setting),
        _cures_told(tables, setting),
        _coming_told(tables, vehicle_ids, setting),
    ]
    return {
        vehicle_id: _sum(
            [shared, vehicle_id, str(vehicle_id in setting.grounded)],
            (own.get(vehicle_id, "") for own in told),
        )
        for vehicle_id in vehicle_ids
    }


def _sum(first: Iterable[str], rest: Iterable[str]) -> str:
    digest = hashlib.sha256()
    for part in (*first, *rest):
        digest.update(part.encode("utf-8", "surrogatepass"))
        digest.update(b"\x1e")
    return digest.hexdigest()


def _plain_facts(tables: Mapping[str, pl.DataFrame]) -> Iterator[_ByVehicle]:
    """Yield the rows that count as they are, by vehicle, a table at a time."""
    kinds = FRAME_ROWS | {n: FINDING_ROWS[n] for n in VEHICLE_FINDINGS if n not in _TOLD}
    for name, kind in kinds.items():
        left_out = _IN_WORDS.get(name, ())
        if name in tables:
            yield _rows_told(tables[name], [f.name for f in fields(kind) if f.name not in left_out])


def _rows_told(frame: pl.DataFrame, columns: Iterable[str]) -> _ByVehicle:
    own = [name for name in columns if name in frame.columns]
    told = frame.select("vehicle_id", pl.struct(own).struct.json_encode().alias("row"))
    joined = told.group_by("vehicle_id", maintain_order=True).agg(pl.col("row").str.join("\n"))
    return dict(joined.iter_rows())


def _told_facts(tables: Mapping[str, pl.DataFrame], setting: Setting) -> Iterator[_ByVehicle]:
    """Yield what counts as the page words it."""
    attempts = tables["attempts"].select(
        "vehicle_id", "clock", "n_group", "group_returned", "stayed"
    )
    clocks = {vehicle_id: clock for vehicle_id, clock, *_ in attempts.iter_rows()}
    cells = {clock: setting.on_clock(clock).cells for clock in ("km", *clocks.values())}
    for name, words in _TOLD.items():
        if name in tables:
            rows = read_rows(tables[name], FINDING_ROWS[name])
            yield _joined(
                (row.vehicle_id, words(row, cells[clocks.get(row.vehicle_id, "km")]))
                for row in rows
            )
    yield _joined(
        (vehicle_id, likes_said(n, back or 0, setting.cells) if n and not stayed else "")
        for vehicle_id, _, n, back, stayed in attempts.iter_rows()
    )


def _joined(told: Iterable[tuple[str, str]]) -> _ByVehicle:
    found: dict[str, list[str]] = {}
    for vehicle_id, words in told:
        found.setdefault(vehicle_id, []).append(words)
    return {vehicle_id: "\n".join(words) for vehicle_id, words in found.items()}


def _parts_told(tables: Mapping[str, pl.DataFrame], setting: Setting) -> _ByVehicle:
    """Return what a sheet may warn of: short-lived parts fitted, or of the kind of a fault."""
    numbers, kinds = (_by_vehicle(tables, *at) for at in (_NUMBERS, _FAMILIES))
    return _joined(
        (vehicle_id, part_said(part, setting.cells))
        for part in setting.short_lived
        for vehicle_id in sorted(
            {v for v, own in numbers.items() if folded(part.part_number) in map(folded, own)}
            | {v for v, own in kinds.items() if any(is_of(part, family) for family in own)}
        )
    )


def _cures_told(tables: Mapping[str, pl.DataFrame], setting: Setting) -> _ByVehicle:
    """Return what cured the faults a vehicle has, as its page and its sheet say it."""
    said = {
        component: "\n".join(fault_cures(cures, setting.cells))
        for component, cures in setting.cures.items()
    }
    is_open = pl.col("ended_by") == "open"
    faults = (
        tables["episodes"].filter(is_open).select("vehicle_id", "family").unique().sort(pl.all())
    )
    return _joined(
        (vehicle_id, said[component])
        for vehicle_id, family in faults.iter_rows()
        if (component := component_of(family or "")) in said
    )


def _coming_told(
    tables: Mapping[str, pl.DataFrame], vehicle_ids: Iterable[str], setting: Setting
) -> _ByVehicle:
    """Return what to expect of vehicles, as their pages and sheets say it."""
    chances: dict[str, float] = {}
    if "forecast" in tables and setting.forecast_holds:
        chances = dict(tables["forecast"].select("vehicle_id", "p_any").iter_rows())
    return {
        vehicle_id: "\n".join(
            coming_words(chances.get(vehicle_id), nexts, setting.cells)
            + tuple(repr(setting.cautions_of(row.fault)) for row, _ in nexts)
        )
        for vehicle_id in vehicle_ids
        for nexts in [setting.rises.next.get(vehicle_id, ())]
    }


def _by_vehicle(
    tables: Mapping[str, pl.DataFrame], column: str, names: Iterable[str]
) -> Mapping[str, set[str]]:
    found: dict[str, set[str]] = {}
    for name in names:
        pairs = tables[name].select("vehicle_id", column).drop_nulls().unique()
        for vehicle_id, value in pairs.iter_rows():
            found.setdefault(vehicle_id, set()).add(value)
    return found


def _recurring(row: RecurringCode, cells: Cells) -> str:
    return repr((row.ecu, row.code, finding_words(row, cells))) if row.flagged else ""


def _worsening(row: Worsening, cells: Cells) -> str:
    is_told = row.trend in {"worsening", "improving"}
    return repr((row.trend, finding_words(row, cells) if is_told else ""))


def _cost(row: Cost, cells: Cells) -> str:
    return repr((row.days, finding_words(row, cells)))


def _by_coming(_row: Forecast, _cells: Cells) -> str:
    """Nothing: ``_coming_told`` says it, with the rises."""
    return ""


def _work(row: WorkRow, cells: Cells) -> str:
    """Tell a line of work as a page or a sheet does: nobody is shown its rank."""
    cost = cost_said(row)
    told = (
        *(row.audience, row.rank is None, row.kind, row.safety, row.urgency, row.since_at),
        *(row.attempt_ids, row.codes, row.meaning, row.decision, row.note),
        *(deed_words(row.deeds, cells), len(json.loads(row.deeds))),
        *(ground_words(row.grounds, cells), ground_words(row.looks, cells)),
        *(bool(cost), cells.money(cost, row.currency), row.p_not_fixed == 1),
    )
    return repr(told)


_TOLD: dict[str, Callable[[Any, Cells], str]] = {
    "recurring": _recurring,
    "worsening": _worsening,
    "costs": _cost,
    "worklist": _work,
    "forecast": _by_coming,
}
_NUMBERS = ("part_number", ("repairs",))
_FAMILIES = ("family", ("attempts", "episodes"))
# columns that are told by ``likes_said``
_IN_WORDS = {"attempts": ("n_group", "group_returned")}
