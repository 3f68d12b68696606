"""How fast estimators of many groups are, against loops over reference libraries.

Run as ``python -m tests.benchmarks.bench_estimators``.  10,000 groups of about 20 rows in one
process.  Ours are timed whole, checks of the input included, the best of five; a library is
timed on a sample of the same groups, the better of two, and scaled up.  A library's loop does
what comes nearest to ours: limits of the curve, a fit and its interval.  Ratios count, not this
machine's seconds.
"""

import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass

import lifelines
import numpy as np
import statsmodels.api as sm
import surpyval
from sksurv.nonparametric import kaplan_meier_estimator

from afterclear.estimators.lifetimes.compare import log_rank
from afterclear.estimators.lifetimes.few_failures import part_life
from afterclear.estimators.lifetimes.lifetimes import Lifetimes, observed_lifetimes
from afterclear.estimators.lifetimes.survival import kaplan_meier
from afterclear.estimators.lifetimes.weibull import fit_weibull
from afterclear.estimators.lifetimes.weibull_limits import likelihood_ratio_limits
from afterclear.estimators.recurrence.exposure import ObservedUnits, observed_units
from afterclear.estimators.recurrence.mean_cumulative import mean_cumulative_function

N_GROUPS = 10_000
ROWS_PER_GROUP = 20
SAMPLE = 60  # groups a library is timed on
REQUIRED = {"Kaplan-Meier with limits": 50, "Weibull with LR B10": 200, "MCF with limits": 100}


@dataclass(frozen=True)
class Task:
    """One estimator: ours on all groups, and libraries on one group by its number."""

    name: str
    ours: Callable[[], object]
    libraries: dict[str, Callable[[int], object]]
    aside: frozenset[str] = frozenset()  # timed, but does less than ours: not compared with


def lifetimes(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Ages, whether failed, and groups: 20 rows a group, about 7 failures."""
    size = np.maximum(rng.poisson(ROWS_PER_GROUP, N_GROUPS), 2)
    group = np.repeat(np.arange(N_GROUPS), size)
    age, end = rng.weibull(1.5, group.size) * 1000, rng.uniform(0, 1200, group.size)
    return np.minimum(age, end), age <= end, group


def fleets(rng: np.random.Generator) -> ObservedUnits:
    """7 vehicles a group with 13 events: 20 rows."""
    n_units = N_GROUPS * 7
    end = rng.uniform(500, 3000, n_units)
    unit = np.repeat(np.arange(n_units), rng.poisson(13 / 7 * rng.gamma(1, 1, n_units)))
    event = end[unit] * (1 - rng.random(unit.size))
    return observed_units(event, unit, end, group=np.repeat(np.arange(N_GROUPS), 7))


def kaplan_meier_task(age: np.ndarray, failed: np.ndarray, group: np.ndarray) -> Task:
    """Curves with log(-log) limits."""
    edges = np.searchsorted(group, np.arange(N_GROUPS + 1))

    def of(number: int) -> tuple[np.ndarray, np.ndarray]:
        own = slice(edges[number], edges[number + 1])
        return age[own], failed[own]

    def by_surpyval(number: int) -> object:
        x, d = of(number)
        model = surpyval.KaplanMeier.fit(x, c=1 - d)
        return model.R_cb(model.x)

    def by_scikit_survival(number: int) -> object:
        x, d = of(number)
        return kaplan_meier_estimator(d, x, conf_type="log-log")

    return Task(
        "Kaplan-Meier with limits",
        lambda: kaplan_meier(observed_lifetimes(age, failed, group=group)),
        {
            "surpyval": by_surpyval,
            "scikit-survival": by_scikit_survival,
            "lifelines": lambda i: lifelines.KaplanMeierFitter().fit(*of(i)).confidence_interval_,
            "statsmodels": lambda i: sm.SurvfuncRight(*of(i)).surv_prob_se,
        },
        aside=frozenset({"statsmodels"}),  # standard errors only, no such limits
    )


def weibull_task(age: np.ndarray, failed: np.ndarray, group: np.ndarray) -> Task:
    """Fits with an interval of B10: ours by likelihood ratio, theirs by the delta method."""
    edges = np.searchsorted(group, np.arange(N_GROUPS + 1))

    def ours() -> object:
        rows = observed_lifetimes(age, failed, group=group)
        return likelihood_ratio_limits(rows, fit_weibull(rows))

    def by_surpyval(number: int) -> object:
        own = slice(edges[number], edges[number + 1])
        return surpyval.Weibull.fit(age[own], c=1 - failed[own]).quantile_cb(0.1)

    def by_lifelines(number: int) -> object:
        own = slice(edges[number], edges[number + 1])
        return lifelines.WeibullFitter().fit(age[own], failed[own]).percentile(0.9)

    return Task("Weibull with LR B10", ours, {"surpyval": by_surpyval, "lifelines": by_lifelines})


def recurrence_task(data: ObservedUnits) -> Task:
    """Mean cumulative function with robust limits."""
    unit_edges = np.searchsorted(data.group, np.arange(N_GROUPS + 1))
    event_edges = np.searchsorted(data.event_group, np.arange(N_GROUPS + 1))

    def ours() -> object:
        return mean_cumulative_function(
            observed_units(data.event, data.event_unit, data.exit, group=data.group)
        )

    def by_surpyval(number: int) -> object:
        units = np.arange(unit_edges[number], unit_edges[number + 1])
        own = slice(event_edges[number], event_edges[number + 1])
        item = np.concatenate((data.event_unit[own], units))
        model = surpyval.NonParametricCounting.fit(
            np.concatenate((data.event[own], data.exit[units])),
            item,
            c=np.repeat([0, 1], [item.size - units.size, units.size]),
        )
        return model.mcf_cb(model.x)

    return Task("MCF with limits", ours, {"surpyval": by_surpyval})


def other_tasks(rows: Lifetimes, rng: np.random.Generator) -> list[Task]:
    """Add what no ratio is required of."""
    arm = rng.integers(0, 2, rows.low.size)
    edges = np.searchsorted(rows.group, np.arange(N_GROUPS + 1))

    def logrank_by_lifelines(number: int) -> object:
        own = slice(edges[number], edges[number + 1])
        x, d, one = rows.low[own], rows.failed[own], arm[own] == 1
        return lifelines.statistics.logrank_test(x[one], x[~one], d[one], d[~one])

    return [
        Task("log-rank", lambda: log_rank(rows, arm), {"lifelines": logrank_by_lifelines}),
        Task("part life (rule for 0, 1-9, 10+)", lambda: part_life(rows), {}),
    ]


def best_of(runs: int, work: Callable[[], object]) -> float:
    """Shortest time of some runs, seconds."""
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def sampled(call: Callable[[int], object]) -> float:
    """Seconds a library's loop would take over all groups."""

    def loop() -> None:
        for number in range(SAMPLE):
            call(number)

    return best_of(2, loop) / SAMPLE * N_GROUPS


def report(task: Task) -> str:
    """One line: ours, each library scaled, the ratio to the fastest that does the same."""
    own = best_of(5, task.ours)
    scaled = {name: sampled(call) for name, call in task.libraries.items()}
    line = f"{task.name:34} ours {own:8.4f} s"
    line += "".join(f"  {name} {seconds:.1f} s" for name, seconds in scaled.items())
    compared = [seconds for name, seconds in scaled.items() if name not in task.aside]
    if compared:
        ratio = min(compared) / own
        needed = REQUIRED.get(task.name)
        line += f"  -> {ratio:,.0f} times"
        line += f" (needed: {needed}; {'met' if ratio >= needed else 'MISSED'})" if needed else ""
    return line


def main() -> None:
    """Print a line for each estimator."""
    warnings.simplefilter("ignore")
    rng = np.random.default_rng(4)
    age, failed, group = lifetimes(rng)
    rows = observed_lifetimes(age, failed, group=group)
    tasks = [
        kaplan_meier_task(age, failed, group),
        weibull_task(age, failed, group),
        recurrence_task(fleets(rng)),
        *other_tasks(rows, rng),
    ]
    print(f"{N_GROUPS} groups of about {ROWS_PER_GROUP} rows; libraries on {SAMPLE}, scaled")
    for task in tasks:
        print(report(task))


if __name__ == "__main__":
    main()
