"""Simulated fleets of known truth through files, store and findings; run with ``-m slow -s``.

200 sites of about 40 fix attempts, 6 of them failing three times as often; 200 brands of 30 parts
of one family on three models, 10 of them with 0.4 of the life.  What the estimators do on arrays
is measured in ``tests/estimators/test_comparison_calibration``; here the whole way is: what scans
show, what evidence makes of it, what the pooled model learns from the bad sites themselves.
"""

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from numpy.typing import NDArray

from afterclear.commands.analysis.analysing import analyse
from afterclear.commands.app import App
from afterclear.commands.intake.loading import Whose, load_paths
from afterclear.commands.queries.exporting import export_frame
from afterclear.config import Config

pytestmark = pytest.mark.slow

SEEDS = (1, 2, 3)
N_SITES, N_BAD, TIMES_AS_BAD = 200, 6, 3.0
N_BRANDS, N_WEAK, LIFE_OF_WEAK = 200, 10, 0.4
PARTS_A_BRAND = 30
CODES = ("P0401", "P0420", "P0133", "P0171", "P0299")
SHAPE, SCALE_KM = 1.8, 90_000.0
FOLLOWED_KM = 80_000.0

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Found:
    """Tables of one seed."""

    sites: pl.DataFrame
    parts: pl.DataFrame


@pytest.fixture(scope="module")
def fleets(tmp_path_factory: pytest.TempPathFactory) -> list[Found]:
    return [_found(seed, tmp_path_factory.mktemp(f"fleet{seed}")) for seed in SEEDS]


def _found(seed: int, folder: Path) -> Found:
    rng = np.random.default_rng(seed)
    tables = _attempts(rng)
    more = _parts(rng)
    paths = []
    for name in ("scans", "clears", "repairs"):
        frames = [rows[name] for rows in (tables, more) if name in rows]
        paths.append(folder / f"{name}.csv")
        pl.concat(frames, how="diagonal_relaxed").write_csv(paths[-1])
    paths.append(folder / "vehicles.csv")
    more["vehicles"].write_csv(paths[-1])
    app = App(Config(None), folder / "store.duckdb", lambda: datetime(2030, 1, 1, tzinfo=UTC))
    load_paths(app, paths, Whose(), lambda _: None)
    analyse(app)
    return Found(export_frame(app, "sites"), export_frame(app, "parts"))


def _times(day: Floats) -> pl.Series:
    """Instants so many days after 1 January 2024, 8:00 UTC."""
    ms = (1_704_096_000_000 + np.round(day * 86_400_000)).astype(np.int64)
    return pl.Series(ms).cast(pl.Datetime("ms", "UTC")).dt.strftime("%Y-%m-%dT%H:%M:%SZ")


def _attempts(rng: np.random.Generator) -> dict[str, pl.DataFrame]:
    """One vehicle an attempt: found, repaired, cleared, then looked at a few times."""
    size = np.maximum(rng.poisson(rng.lognormal(np.log(40), 0.5, N_SITES)), 2)
    site = np.repeat(np.arange(N_SITES), size)
    n = site.size
    code = rng.integers(0, len(CODES), n)
    share = np.array([0.08, 0.1, 0.12, 0.15, 0.18])[code]
    failed = rng.random(n) < np.where(site < N_BAD, TIMES_AS_BAD * share, share)
    back = np.where(failed, 1500 * rng.weibull(1.0, n), np.inf)
    n_looks = rng.integers(1, 5, n)
    name = np.array([f"F{i:05d}" for i in range(n)])
    looks = [(np.zeros(n, dtype=bool), np.full(n, 1000.0), np.ones(n, dtype=bool))]
    gone, km = np.zeros(n, dtype=bool), np.zeros(n)
    for look in range(4):
        km = km + rng.exponential(3000, n) + 200
        made = (look < n_looks) & ~gone
        dirty = made & (back <= km)
        gone |= dirty
        looks.append((made, 1000 + km, dirty))
    looks[0] = (np.ones(n, dtype=bool), looks[0][1], looks[0][2])
    scans = pl.concat(
        pl.DataFrame(
            {
                "scan_id": [f"S{number}"] * int(made.sum()),
                "vehicle_id": name[made],
                "scanned_at": _times((at[made] - 1000) / 50),
                "odometer_km": at[made].round(1),
                "ecu": ["engine"] * int(made.sum()),
                "code": np.where(dirty[made], np.array(CODES)[code[made]], ""),
            }
        )
        for number, (made, at, dirty) in enumerate(looks)
    )
    repairs = pl.DataFrame(
        {
            "repair_id": ["R"] * n,
            "vehicle_id": name,
            "repaired_at": _times(np.full(n, 0.1)),
            "odometer_km": np.full(n, 1000.0),
            "site": [f"site {i:03d}" for i in site],
            "codes": np.array(CODES)[code],
            "action": ["repair"] * n,
        }
    )
    clears = pl.DataFrame(
        {
            "vehicle_id": name,
            "cleared_at": _times(np.full(n, 0.2)),
            "odometer_km": np.full(n, 1000.0),
        }
    )
    return {"scans": scans, "repairs": repairs, "clears": clears}


def _parts(rng: np.random.Generator) -> dict[str, pl.DataFrame]:
    """One vehicle a part: fitted somewhere on its way, followed by a replacement if it fails."""
    brand = np.repeat(np.arange(N_BRANDS), PARTS_A_BRAND)
    n = brand.size
    model = rng.integers(0, 3, n)
    scale = SCALE_KM * np.where(brand < N_WEAK, LIFE_OF_WEAK, 1.0) * np.array([0.8, 1, 1.25])[model]
    life = scale * rng.weibull(SHAPE, n)
    fitted = rng.uniform(10_000, 60_000, n)
    end = fitted + rng.uniform(5000, FOLLOWED_KM, n)
    gone = fitted + life < end
    # the part that takes its place is not followed: nothing is known to be true of it
    end = np.minimum(end, fitted + life)
    name = np.array([f"B{i:05d}" for i in range(n)])
    begun = pl.DataFrame(_odometer(name, np.full(n, 9000.0), "S0"))
    ended = pl.DataFrame(_odometer(name, end, "S1"))
    first = _replacement(name, fitted, brand, "R1")
    second = _replacement(name[gone], (fitted + life)[gone], np.full(int(gone.sum()), -1), "R2")
    vehicles = pl.DataFrame({"vehicle_id": name, "model": [f"model {i}" for i in model]})
    return {
        "scans": pl.concat([begun, ended]),
        "repairs": pl.concat([first, second]),
        "vehicles": vehicles,
    }


def _odometer(name: NDArray[np.str_], km: Floats, scan: str) -> dict[str, object]:
    return {
        "scan_id": [scan] * name.size,
        "vehicle_id": name,
        "scanned_at": _times(km / 100),
        "odometer_km": km.round(1),
        "ecu": [""] * name.size,
    }


def _replacement(name: NDArray[np.str_], km: Floats, brand: Ints, order: str) -> pl.DataFrame:
    brands = [f"Brand {b:03d}" if b >= 0 else "Whatever" for b in brand]
    return pl.DataFrame(
        {
            "repair_id": [order] * name.size,
            "vehicle_id": name,
            "repaired_at": _times(km / 100),
            "odometer_km": km.round(1),
            "action": ["replace"] * name.size,
            "part_family": ["water pump"] * name.size,
            "part_number": [b.replace(" ", "-") for b in brands],
            "part_brand": brands,
            "removal_reason": ["failure"] * name.size,
        }
    )


def test_bad_sites_are_found_and_ordinary_ones_are_not(fleets: list[Found]) -> None:
    """99.8 % limits with phi: at most 1 % of ordinary sites, two in five of the bad at least.

    Earlier simulated: .01 % and 61 % for sites of 50 attempts that do not differ otherwise; these
    have 40 and a third of their come-backs are never seen.
    """
    print("sites      ordinary flagged   bad found   their ratio   95 % interval holds 1")
    ordinary, found, covered = [], [], []
    for seed, fleet in zip(SEEDS, fleets, strict=True):
        bad = fleet.sites["site"].str.slice(5).cast(pl.Int64) < N_BAD
        rest = fleet.sites.filter(~bad & (pl.col("label") != "too_few"))
        ordinary.append(rest["flagged"].mean())
        found.append(fleet.sites.filter(bad)["flagged"].mean())
        covered.append(((rest["ratio_low"] < 1) & (rest["ratio_high"] > 1)).mean())
        ratio = fleet.sites.filter(bad)["ratio"].mean()
        print(f"seed {seed}  {ordinary[-1]:>16.2%} {found[-1]:>11.0%} {ratio:>13.2f}"
              f" {covered[-1]:>23.1%}")  # fmt: skip
        # ranked first, whether flagged or not
        top = fleet.sites.filter((pl.col("rank") > 0) & (pl.col("rank") <= 2 * N_BAD))["site"]
        assert len(set(top) & set(fleet.sites.filter(bad)["site"])) >= N_BAD - 1
    assert np.mean(ordinary) <= 0.01
    assert np.mean(found) >= 0.4
    assert np.mean(covered) >= 0.93


def test_weak_brands_are_found_and_ordinary_ones_are_not(fleets: list[Found]) -> None:
    """Found: 80 % or more; ordinary ones flagged: 1 % at most, since q is below .05."""
    print("brands     ordinary flagged   weak found   true ratio inside the 95 % interval")
    ordinary, found, covered = [], [], []
    for seed, fleet in zip(SEEDS, fleets, strict=True):
        numbers = fleet.parts.filter(
            (pl.col("grouping") == "number") & pl.col("part_brand").str.starts_with("Brand")
        )
        weak = numbers["part_brand"].str.slice(6).cast(pl.Int64) < N_WEAK
        rest = numbers.filter(~weak)
        ordinary.append(rest["flagged"].mean())
        found.append(numbers.filter(weak)["flagged"].mean())
        # the peers of an ordinary brand are 5 % weak ones, which moves the true ratio by 2 %
        high = rest["ratio_high"].fill_null(np.inf)
        covered.append(((rest["ratio_low"] < 1) & (high > 1)).mean())
        print(f"seed {seed}  {ordinary[-1]:>16.2%} {found[-1]:>12.0%} {covered[-1]:>25.1%}")
    assert np.mean(ordinary) <= 0.01
    assert np.mean(found) >= 0.8
    assert 0.92 <= np.mean(covered) <= 0.98


def test_90_percent_intervals_of_b10_cover_85_to_95(fleets: list[Found]) -> None:
    """Of one model's brand mixtures the truth is known by drawing a million lives."""
    rng = np.random.default_rng(0)
    scale = SCALE_KM * np.array([0.8, 1, 1.25])[rng.integers(0, 3, 1_000_000)]
    b10 = float(np.quantile(scale * rng.weibull(SHAPE, 1_000_000), 0.1))
    print("lives      B10 inside the 90 % interval, by method")
    inside = []
    for seed, fleet in zip(SEEDS, fleets, strict=True):
        numbers = fleet.parts.filter(
            (pl.col("grouping") == "number") & pl.col("part_brand").str.starts_with("Brand")
        ).filter(pl.col("part_brand").str.slice(6).cast(pl.Int64) >= N_WEAK)
        told = numbers.with_columns(
            ((pl.col("b10_low_km") < b10) & (pl.col("b10_high_km").fill_null(np.inf) > b10)).alias(
                "covers"
            ),
            (pl.col("method") == "likelihood").alias("many"),
        )
        inside.append(told["covers"].mean())
        by_method = told.group_by("many").agg(pl.col("covers").mean(), pl.len()).sort("many")
        print(f"seed {seed}  {inside[-1]:.1%}", by_method.rows())
    assert 0.85 <= np.mean(inside) <= 0.95
