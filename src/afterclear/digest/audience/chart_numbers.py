"""Numbers of the garage page's charts, and what the latest quarters show of a group.  Pure."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from afterclear.digest.audience.garage_model import (
    FunnelChart,
    FunnelPoint,
    HeldChart,
    LifeChart,
    QuarterPoint,
)
from afterclear.estimators.arrays.validation import FloatArray
from afterclear.estimators.lifetimes.lifetimes import lifetimes
from afterclear.estimators.lifetimes.survival import kaplan_meier
from afterclear.estimators.rates.funnels import poisson_limits
from afterclear.finding_tables.parts import Part, life_told
from afterclear.finding_tables.sites import ComparedGroup, Quarter
from afterclear.wording.cells import Cells, Dash

_LEVEL = 0.998  # of the funnel, as in the findings of sites
_CURVE_POINTS = 60
_MOST_STEPS = 150
_ENOUGH = 5.0  # come-backs to be expected of them, or they show little (own judgement)
FEW = 5  # under so many fixes that held or came back a share shows little (own judgement)


def held_chart(quarters: Sequence[Quarter], cells: Cells) -> HeldChart | Dash:
    """Lay out the share of all sites' fixes that held, by quarter of the work."""
    rows = sorted((q for q in quarters if not q.site), key=lambda q: q.quarter)
    points = tuple(_quarter_point(q) for q in rows)
    if all(p.share is None for p in points):
        return Dash(cells.t("too few fixes have held or come back yet"))
    return HeldChart(points, _held_summary(points, cells))


def _quarter_point(row: Quarter) -> QuarterPoint:
    """Show a quarter; without a share where most fixes are still on watch: it would be 100 %."""
    n_settled = row.observed + (row.n_worn_or_new or 0) + (row.n_held or 0)
    is_told = n_settled >= FEW
    return QuarterPoint(
        row.quarter,
        row.n_attempts,
        row.n_judged,
        row.observed,
        row.expected,
        share=row.share_held if is_told else None,
        low=row.share_low if is_told else None,
        high=row.share_high if is_told else None,
        n_worn_or_new=row.n_worn_or_new or 0,
        n_still_there=row.n_still_there or 0,
        n_held=row.n_held or 0,
        n_on_watch=row.n_on_watch or 0,
    )


def _held_summary(points: Sequence[QuarterPoint], cells: Cells) -> str:
    """Say what the latest quarter shows of which enough was judged."""
    last = next(p for p in reversed(points) if p.share is not None)
    return cells.t(
        "{n} quarters; in {quarter} {share} held, between {low} and {high}.",
        n=len(points),
        quarter=last.quarter,
        share=cells.percent(last.share),
        low=cells.percent(last.low),
        high=cells.percent(last.high),
    )


def funnel_chart(groups: Sequence[ComparedGroup], cells: Cells) -> FunnelChart | Dash:
    """Lay out one level's groups with their funnel limits, widened as in the findings."""
    points = tuple(
        FunnelPoint(h.name, h.expected, h.ratio, h.label or "ordinary")
        for h in groups
        if h.expected and h.ratio is not None
    )
    if len(points) < 2:  # noqa: PLR2004  (one cannot be compared)
        return Dash(cells.t("nothing to compare: fewer than two have enough judged fixes"))
    phi = next((h.phi for h in groups if h.phi is not None), 1.0)
    widening = max(1.0, phi) ** 0.5
    largest = max(point.expected for point in points)
    expected = np.geomspace(min(0.3, largest / 20), largest * 1.08, _CURVE_POINTS)
    low = np.maximum(1 - widening * (1 - poisson_limits(expected, (1 - _LEVEL) / 2)), 0.0)
    high = 1 + widening * (poisson_limits(expected, (1 + _LEVEL) / 2) - 1)
    top = max(2.5, 1.15 * max(point.ratio for point in points))
    n_out = sum(point.label in {"worse", "better"} for point in points)
    return FunnelChart(
        points=points,
        expected=tuple(expected.tolist()),
        low=tuple(low.tolist()),
        high=tuple(np.minimum(high, top).tolist()),
        top=top,
        summary=cells.tn(
            "{n} compared; {out} outside the limits.",
            "{n} compared; {out} outside the limits.",
            len(points),
            out=n_out,
        ),
    )


def life_chart(part: Part, claims: pl.DataFrame, cells: Cells) -> LifeChart | Dash:
    """Lay out how many of a part's units still work by km: Kaplan-Meier with its band.

    ``claims``: the part's own rows of that table, in any order.
    """
    failed = claims["failed"].to_numpy()
    ages = claims["km_run"].cast(pl.Float64).to_numpy()
    entry = claims["km_unwatched"].cast(pl.Float64).to_numpy()
    known = ages > entry
    if not (failed & known).any():
        return Dash(cells.t("no part has failed under observation"))
    ages, entry, failed = ages[known], entry[known], failed[known]
    curves = kaplan_meier(lifetimes(ages, np.where(failed, ages, np.inf), entry=entry))
    every = -(-curves.time.size // _MOST_STEPS)
    keep = np.arange(curves.time.size) % every == every - 1
    keep[-1] = True
    share = curves.survival[keep]
    b10 = None
    if part.b10_km is not None and life_told(part) == "estimate":
        b10 = (part.b10_low_km or 0.0, part.b10_km, part.b10_high_km or float("inf"))
    return LifeChart(
        km=(0.0, *curves.time[keep].tolist()),
        share=(1.0, *share.tolist()),
        low=(1.0, *_inside(curves.low[keep], share)),
        high=(1.0, *_inside(curves.high[keep], share)),
        end_km=float(ages.max()),
        b10=b10,
        summary=cells.t(
            "{failed} of {n} parts failed; one in ten by {b10}.",
            failed=int(failed.sum()),
            n=int(failed.size),
            b10=cells.distance(part.b10_km),
        )
        if b10
        else cells.t("{failed} of {n} parts failed.", failed=int(failed.sum()), n=int(failed.size)),
    )


def _inside(limit: FloatArray, share: FloatArray) -> list[float]:
    """Return a limit; the share itself if there is none (all have failed)."""
    found: list[float] = np.where(np.isnan(limit), share, limit).tolist()
    return found


@dataclass(frozen=True, slots=True)
class Lately:
    """Come-backs of a group's latest work and of what was before: parts of its own figures.

    Whoever meets about a site's come-backs acts on the present.
    """

    since: str  # a quarter
    observed: int
    expected: float
    observed_before: int
    expected_before: float

    @property
    def is_as_the_fleet(self) -> bool:
        """Whether the work now comes back no more often than the fleet's."""
        return self.observed <= self.expected


def lately(row: ComparedGroup) -> Lately | None:
    """Divide a group's come-backs into latest and before; None: too few, or none before."""
    if row.late_since is None or row.observed_late is None or row.expected_late is None:
        return None
    found = Lately(
        row.late_since,
        row.observed_late,
        row.expected_late,
        row.observed - row.observed_late,
        (row.expected or 0.0) - row.expected_late,
    )
    return found if min(found.expected, found.expected_before) >= _ENOUGH else None


def lately_words(found: Lately, cells: Cells) -> str:
    """Say it in a sentence."""
    return cells.t(
        "Of the work since {quarter}: {n} observed, {expected} expected; of the work before: "
        "{n_before} observed, {expected_before} expected.",
        quarter=found.since,
        n=cells.number(found.observed),
        expected=cells.number(found.expected, 1),
        n_before=cells.number(found.observed_before),
        expected_before=cells.number(found.expected_before, 1),
    )
