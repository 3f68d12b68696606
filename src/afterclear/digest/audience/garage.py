"""Attempts and findings -> the garage page's model.  Pure."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

import polars as pl

from afterclear.digest.audience.chart_numbers import (
    FEW,
    held_chart,
    lately,
    lately_words,
    life_chart,
)
from afterclear.digest.audience.compared import changed_view, group_tables, holder_name, part_chart
from afterclear.digest.audience.costs import CostView
from afterclear.digest.audience.garage_model import (
    ClaimLine,
    GaragePage,
    GroupTable,
    Look,
    PartView,
    ProcessTable,
)
from afterclear.digest.audience.orders import orders_pages
from afterclear.digest.audience.shown_vehicles import CommonViews
from afterclear.digest.common.choosing import MOST
from afterclear.digest.common.rise_lines import rises_view
from afterclear.digest.common.savings import price_of, saving, saving_source, saving_words
from afterclear.digest.input.findings_by_page import Findings
from afterclear.digest.input.row_frames import read_rows
from afterclear.finding_tables.parts import Claim, Part, life_told, ratio_told
from afterclear.finding_tables.sites import ComparedGroup, Process, ProcessCost
from afterclear.wording.cells import Cells, Dash, capital
from afterclear.wording.code_words import code_text
from afterclear.wording.findings import finding_words
from afterclear.wording.language import mark

_MOST_SHEETS = 6  # parts with a picture and claim sheet of their own; the rest by ``export claims``
# names of habits: the findings' names -> words for a heading
PROCESS_WORDS: dict[str, str] = {
    "bare_clears": mark("Codes cleared without a repair"),
    "bare_clears_that_came_back": mark("Of these, codes that came back"),
    "no_scan_after_repair": mark("Repairs without a scan afterwards"),
    "part_fitted_again": mark("The same part fitted again for the same fault"),
    "come_backs": mark("Repeat work after a fix that did not hold"),
    "parts_that_changed_nothing": mark("Parts after which the fault came back"),
}

_LASTS: dict[str, str] = {
    "estimate": mark("lasts {ratio} as long as similar parts (likely between {low} and {high})."),
    "at_most": mark("lasts at most {high} as long as similar parts."),
    "at_least": mark("lasts at least {low} as long as similar parts."),
}


# a workshop's own group; a model's rises are the fleet manager's
_RISE_LEVELS = frozenset({"site"})


def build_garage_page(
    findings: Findings, common: CommonViews, spent: CostView | None
) -> GaragePage:
    """Put the garage page together."""
    choice, cells = common.choice, common.setting.cells
    people = common.setting.settings.technicians
    groups = group_tables(findings.holders, cells, people=people)
    process = _process_tables(findings)
    parts = _part_views(findings, common)
    return GaragePage(
        head=common.head,
        looks=_looks(groups, parts, process, findings, cells),
        changes=common.changes,
        tallies=common.tallies,
        n_back_recently=choice.failed.n + choice.failed_again.n,
        look_back_days=common.setting.settings.look_back_days,
        held=held_chart(findings.held_by_quarter, cells),
        groups=groups,
        process=process,
        parts=parts,
        changed=changed_view(findings.interventions, cells),
        lives=part_chart(parts, cells),
        unjudged_parts=sum(p.grouping in {None, "number"} for p in findings.parts) - len(parts),
        unchecked=common.shown(choice.unchecked_by_vehicle),
        n_unchecked=choice.unchecked_by_vehicle.n,
        costs=common.costs,
        spent=spent,
        rises=rises_view(common.setting, common.roster, _RISE_LEVELS),
        few=FEW,
        shows_people=people,
        orders=orders_pages(groups, parts, findings, common),
    )


def _process_tables(findings: Findings) -> tuple[ProcessTable, ...]:
    by_finding = defaultdict(list)
    for row in findings.process:
        by_finding[row.finding].append(row)
    costs = defaultdict(list)
    for cost in findings.process_costs:
        costs[cost.finding].append(cost)
    return tuple(
        ProcessTable(
            name,
            tuple(sorted(by_finding[name], key=_by_share)),
            tuple(sorted(costs[name], key=_by_cost)),
        )
        for name in sorted(by_finding.keys() | costs.keys(), key=_process_order)
    )


def _by_share(row: Process) -> tuple[bool, float, str]:
    return (not row.flagged, -(row.share or 0), row.site or "")


def _by_cost(row: ProcessCost) -> tuple[str, float, str]:
    return (row.currency or "", -row.cost, row.site or "")


def _process_order(name: str) -> tuple[int, str]:
    known = list(PROCESS_WORDS)
    return (known.index(name) if name in known else len(known), name)


def site_name(site: str | None, cells: Cells) -> str:
    """Name a site, or write that it is not known."""
    return site or cells.t("site not known")


def part_name(part: Part, cells: Cells) -> str:
    """Name a part: what it is, its brand and number."""
    named = part.family_label or part.part_family.replace("_", " ")
    what = capital(code_text(named, cells.words))
    number_and_brand = " ".join(bit for bit in (part.part_brand, part.part_number) if bit)
    where = f", {code_text(part.position, cells.words)}" if part.position else ""
    return f"{what}{where}: {number_and_brand or cells.t('no number or brand recorded')}"


def _part_views(findings: Findings, common: CommonViews) -> tuple[PartView, ...]:
    """Show parts of which a unit failed; the flagged ones with a picture and a claim sheet."""
    roster, cells = common.roster, common.setting.cells
    compared = [part for part in findings.parts if part.grouping in {None, "number"}]
    notable = [part for part in compared if part.n_failed or part.flagged]
    notable.sort(key=lambda p: (not p.flagged, p.life_ratio_to_peers or 9.0, -p.n_failed))
    views = []
    for i, part in enumerate(notable):
        own = _claims_of(part, findings.claims) if part.flagged and i < _MOST_SHEETS else None
        sheet = own is not None and not own.is_empty()
        failed = own.filter("failed") if own is not None and sheet else None
        shown = [] if failed is None else read_rows(failed.head(MOST), Claim)
        views.append(
            PartView(
                row=part,
                life_told=life_told(part),
                ratio_told=ratio_told(part),
                name=part_name(part, cells),
                target=f"part-{i + 1}" if sheet else "",
                life=life_chart(part, own, cells) if own is not None and sheet else Dash(""),
                claims=tuple(ClaimLine(c, roster.ref(c.vehicle_id)) for c in shown),
                n_claims=0 if failed is None else failed.height,
                claims_cost="" if failed is None else _part_costs(failed, cells),
                cautions=common.setting.part_cautions.get(part.part_family, ()),
            )
        )
    return tuple(views)


def _claims_of(part: Part, claims: pl.DataFrame) -> pl.DataFrame:
    if claims.is_empty():
        return claims
    return claims.filter(
        pl.col("part_number").eq_missing(pl.lit(part.part_number, pl.String))
        & pl.col("part_brand").eq_missing(pl.lit(part.part_brand, pl.String))
        & (pl.col("part_family") == part.part_family)
    )


def _part_costs(failed: pl.DataFrame, cells: Cells) -> str:
    """Add up what the parts cost, each currency apart, if all of them have a price."""
    if failed["part_cost"].has_nulls():
        return ""
    sums = failed.group_by("currency").agg(pl.col("part_cost").sum()).sort("currency")
    return ", ".join(cells.money(cost, currency) for currency, cost in sums.iter_rows())


def _looks(
    groups: Sequence[GroupTable],
    parts: Sequence[PartView],
    process: Sequence[ProcessTable],
    findings: Findings,
    cells: Cells,
) -> tuple[Look, ...]:
    """List what was flagged: sites, technicians and brands, then parts, then habits.

    What is over comes last: a meeting begins with what is so now.
    """
    looks = [
        _group_look(row, findings, cells) for table in groups for row in table.rows if row.flagged
    ]
    looks += [
        Look(view.name, finding_words(view.row, cells), view.target or "parts", _life(view, cells))
        for view in parts
        if view.row.flagged
    ]
    looks += [
        Look(
            f"{site_name(row.site, cells)}: "
            f"{cells.t(PROCESS_WORDS.get(table.finding, table.finding))}",
            said := finding_words(row, cells),
            f"habit-{i}",
            said,
        )
        for i, table in enumerate(process, start=1)
        for row in table.rows
        if row.flagged
    ]
    return tuple(sorted(looks, key=lambda look: look.is_over))


def _group_look(row: ComparedGroup, findings: Findings, cells: Cells) -> Look:
    short = cells.t(
        "{observed} come-backs observed, {expected} expected: {ratio} times ({low} to {high}); "
        "{n} repairs judged.",
        observed=cells.number(row.observed),
        expected=cells.number(row.expected, 1),
        ratio=cells.number(row.ratio, 1),
        low=cells.number(row.ratio_low, 1),
        high=cells.number(row.ratio_high, 1),
        n=cells.number(row.n_judged),
    )
    name, place = holder_name(row.name, row.level, cells), f"level-{row.level}"
    look = Look(name, finding_words(row, cells), place, short)
    now = lately(row)
    if now is not None:
        said = lately_words(now, cells)
        look = replace(
            look,
            sentence=f"{look.sentence} {said}",
            short=f"{look.short} {said}",
            is_over=now.is_as_the_fleet,
        )
    spared = saving(row)
    if spared is None:
        return look
    price = price_of(row, findings.repeat_prices, findings.process_costs)
    return replace(
        look,
        saving=saving_words(spared, price, cells),
        saving_source=saving_source(price, cells),
    )


def _life(view: PartView, cells: Cells) -> str:
    row = view.row
    failed = cells.t(
        "{n} of {all} failed", n=cells.number(row.n_failed), all=cells.number(row.n_fitted)
    )
    if view.ratio_told not in _LASTS:
        return f"{failed}."
    lasts = cells.t(
        _LASTS[view.ratio_told],
        ratio=cells.times(row.life_ratio_to_peers),
        low=cells.times(row.ratio_low),
        high=cells.times(row.ratio_high),
    )
    return f"{failed}; {lasts}"
