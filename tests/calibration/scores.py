"""How judgements of a fleet compare with its truth and with the oracle."""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from tests.calibration.fleet import Bools, Fleet, Floats
from tests.calibration.oracle import oracle

EDGES = np.array([0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 0.7])
HELD_BELOW = 0.05
_DRAWS = 200


@dataclass(frozen=True)
class Told:
    """What a model says of each attempt, shape (n,)."""

    p_not_held: Floats  # NaN: it returned
    p_same_fault: Floats  # NaN: it did not
    p_worn: Floats
    km_to_go: Floats


@dataclass(frozen=True)
class Rows:
    """Judgements and truth of one fleet or several, shape (n,) each."""

    p: Floats
    p_oracle: Floats
    failed: Floats
    worn: Floats
    p_worn: Floats
    p_worn_oracle: Floats
    back: Bools
    clean: Bools  # seen clean at least once
    to_go: Floats
    to_go_oracle: Floats

    @classmethod
    def of(cls, fleet: Fleet, told: Told) -> "Rows":
        known = oracle(fleet, HELD_BELOW)
        back = np.isfinite(fleet.column("back_km"))
        return cls(
            np.where(back, told.p_same_fault, told.p_not_held),
            known.p_failed,
            fleet.column("failed"),
            np.where(fleet.column("failed") > 0, 0.0, fleet.column("cause") == 1),
            told.p_worn,
            known.p_worn,
            back,
            (fleet.column("n_clean") > 0) & ~back,
            told.km_to_go,
            known.km_to_go,
        )

    @classmethod
    def joined(cls, parts: Sequence["Rows"]) -> "Rows":
        return cls(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(cls)))


@dataclass(frozen=True)
class Score:
    """One line of the table."""

    ece: float
    ece_oracle: float
    ece_noise: float  # 95 of 100 told so would show less, were all chances as told
    ece_noise_oracle: float  # the same of the oracle's chances
    ece_apart: float  # from the oracle's chances instead of what happened: no luck in it
    brier: float
    brier_oracle: float
    held: float  # share of those seen clean
    held_oracle: float
    wrong: float  # of those told held
    to_go: float  # median km of those on watch
    to_go_oracle: float
    ece_same: float
    ece_same_oracle: float
    ece_same_noise: float
    ece_same_noise_oracle: float
    ece_same_apart: float
    ece_worn: float
    ece_worn_oracle: float
    same: float  # mean
    same_true: float
    brier_same: float
    brier_same_oracle: float


def score(rows: Rows) -> Score:
    """Compare.  The first figures are of attempts seen clean or not at all, the last of returns."""
    there, back = ~rows.back, rows.back
    p, p_oracle, failed = rows.p[there], rows.p_oracle[there], rows.failed[there]
    held, held_oracle = ((q < HELD_BELOW) & rows.clean for q in (rows.p, rows.p_oracle))
    watch = (rows.p >= HELD_BELOW) & rows.clean
    watch_oracle = (rows.p_oracle >= HELD_BELOW) & rows.clean
    return Score(
        ece=calibration_error(p, failed),
        ece_oracle=calibration_error(p_oracle, failed),
        ece_noise=noise(p),
        ece_noise_oracle=noise(p_oracle),
        ece_apart=calibration_error(p, p_oracle),
        brier=_mean((p - failed) ** 2),
        brier_oracle=_mean((p_oracle - failed) ** 2),
        held=_mean(held[rows.clean]),
        held_oracle=_mean(held_oracle[rows.clean]),
        wrong=_mean(rows.failed[held]),
        to_go=_median(rows.to_go[watch]),
        to_go_oracle=_median(rows.to_go_oracle[watch_oracle]),
        ece_same=calibration_error(rows.p[back], rows.failed[back]),
        ece_same_oracle=calibration_error(rows.p_oracle[back], rows.failed[back]),
        ece_same_noise=noise(rows.p[back]),
        ece_same_noise_oracle=noise(rows.p_oracle[back]),
        ece_same_apart=calibration_error(rows.p[back], rows.p_oracle[back]),
        ece_worn=calibration_error(rows.p_worn[back], rows.worn[back]),
        ece_worn_oracle=calibration_error(rows.p_worn_oracle[back], rows.worn[back]),
        same=_mean(rows.p[back]),
        same_true=_mean(rows.failed[back]),
        brier_same=_mean((rows.p[back] - rows.failed[back]) ** 2),
        brier_same_oracle=_mean((rows.p_oracle[back] - rows.failed[back]) ** 2),
    )


def calibration_error(p: Floats, truth: Floats) -> float:
    """Mean over bins of |told - true|, by size (expected calibration error)."""
    if not p.size or np.isnan(p).any():
        return np.nan
    bins = np.digitize(p, EDGES)
    return float(
        sum(
            abs(p[bins == k].mean() - truth[bins == k].mean()) * (bins == k).mean()
            for k in np.unique(bins)
        )
    )


def noise(p: Floats, level: float = 0.95) -> float:
    """ECE that 95 of 100 forecasts as these stay below when every chance is what happens."""
    if not p.size or np.isnan(p).any():
        return np.nan
    rng, bins = np.random.default_rng(0), np.digitize(p, EDGES)
    error = np.zeros(_DRAWS)
    for k in np.unique(bins):
        mine = p[bins == k]
        came = np.array([(rng.random(mine.size) < mine).sum() for _ in range(_DRAWS)])
        error += np.abs(came - mine.sum()) / p.size
    return float(np.quantile(error, level))


def _mean(values: Floats | Bools) -> float:
    return float(values.mean()) if values.size else np.nan


def _median(values: Floats) -> float:
    return float(np.median(values)) if values.size else 0.0
