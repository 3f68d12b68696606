"""The Weibull log-likelihood of many groups at once, with its first and second slopes.

Survival to age t is ``exp(-H(t))`` with ``H(t) = c (t / B) ** shape`` and
``c = -ln(1 - failed_share)``: B is the age by which ``failed_share`` has failed.  Everything is
a function of ``u = ln B`` and ``v = ln shape``, which are far less correlated than scale and
shape and unbounded both ways.

| row                        | contribution                          |
|----------------------------|---------------------------------------|
| failed exactly at t        | ln f(t)                               |
| failed in (low, high]      | -H(low) + ln(1 - exp(-(H(high) - H(low)))) |
| not failed by low          | -H(low)                               |
| any, observed from entry   | + H(entry)                            |
"""

from dataclasses import dataclass

import numpy as np

from afterclear.estimators.arrays.ragged import Blocks, group_sums, order_by_group
from afterclear.estimators.arrays.validation import FloatArray, IntArray
from afterclear.estimators.lifetimes.lifetimes import Lifetimes

_LOG_HUGE = 200.0  # exp of more would overflow once it is squared
_ROUNDING = 1e-14  # of the size of what is added up; sums by blocks err by less


@dataclass(frozen=True, slots=True)
class ShapePrior:
    """The prior of shapes: log-normal.

    The default has median 1.3 and puts 90 % between 0.57 and 2.96.  Common practice, no source;
    simulated with small fleets it covers where the plain fit often does not exist.
    """

    median: float = 1.3
    sd_log: float = 0.5


DEFAULT_PRIOR = ShapePrior()


@dataclass(frozen=True, slots=True)
class Slopes:
    """Value and slopes of the log-likelihood at (u, v), each of shape (n_groups,)."""

    value: FloatArray
    u: FloatArray
    v: FloatArray
    uu: FloatArray
    uv: FloatArray
    vv: FloatArray


@dataclass(frozen=True, slots=True)
class WeibullLikelihood:
    """Rows prepared for many evaluations; build it with ``weibull_likelihood``."""

    log_hazard_scale: float  # ln c
    prior: ShapePrior | None
    n_exact: FloatArray  # (n_groups,) by weight
    sum_log_exact: FloatArray  # (n_groups,) sum of ln t over exact failures
    rounding: FloatArray  # (n_groups,) differences of log-likelihood below this mean nothing
    # one entry for each cumulative hazard that enters as it is: -low, +entry; sorted by group
    log_age: FloatArray
    sign: FloatArray  # weight, negative for low
    blocks: Blocks
    # rows failed between two ages, sorted by group
    log_low: FloatArray  # -inf where low is 0
    log_high: FloatArray
    between_weight: FloatArray
    between_blocks: Blocks

    def at(self, u: FloatArray, v: FloatArray) -> Slopes:
        """Log-likelihood of each group with its slopes; ``u``, ``v``: (n_groups,)."""
        shape = np.exp(v)
        y = self.blocks.spread(shape) * (self.log_age - self.blocks.spread(u))
        hazard = self.sign * np.exp(np.minimum(self.log_hazard_scale + y, _LOG_HUGE))
        s0 = self.blocks.sums(hazard)
        hazard *= y
        s1 = self.blocks.sums(hazard)
        hazard *= y
        s2 = self.blocks.sums(hazard)
        reach = shape * (self.sum_log_exact - self.n_exact * u)
        sums = Slopes(
            value=s0 + self.n_exact * (v + self.log_hazard_scale) + reach - self.sum_log_exact,
            u=-shape * (s0 + self.n_exact),
            v=s1 + self.n_exact + reach,
            uu=shape**2 * s0,
            uv=-shape * (s0 + s1 + self.n_exact),
            vv=s1 + s2 + reach,
        )
        if self.log_high.size:
            sums = _added(sums, self._between(u, shape))
        if self.prior is not None:
            sums = _added(sums, _prior_slopes(self.prior, v))
        return sums

    def take_groups(self, chosen: IntArray) -> "WeibullLikelihood":
        """Cut out the chosen groups, whose numbers rise, renumbered."""
        is_chosen = np.zeros(self.n_exact.size, dtype=np.bool_)
        is_chosen[chosen] = True
        own, between = self.blocks.spread(is_chosen), self.between_blocks.spread(is_chosen)
        return WeibullLikelihood(
            log_hazard_scale=self.log_hazard_scale,
            prior=self.prior,
            n_exact=self.n_exact[chosen],
            sum_log_exact=self.sum_log_exact[chosen],
            rounding=self.rounding[chosen],
            log_age=self.log_age[own],
            sign=self.sign[own],
            blocks=Blocks(self.blocks.sizes[chosen]),
            log_low=self.log_low[between],
            log_high=self.log_high[between],
            between_weight=self.between_weight[between],
            between_blocks=Blocks(self.between_blocks.sizes[chosen]),
        )

    def _between(self, u: FloatArray, shape: FloatArray) -> Slopes:
        """Add up ln(1 - exp(-D)), D = H(high) - H(low), over rows failed between two ages.

        Written in D / H(high) and D / (exp(D) - 1), so that neither a D below the smallest
        float nor one above the largest spoils a sum.
        """
        b, row_u = self.between_blocks.spread(shape), self.between_blocks.spread(u)
        y_high = b * (self.log_high - row_u)
        gone = -np.expm1(b * (self.log_low - self.log_high))  # D / H(high)
        share = 1 - gone
        y_low = np.where(np.isfinite(self.log_low), b * (self.log_low - row_u), 0.0)
        log_d = self.log_hazard_scale + y_high + np.log(gone)
        d = np.exp(np.clip(log_d, -_LOG_HUGE, _LOG_HUGE))
        with np.errstate(over="ignore"):
            rho = d / np.expm1(d)
        # slopes of D by v, and v twice, over D
        d_v = (y_high - share * y_low) / gone
        d_vv = (y_high + y_high**2 - share * (y_low + y_low**2)) / gone
        bend = -rho * (d + rho)
        rows = (
            np.log(-np.expm1(-d) / d) + np.minimum(log_d, _LOG_HUGE),
            -rho * b,
            rho * d_v,
            b**2 * (bend + rho),
            -b * (bend * d_v + rho * (1 + d_v)),
            bend * d_v**2 + rho * d_vv,
        )
        return Slopes(*(self.between_blocks.sums(self.between_weight * row) for row in rows))


def weibull_likelihood(
    rows: Lifetimes, failed_share: float, prior: ShapePrior | None
) -> WeibullLikelihood:
    """Split ``rows`` into what each enters the log-likelihood as."""
    low, entered = rows.low > 0, rows.entry > 0
    exact = rows.exact
    between = rows.failed & ~exact
    with np.errstate(divide="ignore"):
        log_low = np.log(rows.low)
    exact_group, exact_weight = rows.group[exact], rows.weight[exact]
    hazard_group = np.concatenate((rows.group[low], rows.group[entered]))
    hazards = order_by_group(hazard_group, np.arange(hazard_group.size))
    ended_between = order_by_group(rows.group, np.flatnonzero(between))
    sum_log_exact = group_sums(exact_weight * log_low[exact], exact_group, rows.n_groups)
    size = np.abs(sum_log_exact) + group_sums(rows.weight, rows.group, rows.n_groups)
    return WeibullLikelihood(
        log_hazard_scale=float(np.log(-np.log1p(-failed_share))),
        prior=prior,
        n_exact=group_sums(exact_weight, exact_group, rows.n_groups),
        sum_log_exact=sum_log_exact,
        rounding=_ROUNDING * size,
        log_age=np.concatenate((log_low[low], np.log(rows.entry[entered])))[hazards],
        sign=np.concatenate((-rows.weight[low], rows.weight[entered]))[hazards],
        blocks=Blocks(np.bincount(hazard_group, minlength=rows.n_groups)),
        log_low=log_low[ended_between],
        log_high=np.log(rows.high[ended_between]),
        between_weight=rows.weight[ended_between],
        between_blocks=Blocks(np.bincount(rows.group[between], minlength=rows.n_groups)),
    )


def _prior_slopes(prior: ShapePrior, v: FloatArray) -> Slopes:
    distance = (v - np.log(prior.median)) / prior.sd_log
    none = np.zeros_like(v)
    return Slopes(
        value=-(distance**2) / 2,
        u=none,
        v=-distance / prior.sd_log,
        uu=none,
        uv=none,
        vv=np.full_like(v, -1 / prior.sd_log**2),
    )


def _added(one: Slopes, other: Slopes) -> Slopes:
    return Slopes(
        value=one.value + other.value,
        u=one.u + other.u,
        v=one.v + other.v,
        uu=one.uu + other.uu,
        uv=one.uv + other.uv,
        vv=one.vv + other.vv,
    )
