"""Did it help: what was changed, before and after, against what was not."""

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Final, Literal

from afterclear.finding_tables.declaration import Clause, Finding, Means, counted, mark

Told = Literal["helped", "harmed", "no_difference", "too_few", "nobody_touched", "too_early"]
SURE: Final = ("helped", "harmed")
"""Told only beyond chance."""


@dataclass(frozen=True, slots=True)
class Intervention:
    """One change of ``interventions.toml``, and what became of it."""

    name: Annotated[str, Means("what was changed, as the table calls it")]
    measures: Annotated[
        Literal["failing_fixes", "new_faults"],
        Means("the share of fixes that fail, or how often new faults begin"),
    ]
    begins_at: Annotated[datetime, Means("its first day")]
    ends_at: Annotated[datetime | None, Means("its end; empty: until now")]
    told: Annotated[
        Told,
        Means(
            "`helped` or `harmed` beyond chance, `no_difference`, `too_few`, `nobody_touched`: "
            "nothing fits, `too_early`: it has not begun"
        ),
    ]
    is_lasting: Annotated[bool, Means("told beyond chance however often it is looked at")]
    n_before: Annotated[int, Means("fixes, or new faults, of what was changed, before it")]
    n_after: Annotated[int, Means("since")]
    others_n_before: Annotated[int, Means("of the others, before")]
    others_n_after: Annotated[int, Means("of the others, since")]
    n_vehicles: Annotated[int, Means("vehicles touched that count")]
    others_n_vehicles: Annotated[int, Means("other vehicles that count")]
    ratio: Annotated[
        float | None, Means("what fails or begins since, over what was expected", digits=2)
    ]
    ratio_low: Annotated[
        float | None, Means("lower end of its 95 % interval, for one look", digits=2)
    ]
    ratio_high: Annotated[float | None, Means("upper end", digits=2)]
    always_low: Annotated[
        float | None, Means("lower end of the interval that holds at all looks together", digits=2)
    ]
    always_high: Annotated[float | None, Means("upper end", digits=2)]
    p_value: Annotated[float | None, Means("of the difference, for one look")]
    share_before: Annotated[
        float | None, Means("that fails of what was changed, before", "share")
    ] = None
    share_after: Annotated[float | None, Means("since", "share")] = None
    share_expected: Annotated[
        float | None, Means("since, had it changed only as the others", "share")
    ] = None
    others_share_before: Annotated[float | None, Means("of the others, before", "share")] = None
    others_share_after: Annotated[float | None, Means("of the others, since", "share")] = None
    apart: Annotated[
        float | None,
        Means("of 100 fixes so many fewer (`helped`) or more (`harmed`) fail; empty: not told"),
    ] = None
    apart_low: Annotated[float | None, Means("lower end of its 95 % interval, for one look")] = None
    apart_high: Annotated[float | None, Means("upper end")] = None
    n_more: Annotated[
        int | None, Means("further fixes until a halving would show; empty: not known")
    ] = None
    km_before: Annotated[float | None, Means("driven by what was changed, before", "km")] = None
    km_after: Annotated[float | None, Means("since", "km")] = None
    others_km_before: Annotated[float | None, Means("driven by the others, before", "km")] = None
    others_km_after: Annotated[float | None, Means("since", "km")] = None
    rate_before: Annotated[
        float | None, Means("of new faults of what was changed, before", "per_10000km")
    ] = None
    rate_after: Annotated[float | None, Means("since", "per_10000km")] = None
    rate_expected: Annotated[
        float | None, Means("since, had it changed only as the others", "per_10000km")
    ] = None
    others_rate_before: Annotated[float | None, Means("of the others, before", "per_10000km")] = (
        None
    )
    others_rate_after: Annotated[float | None, Means("of the others, since", "per_10000km")] = None
    km_more: Annotated[float | None, Means("as `n_more`, of new faults, in km", "km")] = None


@dataclass(frozen=True, slots=True)
class InterventionFix:
    """One fix that was touched, before or after the change."""

    name: Annotated[str, Means("what was changed")]
    attempt_id: Annotated[str, Means("the fix attempt")]
    vehicle_id: Annotated[str, Means("the vehicle")]
    repair_id: Annotated[str | None, Means("the work order")]
    attempted_at: Annotated[datetime, Means("when")]
    is_after: Annotated[bool, Means("since the change")]
    p_failed: Annotated[float, Means("chance that it did not hold", "share")]


def _clause(text: str, measures: str, *told: str) -> Clause:
    """Write a clause for some results of one measure."""
    return Clause(text, lambda row: row.measures == measures and row.told in told)


_METHOD: Final = (
    "difference in differences on log odds (failing fixes: by their evidence, against the share "
    "usual for component, kind and first or repeat, a level for each site) or on log rates (new "
    "faults: a level for each model); variance clustered by vehicle; log-F(1,1) prior; 95 % "
    "interval for one look, and by Robbins' mixture for all looks together"
)
_SAYS: Final = (
    (
        Clause(mark("Nothing fits what it touches."), lambda row: row.told == "nobody_touched"),
        Clause(mark("It has not begun."), lambda row: row.told == "too_early"),
        _clause(
            mark(
                "Of 100 fixes {apart} fewer fail since (95 %: {apart_low} to {apart_high} fewer)."
            ),
            "failing_fixes",
            "helped",
        ),
        _clause(
            mark("Of 100 fixes {apart} more fail since (95 %: {apart_low} to {apart_high} more)."),
            "failing_fixes",
            "harmed",
        ),
        _clause(
            mark(
                "New faults begin {ratio} times as often as they would have (95 %: {ratio_low} to "
                "{ratio_high} times)."
            ),
            "new_faults",
            *SURE,
        ),
        _clause(
            mark(
                "{share_before} of the fixes failed before, {share_after} since; the others "
                "changed about as much (from {others_share_before} to "
                "{others_share_after})."
            ),
            "failing_fixes",
            "no_difference",
        ),
        _clause(
            mark(
                "New faults began at {rate_before} before and {rate_after} since; with the others "
                "it changed about as much (from {others_rate_before} to "
                "{others_rate_after})."
            ),
            "new_faults",
            "no_difference",
        ),
        Clause(
            counted(
                "Too few to tell: it needs about {n_more} more fix.",
                "Too few to tell: it needs about {n_more} more fixes.",
            ),
            lambda row: row.n_more is not None,
            "n_more",
        ),
        Clause(
            mark("Too few to tell: it needs about {km_more} more."),
            lambda row: row.km_more is not None,
        ),
        Clause(mark("Too few to tell: too little is known of before, or of the others.")),
    ),
    (
        Clause(
            mark(" It stands however often one looks."),
            lambda row: row.told in SURE and row.is_lasting,
        ),
        Clause(
            mark(
                " This holds for one look on a day set beforehand: who looks daily finds such a "
                "difference more often by chance."
            ),
            lambda row: row.told in SURE,
        ),
    ),
)
FINDINGS: Final = (
    Finding(
        "interventions",
        Intervention,
        about="whether what was changed helped (`interventions.toml`): before and after, against "
        "what was not changed",
        order="begins_at, name",
        says=_SAYS,
        method=_METHOD,
    ),
    Finding(
        "intervention_fixes",
        InterventionFix,
        about="the fixes behind `interventions` that were touched",
        order="name, attempted_at, attempt_id",
    ),
)
