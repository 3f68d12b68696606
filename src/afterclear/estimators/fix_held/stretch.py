"""Whether failures of some strata come back after other distances than those of their kin.

Groups of one kin share one curve.  Bare clears may have it stretched, all distances times one
factor, the same for all components of a fleet; or each component's clears have a curve of their
own.  The fleet's data decide by their evidence: at even odds a factor of 1, ln factor ~ N(0, .7),
and curves of their own.

Simulated, 400 vehicles: where repairs and clears differ by a factor of 3 the evidence for it is
e^6 to e^45 and the factor found 2.4 to 3.2; where they are alike it is e^-1 to e^-3, and e^-1 to
e^-5 for curves of their own.  These, as fitted for all fleets before, left repairs with few
failures, and parts that wore out then stretched their curve: of late returns with short lifetimes,
2,000 vehicles, 50 % were judged held where 65 % can be, now 66 of 64.  One curve without a factor
judged 81 % held of 89 where there is one, now 87.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from afterclear.estimators.arrays.validation import BoolArray, FloatArray
from afterclear.estimators.fix_held.grid import N_ETA, N_SHAPE, Float32Array, Nodes
from afterclear.estimators.fix_held.prior import Kin, Prior

_LOG_SD = 0.7  # of ln factor where it is not 1: that is a factor of 2 (own judgement)
_TRIES: FloatArray = np.linspace(-2.0, 2.0, 41)
_LEAST_STEP = 0.05  # of ln factor: less is not worth evaluating all rows again
_LEAST_GIVEN = 1e-37  # single precision ends there


@dataclass(frozen=True, slots=True)
class Stretch:
    """Factor on the distances of some strata's failures."""

    strata: BoolArray  # (n_strata,) those that have it
    log: float = 0.0
    for_apart: float = 0.0  # log evidence for curves of their own over that for a shared one
    is_apart: bool = False  # they have curves of their own

    @classmethod
    def none(cls, n_strata: int) -> "Stretch":
        """Distances are alike in all strata."""
        return cls(np.zeros(n_strata, dtype=np.bool_))

    def decided(self) -> "Stretch":
        """Give these strata curves of their own if the evidence is for it."""
        return replace(self, log=0.0, is_apart=True) if self.for_apart > 0 else self

    def kin(self, shared: Kin) -> Kin:
        """Tell groups that have one curve, given those that may share one up to the factor."""
        if not self.is_apart:
            return shared
        sort = 2 * shared.kin + self.strata[shared.stratum]
        return replace(shared, kin=np.cumsum(np.diff(sort, prepend=sort[:1]) != 0))

    @property
    def factor(self) -> FloatArray:
        """Factor of each stratum, shape (n_strata,)."""
        return np.where(self.strata, np.exp(self.log), 1.0)

    def fitted(
        self, table: Float32Array, kin: Kin, priors: Sequence[Prior], nodes: Nodes
    ) -> "Stretch":
        """Find the factor by which groups become kin, if the data speak for one.

        ``table``: likelihood of each group on the common ``nodes``, at the factor there is now,
        shape (n_groups, 28, 39).
        """
        mine = self.strata[kin.stratum]
        if self.is_apart or not mine.any() or mine.all():
            return self
        logs = _log_given(table, kin, priors, nodes)
        log_curve = priors[0].log_curve_part(nodes)[0]
        log_curve -= special.logsumexp(log_curve)
        evidence = np.array(
            [
                special.logsumexp(_by_kin(logs, mine, moved, kin) + log_curve, axis=1).sum()
                for moved in (_TRIES - self.log) / (nodes.log_eta[0, 1] - nodes.log_eta[0, 0])
            ]
        )
        log_prior = -0.5 * (_TRIES / _LOG_SD) ** 2
        joint = evidence + log_prior
        of_one = evidence[_TRIES.size // 2]
        of_another = special.logsumexp(joint) - special.logsumexp(log_prior)
        log = 0.0 if of_one >= of_another else float(special.softmax(joint) @ _TRIES)
        if log != 0.0 and abs(log - self.log) < _LEAST_STEP:
            log = self.log
        apart = replace(self, is_apart=True).kin(kin)
        of_apart = special.logsumexp(_by_kin(logs, mine, 0.0, apart) + log_curve, axis=1).sum()
        return replace(self, log=log, for_apart=float(of_apart - max(of_one, of_another)))


def _log_given(table: Float32Array, kin: Kin, priors: Sequence[Prior], nodes: Nodes) -> FloatArray:
    """Log likelihood of each group given its curve, over its share, shape (g, 13, 3)."""
    by_p = np.array([special.softmax(prior.log_p_part(nodes)[0]) for prior in priors])
    single = by_p.astype(np.float32)[kin.stratum]
    given = np.matmul(single[:, None, :], table)[:, 0].astype(np.float64)
    logs: FloatArray = np.log(np.maximum(given, _LEAST_GIVEN)).reshape(-1, N_ETA, N_SHAPE)
    return logs


def _by_kin(logs: FloatArray, mine: BoolArray, moved: float, kin: Kin) -> FloatArray:
    """Sum over kin, some groups' scales ``moved`` by so many nodes, shape (n_kin, 39)."""
    at = np.clip(np.arange(N_ETA) + moved, 0, N_ETA - 1)
    below = np.minimum(at.astype(np.int64), N_ETA - 2)
    part = (at - below)[:, None]
    shifted = np.where(
        mine[:, None, None], logs[:, below] * (1 - part) + logs[:, below + 1] * part, logs
    )
    summed: FloatArray = np.add.reduceat(shifted.reshape(len(logs), -1), kin.first, axis=0)
    return summed
