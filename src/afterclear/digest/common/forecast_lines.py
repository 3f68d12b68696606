"""What is coming, as the fleet page tells it: most expected work, parts to have, the record.  Pure.

The record decides how it is told: without one, or with a bad one, no parts are advised.
"""

from dataclasses import dataclass

from afterclear.digest.common.assess import Setting
from afterclear.digest.input.frames import Caution
from afterclear.finding_tables.forecast import (
    LEAST_QUARTERS,
    Forecast,
    ForecastPart,
    ForecastQuarter,
    is_trusted,
)
from afterclear.wording.cells import capital

_MOST = 8  # components and parts; the file beside the page has all
_SOON, _LATER = 30, 90


@dataclass(frozen=True, slots=True)
class ComingLine:
    """One component: failures to expect in the next 30 and 90 days."""

    component: str  # in words
    soon: Forecast
    later: Forecast


@dataclass(frozen=True, slots=True)
class PartLine:
    """One kind of part: pieces that are enough."""

    family: str
    part: str  # in words
    number: str  # with its brand; empty: no number is mostly fitted
    expected: float  # in 90 days
    keep_soon: int
    keep_later: int


@dataclass(frozen=True, slots=True)
class ComingView:
    """The section of the fleet page."""

    soon: Forecast
    later: Forecast
    lines: tuple[ComingLine, ...]
    n_components: int
    parts: tuple[PartLine, ...]  # empty: the record allows no advice, or none is needed
    n_parts: int
    is_advised: bool
    record: tuple[ForecastQuarter, ...]
    n_held: int
    has_record: bool
    cautions: tuple[Caution, ...]


def coming_view(
    rows: tuple[Forecast, ...],
    parts: tuple[ForecastPart, ...],
    record: tuple[ForecastQuarter, ...],
    setting: Setting,
) -> ComingView | None:
    """Choose what the fleet page shows; None: nothing can be forecast."""
    whole = {row.days: row for row in rows if row.level == "fleet"}
    if _SOON not in whole or _LATER not in whole:
        return None
    soon = {row.component: row for row in rows if row.level == "component" and row.days == _SOON}
    later = [row for row in rows if row.level == "component" and row.days == _LATER]
    both = sorted(
        (row for row in later if row.component in soon),
        key=lambda row: (-row.expected, row.component or ""),
    )
    shown = both[:_MOST]
    needed = _part_lines(parts, setting)
    n_held = sum(quarter.held for quarter in record)
    kinds = [row.component or "" for row in shown] + [line.family for line in needed[:_MOST]]
    return ComingView(
        soon=whole[_SOON],
        later=whole[_LATER],
        lines=tuple(
            ComingLine(capital(setting.cells.t(row.label or "")), soon[row.component], row)
            for row in shown
        ),
        n_components=len(both),
        parts=needed[:_MOST],
        n_parts=len(needed),
        # not of the parts: where no order fitted any, the record may hold all the same
        is_advised=is_trusted(len(record), n_held),
        record=record,
        n_held=n_held,
        has_record=len(record) >= LEAST_QUARTERS,
        cautions=tuple(dict.fromkeys(each for kind in kinds for each in setting.cautions_of(kind))),
    )


def _part_lines(parts: tuple[ForecastPart, ...], setting: Setting) -> tuple[PartLine, ...]:
    """Pair the pieces of both horizons; only what is advised and needed at all."""
    soon = {part.part_family: part for part in parts if part.days == _SOON}
    later = [part for part in parts if part.days == _LATER and part.is_advised and part.keep]
    return tuple(
        PartLine(
            family=part.part_family,
            part=capital(setting.cells.t(part.label)),
            number=" ".join(each for each in (part.part_brand, part.part_number) if each),
            expected=part.expected,
            keep_soon=soon[part.part_family].keep,
            keep_later=part.keep,
        )
        for part in sorted(later, key=lambda part: (-part.expected, part.part_family))
        if part.part_family in soon
    )
