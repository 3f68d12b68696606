"""Groups and parts compared with expectation -> tables and pictures of their intervals.  Pure."""

from collections.abc import Sequence
from datetime import timedelta
from typing import Final, Literal

from afterclear.digest.audience.chart_numbers import funnel_chart
from afterclear.digest.audience.garage_model import (
    ChangedLine,
    ChangedSide,
    ChangedView,
    FunnelChart,
    GroupTable,
    Interval,
    IntervalChart,
    IntervalRow,
    PartView,
)
from afterclear.finding_tables.interventions import SURE, Intervention
from afterclear.finding_tables.parts import Part, part_standing
from afterclear.finding_tables.sites import ComparedGroup, Level, apart_is_told
from afterclear.wording.cells import Cells, Dash, capital
from afterclear.wording.findings import finding_words, rate_words
from afterclear.wording.given_words import given_words
from afterclear.wording.language import mark

LEVELS: Final[tuple[Level, ...]] = ("site", "technician", "brand", "grade")
# rows read at a glance; more groups are a funnel too (own judgement)
ROWS: Final = 20
PART_RESULTS: Final[dict[str, str]] = {
    "short_lived": mark("short-lived"),
    "long_lived": mark("lasts longer"),
    "ordinary": mark("no clear difference"),
    "too_few": mark("too few to compare"),
    "beside_weak": mark("others mostly short-lived"),
    "nothing": mark("no other of its kind"),
}
_MARKS: Final[dict[str, Literal["worse", "better", "ordinary"]]] = {
    "short_lived": "worse",
    "long_lived": "better",
    "ordinary": "ordinary",
}
MEASURED: Final[dict[str, str]] = {
    "failing_fixes": mark("Fixes that fail"),
    "new_faults": mark("New faults"),
}
# what became of a change -> how it compares with what was expected
_CHANGED: Final[dict[str, str]] = {
    "helped": "better",
    "harmed": "worse",
    "no_difference": "ordinary",
}
_TOPS: Final = (2.5, 4.0)  # an axis ends between: one long interval would squeeze all others

RESULTS: Final[dict[str, str]] = {
    "worse": mark("clearly more"),
    "better": mark("clearly fewer"),
    "too_few": mark("too few to say"),
    "as_its_site": mark("as others at the same site"),
    "ordinary": mark("no clear difference"),
}


def group_tables(
    groups: Sequence[ComparedGroup], cells: Cells, *, people: bool
) -> tuple[GroupTable, ...]:
    """Lay out the levels that have groups; technicians only if people may be compared."""
    tables = []
    for level in LEVELS:
        rows = [row for row in groups if row.level == level]
        if rows and (people or level != "technician"):
            rows.sort(key=lambda r: (not r.flagged, r.label == "too_few", -(r.ratio or 0), r.name))
            funnel = funnel_chart(rows, cells) if len(rows) > ROWS else None
            tables.append(
                GroupTable(
                    level,
                    tuple(rows),
                    intervals=_group_chart(rows, cells),
                    funnel=funnel if isinstance(funnel, FunnelChart) else None,
                    shows_lost=len({cells.percent(row.lost_to_follow_up) for row in rows}) > 1,
                )
            )
    return tuple(tables)


def holder_name(name: str, level: Level, cells: Cells) -> str:
    """Name a site, technician or brand as it is, a grade in the reader's language."""
    return capital(given_words(name, cells.words)) if level == "grade" else name


def result_words(row: ComparedGroup, cells: Cells) -> str:
    """Say what a comparison shows."""
    return cells.t(RESULTS.get(row.reason, RESULTS["ordinary"]))


def _group_chart(groups: Sequence[ComparedGroup], cells: Cells) -> IntervalChart | Dash:
    rows = tuple(_group_row(group, cells) for group in groups[:ROWS])
    if not any(row.own for row in rows):
        return Dash(cells.t("too few repairs could be judged to compare"))
    return IntervalChart(
        rows,
        top=_top(rows),
        axis=cells.t("come-backs observed for each one expected"),
        fewer=cells.t("fewer"),
        more=cells.t("more than expected"),
        summary=_summary([g.name for g in groups if g.label in {"worse", "better"}], groups, cells),
    )


def _group_row(group: ComparedGroup, cells: Cells) -> IntervalRow:
    is_told = group.label != "too_few" and group.ratio is not None
    apart = None
    if is_told and apart_is_told(group):
        apart = Interval(group.ratio_apart_low or 0.0, group.ratio_apart, group.ratio_apart_high)
    return IntervalRow(
        name=holder_name(group.name, group.level, cells),
        under=cells.tn(
            "{judged} of {n} repair judged",
            "{judged} of {n} repairs judged",
            group.n_repairs,
            judged=cells.number(group.n_judged),
        ),
        result=result_words(group, cells),
        figures=cells.t(
            "{observed} observed, {expected} expected",
            observed=cells.number(group.observed),
            expected=cells.number(group.expected, 1),
        ),
        mark=_mark_of(group.label),
        own=Interval(group.ratio_low or 0.0, group.ratio, group.ratio_high) if is_told else None,
        apart=apart,
    )


def _mark_of(label: str) -> Literal["worse", "better", "ordinary"]:
    if label == "worse":
        return "worse"
    return "better" if label == "better" else "ordinary"


def part_chart(views: Sequence[PartView], cells: Cells) -> IntervalChart | Dash:
    """Lay out how long parts last beside similar ones; 1 is as long.

    Only those that could be compared: nine empty rows hide the one that says something.
    """
    laid_out = (_part_row(view, cells) for view in views)
    rows = tuple(row for row in laid_out if row.own is not None)[:ROWS]
    if not rows:
        return Dash(cells.t("too few parts have failed to compare them"))
    flagged = [view.name for view in views if part_standing(view.row) != "ordinary"]
    return IntervalChart(
        rows,
        top=_top(rows),
        axis=cells.t("how many times as long as similar parts"),
        fewer=cells.t("shorter"),
        more=cells.t("longer than similar parts"),
        summary=_summary(flagged, rows, cells),
    )


def _part_row(view: PartView, cells: Cells) -> IntervalRow:
    row = view.row
    own = _life(view) if view.ratio_told in {"estimate", "at_most", "at_least"} else None
    standing = part_standing(row)
    what, _, which = view.name.partition(": ")
    failed = cells.t(
        "{n} of {all} failed", n=cells.number(row.n_failed), all=cells.number(row.n_fitted)
    )
    return IntervalRow(
        name=what,
        whole=view.name,
        under=f"{which}, {failed}" if which else failed,
        result=cells.t(PART_RESULTS[view.ratio_told if own is None else standing]),
        figures=_peers(row, cells),
        mark=_MARKS[standing],
        own=own,
        apart=None,
    )


def changed_view(rows: Sequence[Intervention], cells: Cells) -> ChangedView | None:
    """Lay out what was changed and what became of it; None: nothing is in the table."""
    if not rows:
        return None
    drawn = tuple(_changed_row(row, cells) for row in rows if row.ratio is not None)[:ROWS]
    told = [row.name for row in rows if row.told in SURE]
    chart = IntervalChart(
        drawn,
        top=_top(drawn),
        axis=cells.t("failures or new faults since, for each one expected"),
        fewer=cells.t("fewer"),
        more=cells.t("more than expected"),
        summary=_summary(told, drawn, cells),
    )
    return ChangedView(tuple(_changed_line(row, cells) for row in rows), chart if drawn else None)


def _changed_row(row: Intervention, cells: Cells) -> IntervalRow:
    """Give the interval of one look, and below it that of any number of looks."""
    return IntervalRow(
        name=row.name,
        under=_since(row, cells),
        result=cells.t(RESULTS[_CHANGED.get(row.told, row.told)]),
        figures=cells.t(
            "{low} to {high} times as many",
            low=cells.number(row.ratio_low, 2),
            high=cells.number(row.ratio_high, 2),
        ),
        mark=_mark_of(_CHANGED.get(row.told, row.told)),
        own=Interval(row.ratio_low or 0.0, row.ratio, row.ratio_high),
        apart=Interval(row.always_low or 0.0, row.ratio, row.always_high),
    )


def _changed_line(row: Intervention, cells: Cells) -> ChangedLine:
    is_fixes = row.measures == "failing_fixes"

    def written(share: float | None, rate: float | None) -> str:
        if is_fixes:
            return "" if share is None else cells.percent(share)
        return "" if rate is None else rate_words(cells, rate)

    def of(n: int, km: float | None) -> str:
        if is_fixes:
            return cells.tn("{n} fix", "{n} fixes", n)
        return cells.tn("{n} in {distance}", "{n} in {distance}", n, distance=cells.distance(km))

    return ChangedLine(
        name=row.name,
        when=_since(row, cells),
        measures=cells.t(MEASURED[row.measures]),
        sentence=finding_words(row, cells),
        touched=ChangedSide(
            written(row.share_before, row.rate_before),
            of(row.n_before, row.km_before),
            written(row.share_after, row.rate_after),
            of(row.n_after, row.km_after),
        ),
        others=ChangedSide(
            written(row.others_share_before, row.others_rate_before),
            of(row.others_n_before, row.others_km_before),
            written(row.others_share_after, row.others_rate_after),
            of(row.others_n_after, row.others_km_after),
        ),
    )


def _since(row: Intervention, cells: Cells) -> str:
    if row.ends_at is None:
        return cells.t("since {day}", day=cells.day(row.begins_at))
    # the day may have 23 hours
    last = row.ends_at - timedelta(seconds=1)
    return cells.t("{first} to {last}", first=cells.day(row.begins_at), last=cells.day(last))


def _life(view: PartView) -> Interval:
    """Return the ratio with its interval; one end of it where no more can be given."""
    row = view.row
    at = row.life_ratio_to_peers if view.ratio_told == "estimate" else None
    low = 0.0 if view.ratio_told == "at_most" else row.ratio_low or 0.0
    return Interval(low, at, None if view.ratio_told == "at_least" else row.ratio_high)


def _peers(row: Part, cells: Cells) -> str:
    if not row.n_peers:
        return ""
    return cells.t(
        "others: {n} of {all} failed",
        n=cells.number(row.n_peers_failed),
        all=cells.number(row.n_peers),
    )


def _top(rows: Sequence[IntervalRow]) -> float:
    least, most = _TOPS
    ends = [end for row in rows for each in (row.own, row.apart) if each for end in _ends(each)]
    return min(most, max(least, *ends, 0.0))


def _ends(interval: Interval) -> tuple[float, ...]:
    return tuple(end for end in (interval.at, interval.high) if end is not None)


def _summary(out: Sequence[str], every: Sequence[object], cells: Cells) -> str:
    told = cells.tn("{n} compared.", "{n} compared.", len(every))
    if not out:
        return f"{told} {cells.t('None differs clearly.')}"
    names = ", ".join(out[:ROWS])
    return f"{told} {cells.t('Clearly different: {names}.', names=names)}"
