"""What somebody would say who knows the laws fleets are drawn from, but not this fleet's figures.

Rates of new faults, wear and how distances of return are drawn are known; what is not: each
component's shares of failures, its scale and shape, and whether in this fleet fixes fail as
usual, never or always.  It is told more than any tool can know, so what it
reaches is no floor; ``law_average`` is.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

from tests.calibration.fleet import Bools, Fleet, Floats, Ints
from tests.calibration.judged import COMPONENT
from tests.calibration.laws import CODES, FACTORS, P_CLEAR, P_REPAIR, P_SD
from tests.calibration.oracle import other_hazard, survival
from tests.calibration.scores import Told

_Z = np.linspace(-3.2, 3.2, 21)
_Z_WEIGHT = np.exp(-_Z * _Z / 2) / np.exp(-_Z * _Z / 2).sum()
_SHAPES = np.linspace(0.74, 1.46, 7)  # of even ones from .7 to 1.5
_LEAST = 1e-15


@dataclass(frozen=True)
class _Rows:
    """Attempts of one component, shape (n,) each, and every curve they may follow."""

    low: Floats
    high: Floats
    back: Bools
    other: Floats  # P(another cause in the window)
    is_repair: Bools
    eta: Floats  # (n, c)
    shape: Floats  # (c,)
    is_log: bool

    def failed(self) -> Floats:
        """P(what was seen | the fix failed), shape (n, c)."""
        later = np.where(self.back, self.high, 1.0)
        s_low, s_high = (
            survival(km[:, None], self.eta, self.shape, is_log=self.is_log)
            for km in (self.low, later)
        )
        gone = s_low - s_high * (1 - self.other[:, None])
        return np.maximum(np.where(self.back[:, None], gone, s_low), _LEAST)


def informed(fleet: Fleet) -> Told:
    """Tell the chances; no distances."""
    fault = fleet.column("fault").astype(np.int64)
    component = np.arange(len(CODES))[fault] if fleet.laws.positions_differ else COMPONENT[fault]
    evidence, p_failed = np.zeros(len(FACTORS)), np.zeros((len(FACTORS), fault.size))
    for number in np.unique(component):
        mine = np.flatnonzero(component == number)
        rows = rows_of(fleet, mine)
        for k, factor in enumerate(FACTORS):
            log_evidence, p_failed[k, mine] = of_component(rows, factor)
            evidence[k] += log_evidence
    p = special.softmax(evidence) @ p_failed
    back = np.isfinite(fleet.column("back_km"))
    new, worn = other_hazard(fleet)
    share = worn / np.maximum(new + worn, 1e-300)
    nobody = np.full(p.size, np.nan)
    return Told(
        np.where(back, np.nan, p),
        np.where(back, p, np.nan),
        np.where(back, (1 - p) * share, np.nan),
        nobody,
    )


def rows_of(fleet: Fleet, mine: Ints) -> _Rows:
    laws = fleet.laws
    low, high = fleet.column("clean_km")[mine], fleet.column("back_km")[mine]
    is_repair = fleet.column("is_repair")[mine] > 0
    eta = np.repeat(laws.eta[0] * np.exp(laws.eta[1] * _Z), _SHAPES.size)
    factor = np.where(is_repair, 1.0, laws.clear_eta_factor)[:, None]
    other = -np.expm1(-sum(other_hazard(fleet))[mine])
    return _Rows(
        low,
        high,
        np.isfinite(high),
        other,
        is_repair,
        eta * factor,
        np.tile(_SHAPES, _Z.size),
        laws.lognormal,
    )


def of_component(rows: _Rows, factor: float) -> tuple[float, Floats]:
    """Log evidence for a factor on the odds of failing, and P(failed) of each attempt under it."""
    failed, base = rows.failed(), np.where(rows.back, rows.other, 1.0)[:, None]
    log_z = np.log(_Z_WEIGHT)
    log_curve = np.repeat(log_z, _SHAPES.size) - np.log(_SHAPES.size)
    kinds = []
    for is_repair, middle in ((True, P_REPAIR), (False, P_CLEAR)):
        mine = np.flatnonzero(rows.is_repair == is_repair)
        odds = factor * np.exp(np.log(middle) + P_SD * _Z)
        p = np.ones(_Z.size) if np.isinf(factor) else odds / (1 + odds)
        hidden = p[None, :, None] * failed[mine][:, None, :]
        seen = np.maximum(hidden + (1 - p)[None, :, None] * base[mine][:, None, :], 1e-300)
        table = np.log(seen).sum(axis=0) + log_z[:, None]
        kinds.append((mine, hidden / seen, table))
    by_curve = sum(special.logsumexp(table, axis=0) for _, _, table in kinds) + log_curve
    p_failed = np.zeros(rows.low.size)
    for mine, share, table in kinds:
        joint = table - special.logsumexp(table, axis=0) + by_curve
        p_failed[mine] = np.einsum("npc,pc->n", share, special.softmax(joint))
    return float(special.logsumexp(by_curve)), p_failed
