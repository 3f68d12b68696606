"""Are sites told apart truly?  Fleets whose sites are alike, and with one that is bad.

Where sites are unequal, they are so in all that is no fault of theirs: how often and how long their
vehicles are scanned, how much they clear without a repair.  ``python -m tests.calibration.sites
[--vehicles 400] [--seeds 20] [--first 1]`` prints how many ordinary sites have p below .05, how
many are labelled, and how often the bad one is found.
"""

import argparse
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from afterclear.estimators.causes.judging import judge
from afterclear.estimators.fix_held.pool import Levels
from afterclear.estimators.rates.case_mix import Pooled
from afterclear.estimators.rates.site_residuals import SiteResiduals, site_residuals
from tests.calibration.fleet import Fleet, simulate
from tests.calibration.judged import given
from tests.calibration.laws import Laws
from tests.calibration.scores import HELD_BELOW

N_SITES = 12
BAD = 5


def site_laws(laws: Laws, *, unequal: bool, worse_by: float, seed: int) -> list[Laws]:
    """Laws of each site; site ``BAD`` has more failing repairs by ``worse_by``."""
    rng = np.random.default_rng([seed, 77])
    found = []
    for site in range(N_SITES):
        own = replace(laws, bad_work=worse_by if site == BAD else 0.0)
        if unequal:
            own = replace(
                own,
                gap_days=float(laws.gap_days * np.exp(rng.normal(0, 0.6))),
                repairs=float(rng.uniform(0.25, 0.85)),
                service_clears=float(rng.choice([0.0, 0.05, 0.3])),
                stray_clears_per_year=float(rng.choice([0.0, 0.2, 0.8])),
                years=float(rng.uniform(1.5, laws.years)),
            )
        found.append(own)
    return found


def tested(fleet: Fleet) -> SiteResiduals:
    """Test the sites as the finding does, without the store."""
    rows, cells = given(fleet)
    held = judge(rows, cells, Levels(HELD_BELOW, 0.95)).held
    pooled = Pooled(
        rows.group,
        rows.stratum,
        held.groups.p_mean[rows.group],
        np.array([prior.p_mean for prior in held.priors])[rows.stratum],
        np.array([prior.a + prior.b for prior in held.priors])[rows.stratum],
    )
    back = np.isfinite(rows.high_km)
    p_failed = np.where(back, held.p_same_fault, held.p_not_held)
    vehicle = fleet.column("vehicle").astype(np.int64)
    site = vehicle % N_SITES
    work = fleet.column("is_repair") > 0
    return site_residuals(
        pooled.part(work),
        p_failed[work],
        (site[work], vehicle[work]),
        np.ones(N_SITES, dtype=np.bool_),
    )


@dataclass(frozen=True)
class Found:
    """What was said of the sites of some fleets."""

    n_fleets: int
    n_ordinary: int
    below_5_percent: int  # of the ordinary ones
    labelled: int
    bad_found: int  # fleets

    def __str__(self) -> str:
        return (
            f"p < .05: {self.below_5_percent} of {self.n_ordinary} ordinary sites"
            f" ({self.below_5_percent / self.n_ordinary:.3f}), labelled {self.labelled};"
            f" the bad one found in {self.bad_found} of {self.n_fleets}"
        )


def found(laws: Laws, seeds: Iterable[int], *, unequal: bool, worse_by: float) -> Found:
    """Draw fleets and test their sites."""
    results = []
    for seed in seeds:
        sites = site_laws(laws, unequal=unequal, worse_by=worse_by, seed=seed)
        results.append(tested(simulate(laws, seed, sites=sites)))
    p, q, log_odds = (
        np.array([getattr(r, name) for r in results]) for name in ("p_value", "q_value", "log_odds")
    )
    ordinary = (np.arange(N_SITES) != BAD) | (worse_by == 0)
    sure = q < 0.05
    is_found = sure[:, BAD] & (log_odds[:, BAD] > 0) & (worse_by > 0)
    return Found(
        len(results),
        int(ordinary.sum() * len(results)),
        int((p[:, ordinary] < 0.05).sum()),
        int(sure[:, ordinary].sum()),
        int(is_found.sum()),
    )


def _main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--vehicles", type=int, default=400)
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--first", type=int, default=1)
    told = parser.parse_args()
    for unequal in (False, True):
        for worse_by in (0.0, 0.12, 0.25):
            seeds = range(told.first, told.first + told.seeds)
            line = found(Laws(told.vehicles), seeds, unequal=unequal, worse_by=worse_by)
            print(f"{'unequal' if unequal else 'equal':8s} +{worse_by:.2f}  {line}", flush=True)


if __name__ == "__main__":
    _main()
