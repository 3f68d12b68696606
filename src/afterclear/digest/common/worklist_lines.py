"""The analysis's ranked work list -> lines of the pages.  Pure."""

import json
from dataclasses import dataclass

import polars as pl

from afterclear.digest.common import file_names
from afterclear.digest.common.assess import Setting
from afterclear.digest.common.choosing import MOST
from afterclear.digest.common.model import SitePlan, VehicleRef, WorkFacts, WorkItem
from afterclear.digest.common.roster import Roster
from afterclear.digest.input.finding_rows import WorkRow
from afterclear.digest.input.frames import Caution, Details, in_chunks
from afterclear.digest.input.row_frames import read_rows
from afterclear.reasons import Urgency, WorkReason

_SOON = pl.col("urgency").is_in([Urgency.DO_NOT_DRIVE, Urgency.BOOK_THIS_WEEK])


@dataclass(frozen=True, slots=True)
class Work:
    """The work to do, as far as a page shows it, and how much there is."""

    shown: tuple[WorkItem, ...]  # vehicles to bring in, then those to scan
    n_bring_in: int
    n_bring_in_safety: int
    n_scan: int
    cautions: tuple[Caution, ...]  # each once, of all of it
    n_do_not_drive: int
    n_this_week: int  # to bring in this week, those not to be driven included
    plan: tuple[SitePlan, ...]  # by site, the most work first


def ranked_work(
    worklist: pl.DataFrame, audience: str, roster: Roster, details: Details, setting: Setting
) -> Work:
    """List one audience's lines: vehicles to bring in, then those to scan, each by its rank.

    ``worklist``: every line, with the columns of ``findings_by_page.SLIM``.
    """
    own = worklist.filter((pl.col("audience") == audience) & pl.col("rank").is_not_null())
    is_bring_in = pl.col("kind") == "bring_in"
    own = own.sort(is_bring_in, "rank", descending=[True, False], maintain_order=True)
    bring_in, scan = own.filter(is_bring_in), own.filter(is_bring_in.fill_null(value=True).not_())
    shown = pl.concat([bring_in.head(MOST), scan.head(MOST)])
    key = ("audience", "kind", "rank")
    rows: dict[tuple[object, ...], WorkRow] = {}
    for tables in in_chunks(details, shown["vehicle_id"], ("worklist",)):
        for row in read_rows(tables["worklist"], WorkRow):
            rows[row.vehicle_id, *(getattr(row, name) for name in key)] = row
    picked = [rows[keys] for keys in shown.select("vehicle_id", *key).iter_rows()]
    safety = own.filter(pl.col("safety"))["codes"].unique(maintain_order=True)
    return Work(
        shown=tuple(ranked_item(row, roster.ref(row.vehicle_id), setting) for row in picked),
        n_bring_in=bring_in.height,
        n_bring_in_safety=bring_in.filter(pl.col("safety")).height,
        n_scan=scan.height,
        cautions=tuple(dict.fromkeys(c for codes in safety for c in _cautions(codes, setting))),
        n_do_not_drive=own.filter(pl.col("urgency") == Urgency.DO_NOT_DRIVE).height,
        n_this_week=bring_in.filter(_SOON).height,
        plan=_plan(own.filter(_SOON)),
    )


def _plan(soon: pl.DataFrame) -> tuple[SitePlan, ...]:
    """Add up each site's lines that cannot wait for the next visit."""
    plans = []
    for (site,), own in soon.group_by("site", maintain_order=True):
        work = own.filter(pl.col("kind") == "bring_in")
        priced = work.filter(
            pl.col("cost_grounds").map_elements(_is_of_such_work, return_dtype=pl.Boolean)
        )
        costs = priced.group_by("currency").agg(pl.col("usual_cost").sum())
        plans.append(
            SitePlan(
                site=str(site) if site is not None else None,
                n_do_not_drive=own.filter(pl.col("urgency") == Urgency.DO_NOT_DRIVE).height,
                n_repair=work.height,
                n_scan=own.height - work.height,
                n_priced=priced.height,
                costs=tuple(costs.sort("currency").select("usual_cost", "currency").iter_rows()),
            )
        )
    return tuple(sorted(plans, key=lambda p: (-p.n_repair, -p.n_scan, p.site or "")))


def ranked_item(row: WorkRow, ref: VehicleRef, setting: Setting) -> WorkItem:
    """Show one line of the list."""
    # what comes first may be about no code, as a unit that gives no answer
    code = next(iter(json.loads(row.codes or "[]")), None) if row.meaning else None
    return WorkItem(
        vehicle=ref,
        action="bring_in" if row.kind == "bring_in" else "scan",
        safety=row.safety,
        cautions=_cautions(row.codes, setting) if row.safety else (),
        facts=WorkFacts(
            deeds=row.deeds,
            grounds=row.grounds,
            looks=row.looks,
            cost=cost_said(row),
            is_usual_cost=row.p_not_fixed == 1,
            currency=row.currency,
            decision=row.decision,
            note=row.note,
        ),
        urgency=Urgency(row.urgency) if row.urgency else None,
        since=row.since_at,
        code=code,
        meaning=row.meaning if row.meaning != code else None,
        n_more=len(json.loads(row.deeds)) - 1,
        sheet_href=file_names.sheet_page(ref.vehicle_id),
    )


def cost_said(row: WorkRow) -> float | None:
    """Return the cost to show: none where life is at stake, or for several works, or a guess."""
    if row.safety or (row.p_not_fixed == 1 and len(json.loads(row.deeds)) > 1):
        return None
    return row.expected_loss if _is_of_such_work(row.cost_grounds) else None


def _is_of_such_work(cost_grounds: str | None) -> bool:
    """Whether every cost comes from orders on the same component.

    The median of orders on anything, or a setting, ranks lines; it is no estimate of one work.
    """
    bases = [name for name, _ in json.loads(cost_grounds or "[]")]
    return bool(bases) and set(bases) == {WorkReason.COST_OF_COMPONENT}


def _cautions(codes_json: str | None, setting: Setting) -> tuple[Caution, ...]:
    codes: list[str] = json.loads(codes_json) if codes_json else []
    found = (caution for code in codes for caution in setting.cautions.get(code, ()))
    return tuple(dict.fromkeys(found))
