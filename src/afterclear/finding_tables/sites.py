"""Whose fixes hold, and how sites work."""

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Final, Literal, get_args

from afterclear.finding_tables.declaration import Clause, Finding, Means, counted, mark

Level = Literal["site", "technician", "brand", "grade"]
CountedAs = Literal["come_back", "worn_or_new", "still_there", "held", "on_watch", "not_judged"]
# in the order of ``CountedAs``; numbers stand for them among a million attempts
COUNTED_AS: Final[tuple[CountedAs, ...]] = get_args(CountedAs)


@dataclass(frozen=True, slots=True)
class ComparedGroup:
    """One site, technician, brand or grade: come-backs seen and expected."""

    level: Annotated[Level, Means("what it is")]
    name: Annotated[str, Means("its name")]
    n_attempts: Annotated[int, Means("fix attempts")]
    n_judged: Annotated[int, Means("of these, with evidence")]
    observed: Annotated[int, Means("come-backs likelier failures than wear or new faults")]
    expected: Annotated[float | None, Means("such come-backs to be expected of this work")]
    ratio: Annotated[float | None, Means("observed over expected", digits=2)]
    ratio_low: Annotated[float | None, Means("lower end of its 95 % interval", digits=2)]
    ratio_high: Annotated[float | None, Means("upper end", digits=2)]
    limit_ratio: Annotated[float | None, Means("upper funnel limit (99.8 %)")]
    flagged: Annotated[bool, Means("worse than chance gives")]
    lost_to_follow_up: Annotated[float | None, Means("share never seen again", "share")]
    label: Annotated[str, Means("worse, better, ordinary or too_few")]
    limit_low: Annotated[float | None, Means("lower funnel limit")]
    phi: Annotated[float | None, Means("over-dispersion of the funnel")]
    p_value: Annotated[float | None, Means("of its deviation")]
    q_value: Annotated[float | None, Means("share of false labels up to this row")]
    shrunken_ratio: Annotated[float | None, Means("the ratio, drawn towards 1")]
    shrunken_low: Annotated[float | None, Means("lower end of its interval")]
    shrunken_high: Annotated[float | None, Means("upper end")]
    rank: Annotated[int | None, Means("by that ratio, 1 is the worst")]
    n_repairs: Annotated[int, Means("repairs")]
    n_bare_clears: Annotated[int, Means("clears without a repair")]
    n_never_gone: Annotated[int, Means("faults still there in the visit of the work")]
    n_seen_elsewhere: Annotated[int, Means("come-backs worked on elsewhere")]
    apart_from: Annotated[str | None, Means("what its effect is told apart from")]
    ratio_apart: Annotated[float | None, Means("the ratio within each of these", digits=2)]
    ratio_apart_low: Annotated[float | None, Means("lower end of its interval", digits=2)]
    ratio_apart_high: Annotated[float | None, Means("upper end", digits=2)]
    p_apart: Annotated[float | None, Means("of that ratio")]
    n_side_by_side: Annotated[int | None, Means("how many of these have others beside it")]
    at_sites: Annotated[str | None, Means("where")]
    reason: Annotated[str, Means("the label, or `as_its_site`: as others beside it do")]
    n_worn_or_new: Annotated[
        int | None, Means("repairs judged whose come-back is left out: worn part or new fault")
    ]
    n_still_there: Annotated[
        int | None, Means("repairs not compared: the fault was still there in their visit")
    ]
    late_since: Annotated[
        str | None, Means("quarter its latest year and quarter begin with; empty: no work before")
    ]
    observed_late: Annotated[int | None, Means("of `observed`, those of work since then")]
    expected_late: Annotated[float | None, Means("of `expected`, what that work let expect")]


@dataclass(frozen=True, slots=True)
class CountedWork:
    """One repair as sites, technicians, brands and grades are judged by it."""

    attempt_id: Annotated[str, Means("the fix attempt")]
    part_brand: Annotated[str | None, Means("of its parts; empty: none, or several")]
    part_grade: Annotated[str | None, Means("of its parts; empty: none, or several")]
    is_judged: Annotated[bool, Means("there is evidence: it counts among `n_judged`")]
    came_back: Annotated[bool, Means("it counts among `observed`")]
    counted_as: Annotated[
        CountedAs,
        Means(
            "come_back (`observed`), worn_or_new (a come-back, most likely a worn part or a new "
            "fault), still_there (in the visit of the work: not compared), held, on_watch or "
            "not_judged"
        ),
    ]
    vehicle_id: Annotated[str, Means("the vehicle")]
    attempted_at: Annotated[datetime, Means("when")]
    repair_id: Annotated[str | None, Means("the work order")]
    site: Annotated[str | None, Means("where")]
    ecu: Annotated[str | None, Means("the control unit; empty: none has shown the code")]
    code: Annotated[str, Means("the fault")]


@dataclass(frozen=True, slots=True)
class Quarter:
    """Fixes of one quarter of a year; ``site`` empty: of all sites together."""

    site: Annotated[str | None, Means("empty: all of them")]
    quarter: Annotated[str, Means("of the work")]
    n_attempts: Annotated[int, Means("fix attempts")]
    n_judged: Annotated[int, Means("of these, with evidence")]
    observed: Annotated[int, Means("come-backs")]
    expected: Annotated[float | None, Means("come-backs to be expected")]
    ratio: Annotated[float | None, Means("observed over expected")]
    ratio_low: Annotated[float | None, Means("lower end of its 95 % interval")]
    ratio_high: Annotated[float | None, Means("upper end")]
    share_held: Annotated[float | None, Means("share of the judged that held", "share")]
    share_low: Annotated[float | None, Means("lower end of its interval", "share")]
    share_high: Annotated[float | None, Means("upper end", "share")]
    n_worn_or_new: Annotated[
        int | None, Means("judged, but not in `observed`: most likely a worn part or a new fault")
    ]
    n_still_there: Annotated[
        int | None, Means("not judged: the fault was still there in the visit of the work")
    ]
    n_held: Annotated[int | None, Means("judged and held")]
    n_on_watch: Annotated[int | None, Means("judged, not proven yet")]


@dataclass(frozen=True, slots=True)
class Process:
    """One habit of one site, compared with the other sites."""

    site: Annotated[str | None, Means("the site; empty: not known")]
    finding: Annotated[str, Means("the habit")]
    n: Annotated[int, Means("how often")]
    n_of: Annotated[int, Means("of how many")]
    share: Annotated[float | None, Means("the one over the other", "share")]
    share_low: Annotated[float | None, Means("lower end of its 95 % interval", "share")]
    share_high: Annotated[float | None, Means("upper end", "share")]
    others_share: Annotated[float | None, Means("the share at the other sites", "share")]
    odds_ratio: Annotated[float | None, Means("odds here over odds there")]
    odds_low: Annotated[float | None, Means("lower end of its interval")]
    odds_high: Annotated[float | None, Means("upper end")]
    p_value: Annotated[float | None, Means("of the difference")]
    q_value: Annotated[float | None, Means("share of false flags up to this row")]
    flagged: Annotated[bool, Means("more than at the others, beyond chance")]


@dataclass(frozen=True, slots=True)
class ProcessCost:
    """Money a habit cost one site, in one currency."""

    site: Annotated[str | None, Means("the site; empty: not known")]
    finding: Annotated[str, Means("what it was spent on")]
    currency: Annotated[
        str | None, Means("the currency; empty: not known", unknown=mark("(no currency given)"))
    ]
    n_orders: Annotated[int, Means("work orders")]
    n_priced: Annotated[int, Means("of these, with a price")]
    cost: Annotated[
        float,
        Means(
            "what they come to, of parts only their own price; credit notes are taken off", "money"
        ),
    ]


@dataclass(frozen=True, slots=True)
class ProcessOrder:
    """A work order behind the counts and the money."""

    site: Annotated[str | None, Means("the site; empty: not known")]
    finding: Annotated[str, Means("the habit or cost it counts for")]
    vehicle_id: Annotated[str, Means("the vehicle")]
    repair_id: Annotated[str | None, Means("the work order")]
    attempt_id: Annotated[str | None, Means("the fix attempt")]
    happened_at: Annotated[datetime | None, Means("when")]
    code: Annotated[str | None, Means("the codes")]
    what: Annotated[str | None, Means("the parts")]
    cost: Annotated[float | None, Means("what it cost", "money")]
    currency: Annotated[str | None, Means("of the cost")]
    part_brand: Annotated[str | None, Means("brand of the part; empty: not one part only")] = None
    part_number: Annotated[str | None, Means("its number on the order")] = None
    part_label: Annotated[str | None, Means("its kind")] = None


# an interval wider than this factor is too wide to defend (own judgement)
_WIDEST: Final = 20.0


def apart_is_told(row: ComparedGroup) -> bool:
    """Whether the ratio within each site, or with the brands taken out, can be given."""
    low, high = row.ratio_apart_low, row.ratio_apart_high
    if row.reason == "too_few" or row.ratio_apart is None or low is None or high is None:
        return False
    return high <= _WIDEST * low


_HOLDER_SAYS = (
    (
        Clause(
            counted(
                "{observed} come-back observed, {expected} expected for such work "
                "({n_judged} of {n_repairs} repairs can be judged)",
                "{observed} come-backs observed, {expected} expected for such work "
                "({n_judged} of {n_repairs} repairs can be judged)",
            ),
            count="observed",
        ),
    ),
    (
        Clause(mark(": too few to say more."), lambda row: row.reason == "too_few"),
        Clause(
            mark(": {ratio} times as many, between {ratio_low} and {ratio_high}, clearly more."),
            lambda row: row.reason == "worse",
        ),
        Clause(
            mark(": {ratio} times as many, between {ratio_low} and {ratio_high}, clearly fewer."),
            lambda row: row.reason == "better",
        ),
        Clause(
            mark(
                ": {ratio} times as many, between {ratio_low} and {ratio_high}, "
                "and so do others at the same sites."
            ),
            lambda row: row.reason == "as_its_site",
        ),
        Clause(
            mark(
                ": {ratio} times as many, between {ratio_low} and {ratio_high}, no clear "
                "difference."
            )
        ),
    ),
    (
        Clause(
            mark(
                " With the part brands taken out it is {ratio_apart} times as many, between "
                "{ratio_apart_low} and {ratio_apart_high}."
            ),
            lambda row: apart_is_told(row) and row.apart_from == "brand",
        ),
        Clause(
            mark(
                " Beside others at the same site it is {ratio_apart} times as many, between "
                "{ratio_apart_low} and {ratio_apart_high}."
            ),
            lambda row: apart_is_told(row) and row.apart_from == "site",
        ),
    ),
)
_HOLDER_METHOD = (
    "come-backs likelier failures than wear or new faults, over those expected inside each "
    "attempt's own evidence; case mix: component, kind, "
    "first or repeat, platform, engine, age; exact Poisson interval 95 %, 99.8 % funnel limits "
    "widened for over-dispersion, gamma-Poisson rank; score test of P(failed) against the share "
    "that fails elsewhere, clustered by vehicle, with Benjamini-Hochberg"
)
_HOLDER_ORDER = "ratio DESC NULLS LAST, name, at_sites"
_LEVELS: Final[tuple[tuple[str, Level, str], ...]] = (
    ("sites", "site", "sites: come-backs seen against those to be expected"),
    ("technicians", "technician", "the same of technicians, site by site"),
    ("brands", "brand", "the same of part brands"),
    ("grades", "grade", "the same of part grades"),
)


def _compared_groups(name: str, level: Level, about: str) -> Finding:
    called = {"name": level, "limit_ratio": "limit"}
    return Finding(
        name,
        ComparedGroup,
        about=about,
        order=_HOLDER_ORDER,
        says=_HOLDER_SAYS,
        method=_HOLDER_METHOD,
        table="holders",
        where=f"level = '{level}'",
        called=called | ({"at_sites": "site"} if level == "technician" else {}),
        without=frozenset({"level", "at_sites"} if level == "site" else {"level"}),
    )


def _habit(name: str, among: str, alone: str) -> tuple[Clause, Clause]:
    return (
        Clause(among, lambda row: row.finding == name and row.others_share is not None),
        Clause(alone, lambda row: row.finding == name),
    )


FINDINGS: Final = (
    *(_compared_groups(*level) for level in _LEVELS),
    Finding(
        "counted_work",
        CountedWork,
        about="the repairs behind `n_judged` and `observed` of sites, technicians, brands, grades",
        order="site, attempted_at, attempt_id",
    ),
    Finding(
        "held_by_quarter",
        Quarter,
        about="how many fixes held, by the quarter of the work",
        order="site NULLS FIRST, quarter",
    ),
    Finding(
        "process",
        Process,
        about="how sites work: clears in place of repairs, no scan afterwards, parts fitted again",
        order="finding, share DESC, site",
        says=(
            (
                *_habit(
                    "bare_clears",
                    mark(
                        "{n} of {n_of} visits for a fault ended with a clear and no repair "
                        "({share}, between {share_low} and {share_high}; at other sites "
                        "{others_share})."
                    ),
                    mark(
                        "{n} of {n_of} visits for a fault ended with a clear and no repair "
                        "({share}, between {share_low} and {share_high})."
                    ),
                ),
                *_habit(
                    "bare_clears_that_came_back",
                    mark(
                        "{n} of {n_of} clears without a repair came back ({share}, between "
                        "{share_low} and {share_high}; at other sites {others_share})."
                    ),
                    mark(
                        "{n} of {n_of} clears without a repair came back ({share}, between "
                        "{share_low} and {share_high})."
                    ),
                ),
                *_habit(
                    "no_scan_after_repair",
                    mark(
                        "{n} of {n_of} repairs had no scan after them in the same visit ({share}, "
                        "between {share_low} and {share_high}; at other sites {others_share})."
                    ),
                    mark(
                        "{n} of {n_of} repairs had no scan after them in the same visit ({share}, "
                        "between {share_low} and {share_high})."
                    ),
                ),
                *_habit(
                    "part_fitted_again",
                    mark(
                        "{n} of {n_of} repairs with parts were followed by the same kind of part "
                        "for the fault ({share}, between {share_low} and {share_high}; at other "
                        "sites {others_share})."
                    ),
                    mark(
                        "{n} of {n_of} repairs with parts were followed by the same kind of part "
                        "for the fault ({share}, between {share_low} and {share_high})."
                    ),
                ),
            ),
        ),
        method=(
            "share with exact interval (95 %), Fisher's exact test against the other sites and a "
            "test between vehicles (the larger p counts), Haldane odds ratio, Benjamini-Hochberg "
            "over sites"
        ),
    ),
    Finding(
        "process_costs",
        ProcessCost,
        about="what come-backs and parts that changed nothing cost",
        order="finding, site, currency",
        says=(
            (
                Clause(
                    counted(
                        "{cost} {currency} spent on repeat work after an earlier repair or "
                        "clear ({n_orders} work order, {n_priced} of them with a price).",
                        "{cost} {currency} spent on repeat work after an earlier repair or "
                        "clear ({n_orders} work orders, {n_priced} of them with a price).",
                    ),
                    lambda row: row.finding == "come_backs",
                    "n_orders",
                ),
                Clause(
                    counted(
                        "{cost} {currency} spent on parts after which the fault came back "
                        "({n_orders} work order, {n_priced} of them with a price).",
                        "{cost} {currency} spent on parts after which the fault came back "
                        "({n_orders} work orders, {n_priced} of them with a price).",
                    ),
                    lambda row: row.finding == "parts_that_changed_nothing",
                    "n_orders",
                ),
            ),
        ),
    ),
    Finding(
        "process_orders",
        ProcessOrder,
        about="the work orders behind the counts and the money",
        order="finding, site, happened_at, vehicle_id, repair_id, what, code, attempt_id, cost",
    ),
)
