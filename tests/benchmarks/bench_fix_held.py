"""How fast fix attempts are judged, against a library that fits one group at a time.

Run as ``python -m tests.benchmarks.bench_fix_held``.  Of the general libraries that fit a Weibull
with a share that never fails, surpyval (``lfp=True``) is the fastest on interval data (lifelines
takes several times as long and stops far from the maximum; reliability takes no intervals).  It is
timed on a sample of groups.  It answers less: no pooling, no km to go, and nothing at all for
groups with fewer than three distinct returns.  All run on one core, in processor seconds, so that
what else the machine does hardly counts.

``python -m tests.benchmarks.bench_fix_held causes`` judges 1 M attempts as the tool does, by three
causes of a return; the goal is less than 60 s and 1 GB on two cores.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: one core, as the library has

import resource
import sys
import time
import warnings

import numpy as np
import surpyval

from afterclear.estimators.causes import judging
from afterclear.estimators.causes.cell_prior import Cells
from afterclear.estimators.fix_held.pool import Levels
from tests.estimators.fix_held_alone import fix_held
from tests.estimators.simulated_fleet import (
    BACKGROUND,
    Attempts,
    Scanning,
    group_codes,
    observe,
    ordinary_truth,
)

N_GROUPS, MEAN_SIZE = 10_000, 5.0
SAMPLE = 400
# attempts grow tenfold with the groups, then in the groups
GROWTH = ((2_000, 5.0), (20_000, 5.0), (4_000, 250.0))

# of a fleet judged by three causes: repairs and bare clears, first and repeated, of each component
COMPONENTS, STRATA, BRANDS, OF_GROUP = 2_500, 4, 5, 100.0


def fleet(n_groups: int, mean_size: float) -> Attempts:
    """Draw attempts of an ordinary fleet."""
    rng = np.random.default_rng(20_240)
    group = group_codes(rng, n_groups, mean_size)
    truth = ordinary_truth(rng, group, BACKGROUND)
    return observe(rng, group, truth, Scanning(6000.0))


def seconds_of_ours(attempts: Attempts) -> float:
    """Processor seconds to judge all of them."""
    start = time.process_time()
    fix_held(attempts.group, attempts.low_km, attempts.high_km, BACKGROUND)
    return time.process_time() - start


def seconds_of_library(attempts: Attempts, n_sample: int) -> tuple[float, int]:
    """Processor seconds for those of the first groups that it fits, and how many they are."""
    evidence = (attempts.low_km > 0) | attempts.returned
    n_fitted, total = 0, 0.0
    for code in range(n_sample):
        rows = (attempts.group == code) & evidence
        start = time.process_time()
        try:
            surpyval.Weibull.fit(xl=attempts.low_km[rows], xr=attempts.high_km[rows], lfp=True)
        except ValueError:  # too few distinct returns; not held against it in time
            continue
        total += time.process_time() - start
        n_fitted += 1
    return total, n_fitted


def by_three_causes() -> None:
    """Print what judging a million attempts costs: 10,000 groups, 15,000 cells."""
    tried = fleet(COMPONENTS * STRATA, OF_GROUP - 1)
    component, stratum = np.divmod(tried.group, STRATA)
    is_repair, n = stratum % 2, tried.group.size
    brand = np.random.default_rng(1).integers(1, BRANDS + 1, n) * is_repair
    attempts = judging.Attempts(
        tried.group, stratum, component, is_repair == 0, component * (BRANDS + 1) + brand,
        tried.low_km, tried.high_km, np.full(n, BACKGROUND), np.full(n, 0.2),
        judging.OlderParts.none(n),
    )  # fmt: skip
    of_component = np.tile(np.arange(BRANDS + 1), COMPONENTS)
    kind = (of_component > 0).astype(np.int64)
    cells = Cells(np.repeat(np.arange(COMPONENTS), BRANDS + 1), of_component, kind, kind == 1)
    start, on_the_clock = time.process_time(), time.perf_counter()
    judging.judge(attempts, cells, Levels(0.05, 0.95))
    spent, waited = time.process_time() - start, time.perf_counter() - on_the_clock
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{n} attempts, {tried.returned.sum()} returned, {COMPONENTS * STRATA} groups, "
        f"{kind.size} cells: {waited:.0f} s, {spent:.0f} processor seconds, {most:.0f} MB"
    )


def main() -> None:
    """Print both tables."""
    warnings.simplefilter("ignore")  # of the library, on groups too small for it
    attempts = fleet(N_GROUPS, MEAN_SIZE)
    ours = seconds_of_ours(attempts)
    library, n_fitted = seconds_of_library(attempts, SAMPLE)
    each = library / n_fitted
    print(f"{N_GROUPS} groups, {attempts.group.size} attempts, {attempts.returned.sum()} returned")
    print(f"  fix_held, all groups, with km to go        {ours:8.1f} s")
    print(
        f"  surpyval, the groups it can fit            {each * n_fitted / SAMPLE * N_GROUPS:8.1f} s"
        f"   ({n_fitted} of {SAMPLE} sampled, {1000 * each:.0f} ms each)"
    )
    print(
        f"  surpyval, as if it could fit each of them  {each * N_GROUPS:8.1f} s"
        f"   {each * N_GROUPS / ours:.0f} times as long"
    )
    print("groups   attempts   seconds   microseconds an attempt   most memory so far")
    for n_groups, mean_size in GROWTH:
        grown = fleet(n_groups, mean_size)
        spent = seconds_of_ours(grown)
        most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        n = grown.group.size
        print(f"{n_groups:6} {n:10} {spent:9.2f} {1e6 * spent / n:25.1f} {most:17.0f} MB")


if __name__ == "__main__":
    by_three_causes() if "causes" in sys.argv else main()
