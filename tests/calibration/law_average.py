"""What the best of all learners would say who isn't told the law: the floor of small fleets.

Its prior is the list of laws itself, one as likely as another, each with its own draws of every
fault's figures (``laws.py``).  From what was seen of a fleet, first onsets and the windows of all
attempts, it has the posterior over laws and draws, and its chances are those of each law's oracle
averaged over it.  By Bayes' rule nobody who knows no more can have a smaller mean Brier score over
these fleets; a goal that it misses under some law is out of reach there for anybody who isn't told
that law.  How often a fleet is scanned, repaired and cleared is no evidence about its faults.

Not exact: vehicles' factors are posterior means, given each law; a chronic vehicle is one attempt
by attempt; draws are finite.  Over all laws together its chances must come true: the last line of
each size shows whether they do.

``middle_told=False``: it is not told either how far on failures of a fleet come back in the middle,
as no tool is: that lies anywhere in the tool's span, on a log scale, under every law of the list.
How much components differ around it, and all else, it still knows.

It stands beside the tool in the table of ``verdicts.py``.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
from scipy import special, stats

from afterclear.estimators.causes.judging import ETA_SPAN_KM
from tests.calibration.fleet import Bools, Fleet, Floats, Ints
from tests.calibration.judged import COMPONENT, UNIT
from tests.calibration.laws import BRANDS, CODES, SCENARIOS, Fault, Laws, drawn_faults
from tests.calibration.oracle import survival
from tests.calibration.scores import HELD_BELOW, Told

_DRAWS = 2000  # of a component's figures, by law
_DRAWS_OF_MIDDLE = 500  # the same where each of many middles has its own
_RATE, _RATE_SD = 0.6e-5, 0.6  # middle of new faults, log sd (``laws.py``)
_LOG_RATES = np.linspace(-4, 4, 81) * _RATE_SD
_FIRST_LIFE = 0.9  # of first parts, over the rate of new faults; shape 2
_FACTORS = 64  # of vehicles
_ROUNDS = 5  # of vehicles' factors and rates in turn
_WEAK_SHARE = 0.15  # of parts whose brand isn't told
_CHRONIC_ODDS = 4.0
_LEAST, _UNLIKELY = 1e-300, 1e-4
# middle distances of failures where that isn't told, all alike: steps of a factor of 1.44, less
# than components of one fleet differ by (log sd .3 and .5)
_MIDDLES = 12
_FURTHER_KM = np.geomspace(200.0, 400_000.0, 16)  # at which the way still to go is looked up
_OF_SCANS = (
    *("years", "km_per_day", "gap_days", "repairs", "clears", "service_clears", "brands"),
    *("stray_clears_per_year", "cover", "complaints", "n_vehicles"),
)


@cache
def worlds(*, middle_told: bool = True) -> dict[Laws, float]:
    """Laws that differ in what faults do, and how many of the list each stands for."""
    usual, count = Laws(), dict[Laws, float]()
    for scenario in SCENARIOS:
        same = replace(scenario.laws, **{name: getattr(usual, name) for name in _OF_SCANS})
        middles = [same.eta[0]] if middle_told else _middles()
        for middle in middles:
            law = replace(same, eta=(middle, same.eta[1]))
            count[law] = count.get(law, 0.0) + 1 / len(middles)
    return count


def _middles() -> list[float]:
    """Give distances from one end of the tool's span to the other, each for a like share of it."""
    place = (np.arange(_MIDDLES) + 0.5) / _MIDDLES
    return [float(km) for km in np.exp(np.interp(place, [0, 1], np.log(ETA_SPAN_KM)))]


@cache
def _drawn(laws: Laws, n: int) -> dict[str, Floats]:
    """Figures of components, drawn from a law."""
    rng, found = np.random.default_rng(0), list[Fault]()
    while len(found) < n:
        found.extend({id(fault): fault for fault in drawn_faults(rng, laws)}.values())
    return {
        name: np.array([getattr(fault, name) for fault in found[:n]])
        for name in ("p_repair", "p_clear", "eta_km", "shape", "life_km", "life_shape")
    }


@dataclass(frozen=True)
class _Onsets:
    """Exposure to a first onset, by vehicle and fault: (rate x factor)^power x km^power."""

    clean: Floats  # without it, shape (n_vehicles, n_faults)
    gap: Floats  # in which it began; 0: it did not
    power: float

    @classmethod
    def of(cls, fleet: Fleet, *, parts_wear: bool) -> "_Onsets":
        """Of new faults; or of first parts, which wear since km 0."""
        clean = fleet.watched_km[:, UNIT].copy()
        gap = np.zeros_like(clean)
        start = np.where(np.isfinite(fleet.first_km), fleet.first_km, 0.0)[:, UNIT]
        end = start + fleet.read_km[:, UNIT]
        last = end.copy()
        for first in fleet.firsts:
            at, there = (first.vehicle, first.fault), np.isnan(first.gap_km)
            clean[at] = 0.0 if there else first.before_km
            gap[at] = 0.0 if there else first.gap_km
            end[at] = start[at] if there else first.km - first.gap_km
            last[at] = start[at] if there else first.km
        if not parts_wear:
            return cls(clean, gap, 1.0)
        scale = _FIRST_LIFE**-2
        return cls((end**2 - start**2) * scale, (last**2 - end**2) * scale, 2.0)


@dataclass(frozen=True)
class _Background:
    """What first onsets tell under one law."""

    rate: Floats  # draws of each component's, shape (n_components, m)
    factor: Floats  # of each vehicle
    log_evidence: float


def _background(fleet: Fleet, laws: Laws, component: Ints, draws: int) -> _Background:
    onsets = _Onsets.of(fleet, parts_wear=laws.original_wear)
    k, began = onsets.power, onsets.gap > 0
    nodes = laws.rate_factor * _RATE * np.exp(_LOG_RATES)
    log_prior = special.log_softmax(-0.5 * (_LOG_RATES / _RATE_SD) ** 2)
    factors = stats.gamma.ppf((np.arange(_FACTORS) + 0.5) / _FACTORS, laws.frailty_shape)
    factors /= laws.frailty_shape
    factor = np.ones(len(fleet.frailty))
    for _ in range(_ROUNDS):
        logs = np.zeros((component.max() + 1, nodes.size))
        for fault, number in enumerate(component):
            hazard = (factor[:, None] * nodes) ** k
            logs[number] -= onsets.clean[:, fault] @ hazard
            mine = began[:, fault]
            came = -np.expm1(-hazard[mine] * onsets.gap[mine, fault, None])
            logs[number] += np.log(np.maximum(came, _LEAST)).sum(axis=0)
        weight = special.softmax(logs + log_prior, axis=1)
        mean = (weight @ nodes**k)[component]
        expected = (onsets.clean + onsets.gap / 2) @ mean
        n = began.sum(axis=1)[:, None]
        of_vehicle = k * n * np.log(factors) - factors**k * expected[:, None]
        before = k * n[:, 0] * np.log(factor) - factor**k * expected
        by_factor = special.logsumexp(of_vehicle, axis=1) - np.log(_FACTORS) - before
        evidence = special.logsumexp(logs + log_prior, axis=1).sum() + by_factor.sum()
        factor = special.softmax(of_vehicle, axis=1) @ factors
    rng, place = np.random.default_rng(1), (np.arange(draws) + 0.5) / draws
    rate = np.array([rng.permutation(np.interp(place, np.cumsum(w), nodes)) for w in weight])
    return _Background(rate, factor, float(evidence))


@dataclass(frozen=True)
class _Tried:
    """Attempts, shape (n,) each."""

    component: Ints
    vehicle: Ints
    is_repair: Ints
    low: Floats
    high: Floats  # 0: not returned
    back: Bools
    age: Floats  # of the part left in place; nan: none
    brand: Ints  # the part's; -1: not told
    before: Ints  # the attempt before, if that left the same part; -1: none
    depth: Ints  # attempts since the part was fitted

    @classmethod
    def of(cls, fleet: Fleet, component: Ints) -> "_Tried":
        tries, n = fleet.tries, len(fleet.tries)
        age, brand = np.full(n, np.nan), np.full(n, -1)
        before, depth = np.full(n, -1), np.zeros(n, dtype=np.int64)
        part, last = dict[tuple[int, int], int](), dict[tuple[int, int], int]()
        for i in sorted(range(n), key=lambda i: tries[i].day):
            tried = tries[i]
            key = tried.vehicle, tried.fault
            if tried.is_repair:
                part[key], age[i], brand[i] = i, 0.0, tried.brand
            elif key in part:
                age[i], brand[i] = tried.km - tries[part[key]].km, tries[part[key]].brand
                before[i], depth[i] = last[key], depth[last[key]] + 1
            last[key] = i
        high = fleet.column("back_km")
        fault, vehicle, repair = (
            fleet.column(name).astype(np.int64) for name in ("fault", "vehicle", "is_repair")
        )
        back = np.isfinite(high)
        windows = fleet.column("clean_km"), np.where(back, high, 0.0), back
        return cls(component[fault], vehicle, repair, *windows, age, brand, before, depth)


@dataclass(frozen=True)
class _Said:
    """Of one law: shape (n,) each."""

    log_evidence: float
    p_failed: Floats
    p_worn: Floats
    hidden: Floats  # P(failed, and not shown within further clean km either), shape (n, 16)


@dataclass(frozen=True)
class _Fleet:
    """A fleet with what laws that differ only in failures say alike."""

    fleet: Fleet
    draws: int  # of a component's figures, by law
    known: dict[tuple[float | bool, ...], _Background] = field(default_factory=dict)

    @staticmethod
    def component(laws: Laws) -> Ints:
        return np.arange(len(CODES)) if laws.positions_differ else COMPONENT

    def tried(self, laws: Laws) -> _Tried:
        return _Tried.of(self.fleet, self.component(laws))

    def background(self, laws: Laws) -> _Background:
        key = laws.positions_differ, laws.original_wear, laws.rate_factor, laws.frailty_shape
        if key not in self.known:
            self.known[key] = _background(self.fleet, laws, self.component(laws), self.draws)
        return self.known[key]


def _said(fleet: _Fleet, laws: Laws) -> _Said:
    background, tried = fleet.background(laws), fleet.tried(laws)
    figures = _drawn(laws, fleet.draws)
    n = tried.low.size
    p_failed, p_worn, evidence = np.zeros(n), np.zeros(n), background.log_evidence
    hidden = np.zeros((n, _FURTHER_KM.size))
    for number in np.unique(tried.component):
        mine = np.flatnonzero(tried.component == number)
        rate = background.rate[number] * background.factor[tried.vehicle[mine], None]
        logs, failed, worn = _judged(laws, figures, tried, mine, rate)
        total = logs.sum(axis=0)
        weight = special.softmax(total)
        p_failed[mine], p_worn[mine] = failed @ weight, worn @ weight
        likely = weight > _UNLIKELY * weight.max()
        some = {name: drawn[likely] for name, drawn in figures.items()}
        clean = ~tried.back[mine]
        by_draw = failed[clean][:, likely] * weight[likely]
        hidden[mine[clean]] = _hidden(laws, some, tried, mine[clean], by_draw)
        evidence += float(special.logsumexp(total)) - np.log(fleet.draws)
    return _Said(evidence, p_failed, p_worn, hidden)


def _judged(
    laws: Laws, figures: dict[str, Floats], tried: _Tried, mine: Ints, rate: Floats
) -> tuple[Floats, Floats, Floats]:
    """Log likelihood, P(failed) and P(worn) of a component's attempts, shape (n, m) each."""
    shape = rate.shape
    logs, failed, worn = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    place = np.full(tried.low.size, -1)
    place[mine] = np.arange(mine.size)
    lasting = np.ones(shape)  # P(the part has not ended by the return | what was seen)
    for depth in range(int(tried.depth[mine].max(initial=0)) + 1):
        own = np.flatnonzero(tried.depth[mine] == depth)
        rows = mine[own]
        alive = np.ones_like(rate[own])
        if depth:
            alive = lasting[place[tried.before[rows]]] * _since(laws, figures, tried, rows)
        seen = _Seen.of(laws, figures, tried, rows, rate[own], alive)
        logs[own], failed[own], worn[own], lasting[own] = seen.answers()
    return logs, failed, worn


@dataclass(frozen=True)
class _Seen:
    """Chances of a window by each draw, shape (n, m); low and high are its ends."""

    p: Floats
    hidden: tuple[Floats, Floats]  # P(a failure has not shown)
    no_new: tuple[Floats, Floats]
    unworn: tuple[Floats, Floats]
    back: Bools
    alive: Floats

    @classmethod
    def of(
        cls, laws: Laws, figures: dict[str, Floats], tried: _Tried, rows: Ints, rate: Floats,
        alive: Floats,
    ) -> "_Seen":  # fmt: skip
        repair = tried.is_repair[rows, None] > 0
        p = np.where(repair, figures["p_repair"], figures["p_clear"])
        odds = _CHRONIC_ODDS * p / np.maximum(1 - p, _LEAST)
        p = (1 - laws.chronic) * p + laws.chronic * odds / (1 + odds)
        eta = _eta(laws, figures, tried, rows)
        low, high, back = tried.low[rows, None], tried.high[rows, None], tried.back[rows]

        def ends(chance: Callable[[Bools, Floats], Floats]) -> tuple[Floats, Floats]:
            at_high = np.ones_like(rate)  # what has not returned has none
            at_high[back] = chance(back, high[back])
            return chance(np.ones_like(back), low), at_high

        return cls(
            p,
            ends(lambda of, km: survival(km, eta[of], figures["shape"], is_log=laws.lognormal)),
            ends(lambda of, km: np.exp(-rate[of] * km)),
            ends(lambda of, km: _unworn(laws, figures, tried, rows[of], km)),
            back[:, None],
            alive,
        )

    def answers(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Log likelihood, P(failed), P(worn) of a return, P(the part goes on)."""
        wear = [1 - self.alive + self.alive * w for w in self.unworn]
        low, high = (new * w for new, w in zip(self.no_new, wear, strict=True))
        failed = self.p * (self.hidden[0] * low - self.back * self.hidden[1] * high)
        rest = (1 - self.p) * (low - self.back * high)
        seen = np.maximum(failed + rest, _LEAST)
        by_wear = np.log(np.maximum(wear[0], _LEAST) / np.maximum(wear[1], _LEAST))
        by_new = np.log(np.maximum(self.no_new[0], _LEAST) / np.maximum(self.no_new[1], _LEAST))
        share = by_wear / np.maximum(by_wear + by_new, _LEAST)
        goes_on = self.p * (self.hidden[0] * self.no_new[0] - self.hidden[1] * self.no_new[1])
        goes_on += (1 - self.p) * (self.no_new[0] - self.no_new[1])
        goes_on *= self.alive * self.unworn[1] / seen
        return np.log(seen), failed / seen, rest / seen * share, np.clip(goes_on, 0.0, 1.0)


def _eta(laws: Laws, figures: dict[str, Floats], tried: _Tried, rows: Ints) -> Floats:
    repair = tried.is_repair[rows, None] > 0
    return figures["eta_km"] * np.where(repair, 1.0, laws.clear_eta_factor)


def _hidden(
    laws: Laws, figures: dict[str, Floats], tried: _Tried, rows: Ints, failed: Floats
) -> Floats:
    """P(failed, and not shown within further km) of clean attempts, shape (n, 16).

    ``failed``: by draw, times its weight.
    """
    eta, low = _eta(laws, figures, tried, rows), tried.low[rows, None]

    def hides(km: Floats) -> Floats:
        return survival(km, eta, figures["shape"], is_log=laws.lognormal)

    now = failed / np.maximum(hides(low), _LEAST)
    return np.column_stack([(now * hides(low + km)).sum(axis=1) for km in _FURTHER_KM])


def _unworn(
    laws: Laws, figures: dict[str, Floats], tried: _Tried, rows: Ints, km: Floats
) -> Floats:
    """P(the part in place lasts so far | it was in order at the attempt), shape (n, m)."""
    draws = figures["life_km"].size
    lasts = np.ones((rows.size, draws))
    has_part = np.isfinite(tried.age[rows])
    if not laws.wears or laws.weak_brand is None or not has_part.any():
        return lasts
    age, brand = tried.age[rows[has_part], None], tried.brand[rows[has_part], None]
    weak = BRANDS.index(laws.weak_brand)
    share = np.where(brand < 0, _WEAK_SHARE, brand == weak)
    top, bottom = np.zeros((age.size, draws)), np.zeros((age.size, draws))
    for part, factor in ((1 - share, 1.0), (share, laws.weak_factor)):
        may = np.flatnonzero(part > 0)
        life, shape = figures["life_km"] * factor, figures["life_shape"]
        begin = age[may]
        bottom[may] += part[may] * np.exp(-((begin / life) ** shape))
        top[may] += part[may] * np.exp(-(((begin + km[has_part][may]) / life) ** shape))
    lasts[has_part] = np.where(bottom > _LEAST, top / np.maximum(bottom, _LEAST), 0.0)
    return lasts


def _since(laws: Laws, figures: dict[str, Floats], tried: _Tried, rows: Ints) -> Floats:
    """P(the part lasted until the attempt | it did when the fault was seen), shape (n, m)."""
    last = tried.before[rows]
    driven = (tried.age[rows] - tried.age[last])[:, None]
    now = _unworn(laws, figures, tried, last, driven)
    seen = _unworn(laws, figures, tried, last, tried.high[last][:, None])
    return np.clip(now / np.maximum(seen, _LEAST), 0.0, 1.0)


def law_average(fleet: Fleet, *, middle_told: bool = True) -> Told:
    """Tell the chances, and how far it is until a fix is judged held."""
    known = _Fleet(fleet, _DRAWS if middle_told else _DRAWS_OF_MIDDLE)
    list_ = worlds(middle_told=middle_told)
    said = [_said(known, laws) for laws in list_]
    weight = special.softmax(
        [s.log_evidence + np.log(n) for s, n in zip(said, list_.values(), strict=True)]
    )
    p, worn, hidden = (
        np.einsum("k,k...->...", weight, np.array([getattr(s, name) for s in said]))
        for name in ("p_failed", "p_worn", "hidden")
    )
    back = np.isfinite(fleet.column("back_km"))
    nan = np.full(p.size, np.nan)
    return Told(
        np.where(back, nan, p),
        np.where(back, p, nan),
        np.where(back, worn, nan),
        np.where(back, nan, _to_go(p, hidden)),
    )


def _to_go(p: Floats, hidden: Floats) -> Floats:
    """Clean km until P(failed) falls to the threshold; other causes are left out, as by all."""
    odds = np.column_stack([p, hidden]) / np.maximum(1 - p, _LEAST)[:, None]
    above = np.log(np.maximum(odds, _LEAST)) - special.logit(HELD_BELOW)
    log_km = np.log(np.append(_FURTHER_KM[0] / 10, _FURTHER_KM))
    found = [np.exp(np.interp(0.0, -row, log_km)) for row in above]
    return np.where(p <= HELD_BELOW, 0.0, found)
