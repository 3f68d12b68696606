"""What somebody would say who must learn from a fleet how often its fixes fail, and how far on.

Rates of new faults, wear and how components of one fleet differ are known (``informed.py``); the
fleet's odds of failing and its middle distance of return are not: ln odds ~ N(usual, 1.2), ln
distance ~ N(ln 1500 km, .9).  It knows more than any tool of the rest, but not that a fleet may be
one where no fix fails: no floor, that is ``law_average``.
``python -m tests.calibration.verdicts --models now learner`` puts it beside the model; it tells no
distances.
"""

from dataclasses import replace

import numpy as np
from scipy import special

from tests.calibration.fleet import Fleet
from tests.calibration.informed import of_component, rows_of
from tests.calibration.judged import COMPONENT
from tests.calibration.laws import CODES
from tests.calibration.oracle import other_hazard
from tests.calibration.scores import Told

_ODDS = np.linspace(-4.0, 3.0, 11)  # ln of the factor on the odds of failing
_ETA = np.linspace(-2.0, 2.0, 9) * 0.9  # ln of the middle distance over 1500 km
_LOG_PRIOR = -0.5 * ((_ODDS / 1.2) ** 2)[:, None] - 0.5 * ((_ETA / 0.9) ** 2)[None, :]
_SPREAD = 0.5  # of ln distance over components


def learner(fleet: Fleet) -> Told:
    """Tell the chances; no distances."""
    fault = fleet.column("fault").astype(np.int64)
    component = np.arange(len(CODES))[fault] if fleet.laws.positions_differ else COMPONENT[fault]
    evidence = _LOG_PRIOR.copy()
    p_failed = np.zeros((*evidence.shape, fault.size))
    for place, log_eta in enumerate(_ETA):
        eta = (float(1500.0 * np.exp(log_eta)), _SPREAD)
        as_if = replace(fleet, laws=replace(fleet.laws, eta=eta))
        for number in np.unique(component):
            mine = np.flatnonzero(component == number)
            rows = rows_of(as_if, mine)
            for k, log_odds in enumerate(_ODDS):
                found, p_failed[k, place, mine] = of_component(rows, float(np.exp(log_odds)))
                evidence[k, place] += found
    p = np.einsum("kj,kjn->n", special.softmax(evidence), p_failed)
    back = np.isfinite(fleet.column("back_km"))
    new, worn = other_hazard(fleet)
    share = worn / np.maximum(new + worn, 1e-300)
    return Told(
        np.where(back, np.nan, p),
        np.where(back, p, np.nan),
        np.where(back, (1 - p) * share, np.nan),
        np.full(p.size, np.nan),
    )
