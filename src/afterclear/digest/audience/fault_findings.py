"""Recurring codes for the fleet page.  Pure."""

from dataclasses import dataclass

import polars as pl

from afterclear.digest.common.assess import Setting, fault_of
from afterclear.digest.common.choosing import MOST
from afterclear.digest.common.model import Fault, VehicleRef
from afterclear.digest.common.roster import Roster
from afterclear.digest.input.finding_rows import RecurringCode
from afterclear.digest.input.findings_by_page import Findings
from afterclear.digest.input.frames import Details, in_chunks
from afterclear.digest.input.row_frames import read_rows

_MOST_ROWS, _MOST_COLUMNS = 15, 10


@dataclass(frozen=True, slots=True)
class RecurringView:
    """A recurring code with its vehicle and what it is about."""

    row: RecurringCode
    vehicle: VehicleRef
    fault: Fault


@dataclass(frozen=True, slots=True)
class MatrixCell:
    """How often codes of one family began again on one vehicle."""

    n_episodes: int
    flagged: bool


@dataclass(frozen=True, slots=True)
class Matrix:
    """Vehicles by families: how often codes began, where they did more than once."""

    families: tuple[str, ...]  # most flagged first
    rows: tuple[tuple[VehicleRef, tuple[MatrixCell | None, ...]], ...]
    n_vehicles_left_out: int
    n_families_left_out: int


@dataclass(frozen=True, slots=True)
class FaultFindings:
    """What the fleet page shows of recurring codes."""

    recurring: tuple[RecurringView, ...]  # flagged ones, surest first
    n_recurring: int  # flagged in all
    n_recurring_judged: int
    matrix: Matrix | None


def fault_findings(
    findings: Findings, roster: Roster, details: Details, setting: Setting
) -> FaultFindings:
    """Gather what was flagged, and how many were examined."""
    flagged = findings.recurring.filter(pl.col("flagged")).sort(
        pl.col("q_value").fill_null(1.0),
        -pl.col("n_episodes").cast(pl.Int64),
        pl.col("vehicle_id"),
        maintain_order=True,
    )
    return FaultFindings(
        recurring=_recurring(flagged.head(MOST), roster, details, setting),
        n_recurring=flagged.height,
        n_recurring_judged=findings.recurring.height,
        matrix=_matrix(findings.recurring, roster),
    )


def _recurring(
    shown: pl.DataFrame, roster: Roster, details: Details, setting: Setting
) -> tuple[RecurringView, ...]:
    rows = {
        (row.vehicle_id, row.ecu, row.code, row.family): row
        for tables in in_chunks(details, shown["vehicle_id"], ("recurring",))
        for row in read_rows(tables["recurring"], RecurringCode)
    }
    keys = shown.select("vehicle_id", "ecu", "code", "family").iter_rows()
    return tuple(
        RecurringView(row, roster.ref(row.vehicle_id), fault_of(row, setting))
        for row in (rows[key] for key in keys)
    )


_FAMILY = pl.coalesce("family_label", pl.coalesce("family", "code").str.replace_all("_", " "))


def _matrix(judged: pl.DataFrame, roster: Roster) -> Matrix | None:
    """Count by vehicle and family: families with something flagged, and vehicles with those."""
    rows = judged.with_columns(of=_FAMILY)
    flagged = rows.filter(pl.col("flagged"))
    if flagged.is_empty():
        return None
    families = _by_weight(flagged, "of")
    shown_families = families[:_MOST_COLUMNS]
    # a vehicle whose flagged codes all belong to other families would be a row of empty boxes
    seen = flagged.filter(pl.col("of").is_in(list(shown_families)))
    shown_vehicles = _by_weight(seen, "vehicle_id")[:_MOST_ROWS]
    counts: dict[tuple[str, str], MatrixCell] = {
        (vehicle, family): MatrixCell(n, flagged=bool(is_flagged))
        for vehicle, family, n, is_flagged in rows.filter(
            pl.col("vehicle_id").is_in(list(shown_vehicles))
        )
        .group_by("vehicle_id", "of")
        .agg(pl.col("n_episodes").sum(), pl.col("flagged").any())
        .iter_rows()
    }
    return Matrix(
        families=shown_families,
        rows=tuple(
            (roster.ref(v), tuple(counts.get((v, family)) for family in shown_families))
            for v in shown_vehicles
        ),
        n_vehicles_left_out=flagged["vehicle_id"].n_unique() - len(shown_vehicles),
        n_families_left_out=len(families) - len(shown_families),
    )


def _by_weight(rows: pl.DataFrame, name: str) -> tuple[str, ...]:
    weights = rows.group_by(name).agg(pl.col("n_episodes").cast(pl.Int64).sum())
    return tuple(weights.sort("n_episodes", name, descending=[True, False])[name])
