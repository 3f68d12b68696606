"""The work behind the figures of the garage page: a page each for a site, brand or part.  Pure.

A number that nobody can look behind is not believed.  The lists show the latest ``LISTED`` lines;
the counts above them are those of the figures, and a file beside the pages has all.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Final

from afterclear.catalogue.codes import split_codes
from afterclear.digest.audience.compared import holder_name
from afterclear.digest.audience.garage_model import (
    ClaimLine,
    GroupTable,
    OrderLine,
    OrderList,
    OrdersPage,
    PartView,
)
from afterclear.digest.audience.shown_vehicles import CommonViews
from afterclear.digest.common.choosing import MOST
from afterclear.digest.common.file_names import quality_page
from afterclear.digest.common.model import Fault
from afterclear.digest.input.finding_rows import HabitWork, QualityWork
from afterclear.digest.input.findings_by_page import Findings
from afterclear.digest.input.frames import Caution
from afterclear.finding_tables.declaration import counted
from afterclear.finding_tables.parts import Claim
from afterclear.finding_tables.sites import ComparedGroup, Level, Process, ProcessCost
from afterclear.wording.cells import Cells
from afterclear.wording.code_words import code_text
from afterclear.wording.findings import finding_words
from afterclear.wording.language import mark

LISTED: Final = 50
HABITS: Final[dict[str, str]] = {
    "bare_clears": mark("Visits that ended with cleared codes and no repair"),
    "bare_clears_that_came_back": mark("Of these, codes that came back"),
    "no_scan_after_repair": mark("Repairs without a scan afterwards in the same visit"),
    "part_fitted_again": mark("The same kind of part fitted again for the fault"),
}
COSTS: Final[dict[str, str]] = {
    "come_backs": mark("Work orders for repeat work after a fix that did not hold"),
    "parts_that_changed_nothing": mark("Parts after which the fault came back"),
}
# of each list its title for one and for several
_TITLES: Final[dict[str, tuple[str, str]]] = {
    "observed": counted("{n} come-back observed", "{n} come-backs observed"),
    "worn": counted(
        "{n} come-back left out: most likely a worn part or a new fault",
        "{n} come-backs left out: most likely worn parts or new faults",
    ),
    "judged": counted(
        "{n} repair without a come-back so far", "{n} repairs without a come-back so far"
    ),
    "still": counted(
        "{n} repair not compared: the fault was still there in the visit of the work",
        "{n} repairs not compared: the fault was still there in the visit of the work",
    ),
    "open": counted("{n} repair not judged yet", "{n} repairs not judged yet"),
}
_COUNTED: Final = {
    "observed": "come_back",
    "worn": "worn_or_new",
    "judged": "held or on_watch",
    "still": "still_there",
    "open": "not_judged",
}
_LIST_OF: Final = {word: list_ for list_, words in _COUNTED.items() for word in words.split(" or ")}
_ONLY_IF_ANY: Final = frozenset({"worn", "still"})
_Group = tuple[str, str, str]  # level, name, site of a technician
_Lists = dict[_Group, list[OrderList]]


def orders_pages(
    groups: Sequence[GroupTable],
    parts: Sequence[PartView],
    findings: Findings,
    common: CommonViews,
) -> tuple[OrdersPage, ...]:
    """Lay out the pages: groups compared with the habits of sites, then parts that failed."""
    cells = common.setting.cells
    lists: _Lists = defaultdict(list)
    said: dict[_Group, str] = {}
    work = _work_by_group(findings.quality_work)
    for table in groups:
        for group in table.rows[:MOST]:
            key = group_key(group)
            lists[key] += _group_lists(group, work[key], common)
            said[key] = finding_words(group, cells)
    for row, found in _habits(findings):
        lists["site", row.site or "", ""].append(_habit_list(row, found, common))
    for finding, priced, found in _costs(findings):
        lists["site", priced[0].site or "", ""].append(_cost_list(finding, priced, found, common))
    pages = [
        _page(key, tuple(own), said.get(key, ""), common)
        for key, own in lists.items()
        if any(x.n for x in own)
    ]
    return (*pages, *_part_pages(parts, findings.failed_parts, common))


def group_key(group: ComparedGroup) -> _Group:
    """Identify a group: of one name, technicians at two sites are two."""
    site = group.at_sites or "" if group.level == "technician" else ""
    return (group.level, group.name, site)


def _work_by_group(work: Iterable[QualityWork]) -> defaultdict[_Group, list[QualityWork]]:
    found: defaultdict[_Group, list[QualityWork]] = defaultdict(list)
    for row in work:
        levels: tuple[tuple[Level, str | None, str], ...] = (
            ("site", row.site, ""),
            ("technician", row.technician, row.site or ""),
            ("brand", row.brand, ""),
            ("grade", row.grade, ""),
        )
        for level, name, site in levels:
            if name is not None:
                found[level, name, site].append(row)
    return found


def _group_lists(
    group: ComparedGroup, work: Sequence[QualityWork], common: CommonViews
) -> Iterator[OrderList]:
    """Divide a group's repairs: each is on one list, so that the lists add up to all of them."""
    found = defaultdict(list)
    for row in work:
        found[_LIST_OF[row.counted_as]].append(row)
    for anchor, n in _counts(group).items():
        if n or anchor not in _ONLY_IF_ANY:
            lines = tuple(_work_line(row, common) for row in found[anchor][:LISTED])
            title = common.setting.cells.tn(*_TITLES[anchor], n)
            yield OrderList(anchor, title, n, lines, *_rows_of(group, anchor))


def _counts(group: ComparedGroup) -> dict[str, int]:
    n_worn, n_still = group.n_worn_or_new or 0, group.n_still_there or 0
    return {
        "observed": group.observed,
        "worn": n_worn,
        "judged": group.n_judged - group.observed - n_worn,
        "still": n_still,
        "open": group.n_repairs - group.n_judged - n_still,
    }


def _rows_of(group: ComparedGroup, anchor: str) -> tuple[str, str]:
    """Name the export with a list's rows, and which of them; people are in ``attempts`` only."""
    if group.level == "technician":
        return "attempts", f"technician = {group.name}, site = {group.at_sites}"
    column = {"brand": "part_brand", "grade": "part_grade"}.get(group.level, "site")
    return "counted_work", f"counted_as = {_COUNTED[anchor]}, {column} = {group.name}"


def _work_line(row: QualityWork, common: CommonViews) -> OrderLine:
    is_back = row.returned_at is not None
    return OrderLine(
        vehicle=common.roster.ref(row.vehicle_id),
        at=row.attempted_at,
        fault=_fault(row.ecu, row.code, row.meaning, row.family_label, common),
        codes=row.related_code or "",
        beside="",
        what="",
        cost="",
        order=row.repair_id,
        technician=row.technician,
        outcome=row.outcome,
        stayed=row.stayed,
        seen_at=row.returned_at if is_back else row.last_clean_at,
        seen_scan=row.returned_scan_id if is_back else row.last_clean_scan_id,
    )


def _habits(findings: Findings) -> Iterator[tuple[Process, list[HabitWork]]]:
    work = _by_finding(findings)
    known = [row for row in findings.process if row.finding in HABITS]
    order = list(HABITS)
    known.sort(key=lambda row: (order.index(row.finding), row.site or ""))
    for habit in known:
        yield habit, work[habit.finding, habit.site]


def _costs(findings: Findings) -> Iterator[tuple[str, list[ProcessCost], list[HabitWork]]]:
    """Yield each finding about money and a site's amounts, with the work behind them."""
    work = _by_finding(findings)
    amounts = defaultdict(list)
    for cost in findings.process_costs:
        amounts[cost.finding, cost.site].append(cost)
    for finding in COSTS:
        for (name, site), priced in amounts.items():
            if name == finding:
                yield finding, priced, work[finding, site]


def _by_finding(findings: Findings) -> defaultdict[tuple[str, str | None], list[HabitWork]]:
    work = defaultdict(list)
    for row in findings.habit_work:
        work[row.finding, row.site].append(row)
    return work


def _habit_list(row: Process, work: Sequence[HabitWork], common: CommonViews) -> OrderList:
    cells = common.setting.cells
    title = f"{cells.t(HABITS[row.finding])}: {cells.number(row.n)}"
    lines = tuple(_habit_line(each, common) for each in work[:LISTED])
    return OrderList(row.finding, title, row.n, lines, *_behind(row.finding, row.site))


def _cost_list(
    finding: str,
    priced: Sequence[ProcessCost],
    work: Sequence[HabitWork],
    common: CommonViews,
) -> OrderList:
    cells = common.setting.cells
    n = work[0].n_all if work else 0
    return OrderList(
        finding,
        f"{cells.t(COSTS[finding])}: {cells.number(n)}",
        n,
        tuple(_habit_line(each, common) for each in work[:LISTED]),
        *_behind(finding, priced[0].site),
        amounts=", ".join(cells.money(each.cost, each.currency) for each in priced),
    )


def _behind(finding: str, site: str | None) -> tuple[str, str]:
    """Name the export with the work behind a count of a site, and which of its rows."""
    return "process_orders", f"finding = {finding}, site = {site or ''}"


def _habit_line(row: HabitWork, common: CommonViews) -> OrderLine:
    codes = split_codes(row.code or "")
    shown = row.shown_code or (codes[0] if codes else "")
    beside = [code for code in codes if code != shown]
    is_back = row.returned_at is not None
    fault = _fault(row.ecu, shown, row.meaning, row.family_label, common)
    cautions = [*fault.cautions, *(c for code in beside for c in _cautions(code, common))]
    return OrderLine(
        vehicle=common.roster.ref(row.vehicle_id),
        at=row.happened_at,
        fault=replace(fault, cautions=tuple(dict.fromkeys(cautions))),
        codes="",
        beside=", ".join(beside),
        what=_part_said(row, common.setting.cells),
        cost="" if row.cost is None else common.setting.cells.money(row.cost, row.currency),
        order=row.repair_id,
        technician=row.technician,
        outcome=row.outcome,
        stayed=bool(row.stayed),
        seen_at=row.returned_at if is_back else row.last_clean_at,
        seen_scan=row.returned_scan_id if is_back else row.last_clean_scan_id,
    )


def _part_said(row: HabitWork, cells: Cells) -> str:
    """Name the part a line is about, its kind in the reader's language; empty: it is of none.

    A kind the catalogue does not know is the user's own word and stays as it is.
    """
    label = code_text(row.part_label, cells.words) if row.part_label else ""
    return " ".join(bit for bit in (row.part_brand, row.part_number, label) if bit)


def _fault(
    ecu: str | None, code: str, meaning: str | None, label: str | None, common: CommonViews
) -> Fault:
    return Fault(ecu or "", code, meaning, label, _cautions(code, common))


def _cautions(code: str, common: CommonViews) -> tuple[Caution, ...]:
    return common.setting.cautions.get(code, ())


def _page(key: _Group, lists: tuple[OrderList, ...], said: str, common: CommonViews) -> OrdersPage:
    (level, name, site), cells = key, common.setting.cells
    shown = holder_name(name, level, cells) if name else cells.t("site not known")  # type: ignore[arg-type]
    return OrdersPage(
        head=common.head,
        page=quality_page(level, f"{name} {site}".strip()),
        level=level,
        key=(name, site),
        name=f"{shown}, {site}" if site else shown,
        back=f"level-{level}",
        lists=lists,
        claims=(),
        n_claims=0,
        shows_people=common.setting.settings.technicians and not common.head.public,
        said=said,
    )


def _part_pages(
    parts: Sequence[PartView], failed: Iterable[Claim], common: CommonViews
) -> Iterator[OrdersPage]:
    units = defaultdict(list)
    for claim in failed:
        units[claim.part_family, claim.part_brand, claim.part_number].append(claim)
    for view in parts:
        row = view.row
        own = units[row.part_family, row.part_brand, row.part_number]
        if own and row.n_failed:
            yield OrdersPage(
                head=common.head,
                page=quality_page("part", view.name),
                level="part",
                key=(view.name, ""),
                name=view.name,
                back="parts",
                lists=(),
                claims=tuple(ClaimLine(c, common.roster.ref(c.vehicle_id)) for c in own[:LISTED]),
                n_claims=row.n_failed,
                shows_people=False,
                part_cautions=view.cautions,
                said=finding_words(row, common.setting.cells),
            )
