"""What a small fleet's average says of groups and attempts, in the form of ``fix_held.pool``."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from afterclear.estimators.arrays.validation import FloatArray, IntArray
from afterclear.estimators.causes.cell_prior import CellPrior
from afterclear.estimators.causes.fleet_average import Average, averaged
from afterclear.estimators.causes.sides import CellKinds, Tried
from afterclear.estimators.fix_held.grid import Nodes
from afterclear.estimators.fix_held.pool import Evidence, Levels, Pool
from afterclear.estimators.fix_held.posterior import Summary, judge, stacked, summarise
from afterclear.estimators.fix_held.prior import Prior

_MOST_BRANDS = 6  # with figures of their own; others have the effects that the rounds found


@dataclass(frozen=True, slots=True)
class Seen:
    """Attempts, shape (n,) each, as the rounds leave them."""

    cell: IntArray
    low_km: FloatArray
    high_km: FloatArray
    new_per_km: FloatArray
    new_log_sd: FloatArray
    older: FloatArray  # hazard of a part fitted before


def averaged_pool(
    evidence: Evidence, seen: Seen, cells: CellPrior, priors: Sequence[Prior], levels: Levels
) -> tuple[Pool, FloatArray]:
    """Judge groups and attempts; also P(the part wore out) of each row of evidence, shape (n,)."""
    strata = _Strata.of(evidence, priors)
    tried = _tried(evidence, seen, strata)
    found = averaged(tried, _kinds(cells, tried), evidence.common)
    judged = _Judged(evidence, levels, found.some, strata)
    groups = judged.summary(_of_groups(evidence, found, strata), evidence.kin.stratum)
    each = np.arange(len(priors))
    unseen = judged.summary(found.unseen[strata.kind], each)
    p_failed, km_to_go = judged.attempts(_of_groups(evidence, found, strata))
    back = evidence.rows.returned
    p_failed[back] = found.p_failed[back]
    pool = Pool(
        evidence.place,
        p_failed,
        km_to_go,
        evidence.codes,
        stacked([groups, unseen]),
        list(priors),
        1 - found.some,
    )
    return pool, found.worn


@dataclass(frozen=True, slots=True)
class _Strata:
    """Shape (n_strata,) each."""

    kind: IntArray  # 1: bare clears
    apart: FloatArray  # ln odds of failing over those of its kind
    factor: FloatArray  # on distances

    @classmethod
    def of(cls, evidence: Evidence, priors: Sequence[Prior]) -> "_Strata":
        kind = evidence.stretch.strata.astype(np.int64)
        odds = special.logit([prior.p_mean for prior in priors])
        n = np.bincount(evidence.kin.stratum[evidence.rows.group], minlength=kind.size) + 1e-9
        mean = np.bincount(kind, n * odds, 2) / np.maximum(np.bincount(kind, n, 2), 1e-9)
        return cls(kind, odds - mean[kind], evidence.stretch.factor)


def _tried(evidence: Evidence, seen: Seen, strata: _Strata) -> Tried:
    rows, place = evidence.rows, evidence.place
    stratum = evidence.kin.stratum[rows.group]
    return Tried(
        strata.kind[stratum],
        evidence.kin.kin[rows.group],
        strata.apart[stratum],
        seen.cell[place],
        seen.low_km[place],
        seen.high_km[place],
        seen.new_per_km[place],
        seen.new_log_sd[place],
        seen.older[place],
        rows.low_km,
        rows.high_km,
    )


def _kinds(prior: CellPrior, tried: Tried) -> CellKinds:
    """Give the brands with most returns figures of their own."""
    cells = prior.cells
    of_brand = np.bincount(
        cells.brand[tried.cell],
        tried.back & cells.wears[tried.cell],
        minlength=prior.by_brand.size,
    )
    most = np.argsort(-of_brand, kind="stable")[:_MOST_BRANDS]
    most = most[of_brand[most] > 0]
    place = np.full(of_brand.size, -1)
    place[most] = np.arange(most.size)
    shift = np.where(place >= 0, 0.0, prior.by_brand)
    return CellKinds(place[cells.brand], shift[cells.brand], cells.wears)


def _of_groups(evidence: Evidence, found: Average, strata: _Strata) -> FloatArray:
    """Posterior of each group, shape (g, 28, 39): that of its side."""
    place = np.full((evidence.codes.size + 1, 2), -1)
    place[found.kin, found.kind] = np.arange(found.kin.size)
    kin = evidence.kin
    weight: FloatArray = found.weight[place[kin.kin, strata.kind[kin.stratum]]]
    return weight


@dataclass(frozen=True, slots=True)
class _Judged:
    evidence: Evidence
    levels: Levels
    some: float  # P(any fix fails)
    strata: _Strata

    def summary(self, weight: FloatArray, stratum: IntArray) -> Summary:
        """Conclude about groups."""
        found = summarise(
            weight, self._nodes(stratum), self.levels.threshold, self.levels.conf_level, self.some
        )
        return found.stretched(self.strata.factor[stratum])

    def attempts(self, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
        """P(failed) and km to go of each attempt."""
        rows, stratum = self.evidence.rows, self.evidence.kin.stratum
        p_failed, km = judge(rows, weight, self._nodes(stratum), self.levels.threshold, self.some)
        return p_failed, km * self.strata.factor[stratum[rows.group]]

    def _nodes(self, stratum: IntArray) -> Nodes:
        """Nodes of groups: shares of failures as far apart as their strata are."""
        common, n = self.evidence.common, stratum.size
        odds = np.tan(common.angle) ** 2 * np.exp(self.strata.apart[stratum])[:, None]
        return Nodes(
            np.arctan(np.sqrt(odds)),
            np.repeat(common.log_eta, n, axis=0),
            np.repeat(common.log_shape, n, axis=0),
        )
