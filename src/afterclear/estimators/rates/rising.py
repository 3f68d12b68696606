"""Whether the rate of new faults in a group has risen: a test that may be looked at every day.

For each possible day of the change, a Bayes factor sets "the rate is ``FACTORS`` times what it was"
against "it stays". The rate before is gamma, from the group's own past and from the fleet's by what
that is worth, so the factor knows how well the old rate is known. Their sum over the days of change
is a Shiryaev-Roberts e-detector: without a change its mean grows by 1 a year, so it passes a limit
``c`` at most once in ``c`` years on average, however often one looks. The weights of all groups
together are 1, so ``alarms_a_year`` holds for the whole search.

Exposure is what lets events be seen: it comes with the reading that shows it, so denser readings
add none. Ageing is taken out by bands of distance, and so is what rises everywhere else at the same
time. All that a comparison needs comes from before its start: a later look changes no alarm.
A sum beyond the limit is told once the 95 % interval of the new rate leaves out the old one, too.

References: Shin, Ramdas & Rinaldo 2023, "E-detectors: a nonparametric framework for sequential
change detection" (from memory); Ville 1939 (from memory).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from afterclear.estimators.arrays.validation import FloatArray, IntArray

FACTORS: Final = (1.5, 2.5, 5.0, 12.0)  # rises looked for (own judgement)
STEP_DAYS: Final = 7  # between possible days of the change
LONGEST: Final = 52  # a change is looked for this many steps back
FEWEST: Final = 3  # vehicles: one bad vehicle is no trend
_BAND_WORTH = 3.0  # onsets by which a band is drawn to the average (own judgement)
_REST_WORTH = 5.0  # onsets by which the fleet's own change is drawn to none (own judgement)
_HALF = 0.5
_AT_ONCE = 64  # days
_REACH_DAYS = STEP_DAYS * LONGEST // 2
_SPREAD = (0.05, 1.0)  # of groups' rates about the fleet's, squared: least and most believed
_RAISED = (1.5, 4.0)  # a raised rate over the old one, for the question whether it is over
_OVER_ODDS = np.log(100.0)  # the old rate is this much likelier than the raised one: it is over


@dataclass(frozen=True, slots=True)
class RateRecord:
    """One kind of fault in groups of one search, day by day from 0; all arrays cumulated."""

    onsets: FloatArray  # (g, d): first onsets known by the end of each day
    km: FloatArray  # (g, d, b): km at risk by then, by band
    all_onsets: FloatArray  # (d, b): of the fleet
    all_km: FloatArray  # (d, b)


@dataclass(frozen=True, slots=True)
class Search:
    """What is known at each possible start of a rise."""

    starts: IntArray  # (s,) days, rising
    spread: FloatArray  # (s,) squared, of groups' rates about the fleet's
    weight: FloatArray  # (s,) of one group and one start
    whole: bool  # the one group is the fleet
    alarms_a_year: float


@dataclass(frozen=True, slots=True)
class Rise:
    """One rise of one group.  Days as in the record; the interval holds the start in 9 of 10."""

    group: int
    alarm_day: int  # the first day on which it was beyond chance
    start_day: int
    start_low: int
    start_high: int
    over_day: int | None  # the first day on which the old rate was back; None: it goes on
    n: int  # onsets since the start, until it was over
    expected: float
    ratio: float
    ratio_low: float
    ratio_high: float
    evidence: float  # ln of the sum over its limit, on the last day that counts
    rates: FloatArray  # (b,) per km, of the group before the start


def start_days(first_day: int, n_days: int, rest: int) -> IntArray:
    """Days on which a rise may begin: the same dates whatever is the record's first day.

    ``first_day``: before it nothing is known yet.  ``rest``: the record's day 0 by the calendar.
    """
    days = np.arange(first_day, n_days, dtype=np.int64)
    return np.asarray(days[(days + rest) % STEP_DAYS == 0])


def fleet_rates(record: RateRecord, starts: IntArray) -> FloatArray:
    """Fleet's rate per km before each start by band, shape (s, b); NaN before any onset."""
    onsets, km = record.all_onsets[starts], record.all_km[starts]
    total, all_km = onsets.sum(axis=1), km.sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = np.where((total > 0) & (all_km > 0), (total + _HALF) / all_km, np.nan)
        factor = (onsets + _BAND_WORTH) / (rate[:, None] * np.maximum(km, 0.0) + _BAND_WORTH)
    return np.asarray(rate[:, None] * factor)


def squared_misses(record: RateRecord, starts: IntArray) -> tuple[FloatArray, FloatArray]:
    """Add up what the spread is estimated from: squared misses beyond chance, squared expected."""
    rates = fleet_rates(record, starts)
    expected = np.nan_to_num(np.einsum("gsb,sb->gs", record.km[:, starts], rates))
    missed = (record.onsets[:, starts] - expected) ** 2 - expected
    return missed.sum(axis=0), (expected**2).sum(axis=0)


def group_spread(missed: FloatArray, squared: FloatArray) -> FloatArray:
    """Squared spread of groups' rates by moments, within what is believed."""
    with np.errstate(divide="ignore", invalid="ignore"):
        found = np.where(squared > 0, missed / squared, _SPREAD[1])
    return np.clip(found, *_SPREAD)


def chance_of_as_many(n: IntArray, expected: FloatArray) -> FloatArray:
    """P(``n`` or more onsets) where ``expected`` are usual (Poisson)."""
    usual = np.maximum(expected, 1e-9)
    return np.where(n <= 0, 1.0, special.pdtrc(np.maximum(n - 1, 0), usual))


def find_rises(record: RateRecord, search: Search) -> Iterator[Rise]:
    """Find the rises of each group, in the order of groups and days."""
    rates = fleet_rates(record, search.starts)
    known = np.isfinite(rates[:, 0]) & (search.weight > 0)
    if not known.any():
        return
    starts, rates = search.starts[known], rates[known]
    search = Search(
        starts, search.spread[known], search.weight[known], search.whole, search.alarms_a_year
    )
    for group in np.flatnonzero(record.onsets[:, -1] >= FEWEST):
        yield from _Group(record, search, rates, int(group)).rises()


class _Group:
    """One group's record beside the fleet's."""

    def __init__(self, record: RateRecord, search: Search, rates: FloatArray, group: int) -> None:
        self._onsets, self._km = record.onsets[group], record.km[group]
        self._all_onsets, self._all_km = record.all_onsets.sum(axis=1), record.all_km
        self._search, self._rates, self._number = search, rates, group
        self._limit = -float(np.log(search.alarms_a_year))
        own = self._onsets[search.starts]
        expected = np.einsum("sb,sb->s", self._km[search.starts], rates)
        worth = 1 / (search.spread + 1 / (self._all_onsets[search.starts] + _HALF))
        lean = np.full(own.size, _HALF) if search.whole else worth
        self._shape, self._scale = lean + own, lean + np.maximum(expected, 0.0)

    def rises(self) -> Iterator[Rise]:
        """Find one rise after another; a new one may begin when the one before is over."""
        days = np.flatnonzero(np.diff(self._onsets, prepend=0.0) > 0)
        not_before = -1
        while True:
            found = self._alarm(days[days > not_before], not_before)
            if found is None:
                return
            rise = self._described(*found, not_before)
            yield rise
            if rise.over_day is None:
                return
            not_before = rise.over_day

    def _alarm(self, days: IntArray, not_before: int) -> tuple[int, float] | None:
        """First day on which the sum passes its limit, and by how much (ln)."""
        for begin in range(0, days.size, _AT_ONCE):
            some = days[begin : begin + _AT_ONCE]
            weighed, n = self._weighed(some, not_before)
            total, likeliest = np.logaddexp.reduce(weighed, axis=1), weighed.argmax(axis=1)
            enough = np.take_along_axis(n, likeliest[:, None], axis=1)[:, 0] >= FEWEST
            places = self._starts_before(some)
            for row in np.flatnonzero((total >= self._limit) & enough):
                day = int(some[row])
                # what may as well be no rise by its own interval is none yet
                if self._ratio(_quantiles(weighed[row], places[row])[1], day)[1] > 1:
                    return day, float(total[row] - self._limit)
        return None

    def _starts_before(self, days: IntArray) -> IntArray:
        """Places of the starts that a rise seen on each day may have; -1: none, shape (n, k)."""
        last = np.searchsorted(self._search.starts, days)
        places = last[:, None] - 1 - np.arange(LONGEST)
        return np.asarray(np.maximum(places, -1))

    def _since(self, which: IntArray, days: IntArray) -> tuple[FloatArray, FloatArray]:
        """Onsets after each start up to a day, and those expected at the fleet's old rate."""
        starts, rates = self._search.starts[which], self._rates[which]
        n = self._onsets[days] - self._onsets[starts]
        expected = np.maximum(((self._km[days] - self._km[starts]) * rates).sum(axis=-1), 0.0)
        if self._search.whole:
            return n, expected
        all_n = self._all_onsets[days] - self._all_onsets[starts]
        all_expected = ((self._all_km[days] - self._all_km[starts]) * rates).sum(axis=-1)
        rest = np.maximum(all_expected - expected, 0.0)
        drift = (all_n - n + _REST_WORTH) / (rest + _REST_WORTH)
        # what rises everywhere is not this group's; what falls elsewhere is no rise here
        return n, expected * np.maximum(drift, 1.0)

    def _weighed(self, days: IntArray, not_before: int) -> tuple[FloatArray, FloatArray]:
        """Return ln of the weighted Bayes factors, averaged over ``FACTORS``; and onsets."""
        which = self._starts_before(days)
        n, expected = self._since(which, days[:, None])
        shape, scale = self._shape[which], self._scale[which]
        share = expected / (scale + expected)
        each = [
            n * np.log(factor) - (shape + n) * np.log1p((factor - 1) * share) for factor in FACTORS
        ]
        found = np.logaddexp.reduce(each, axis=0) + np.log(
            self._search.weight[which] / len(FACTORS)
        )
        is_open = (which >= 0) & (self._search.starts[which] > not_before)
        return np.where(is_open, found, -np.inf), n

    def _described(self, alarm: int, evidence: float, not_before: int) -> Rise:
        weighed = self._weighed(np.array([alarm]), not_before)[0][0]
        places = self._starts_before(np.array([alarm]))[0]
        # the first estimate is high, because it passed a limit: what is surely there is compared
        raised = self._ratio(int(places[weighed.argmax()]), alarm)[1]
        over = self._over(alarm, float(np.clip(raised, *_RAISED)))
        end = self._onsets.size - 1 if over is None else over
        # what came after the alarm says more of where it began, as long as that is within reach
        later = self._weighed(np.array([end]), not_before)[0][0]
        if over is None and end - alarm < _REACH_DAYS:
            places = self._starts_before(np.array([end]))[0]
            weighed = np.where(self._search.starts[places] < alarm, later, -np.inf)
            evidence = max(evidence, float(np.logaddexp.reduce(later) - self._limit))
        low, middle, high = _quantiles(weighed, places)
        n, expected = self._since(np.array([middle]), np.array([end]))
        own = float(self._shape[middle] / self._scale[middle])
        starts = self._search.starts
        return Rise(
            self._number, alarm, int(starts[middle]), int(starts[low]),
            min(int(starts[high]) + STEP_DAYS, alarm), over, int(n[0]), float(expected[0]) * own,
            *self._ratio(middle, end), evidence, own * self._rates[middle],
        )  # fmt: skip

    def _ratio(self, since: int, day: int) -> tuple[float, float, float]:
        """Rate since a start over the group's own before, drawn to 1; its 95 % interval."""
        n, expected = self._since(np.array([since]), np.array([day]))
        shape, scale = float(self._shape[since]), float(self._scale[since])
        seen = float(expected[0]) + scale / shape
        low, middle, high = (
            float(scale / seen * z / (1 - z))
            for z in special.betaincinv(1 + float(n[0]), shape, np.array([0.025, 0.5, 0.975]))
        )
        return middle, low, high

    def _over(self, alarm: int, ratio: float) -> int | None:
        """First day after the alarm on which the old rate is much likelier again (Page's test)."""
        start = int(np.searchsorted(self._search.starts, alarm)) - 1
        own = float(self._shape[start] / self._scale[start])
        expected = own * ((self._km[alarm:] - self._km[alarm]) * self._rates[start]).sum(axis=1)
        onsets = self._onsets[alarm:] - self._onsets[alarm]
        odds = (ratio - 1) * expected - onsets * np.log(ratio)
        passed = odds - np.minimum.accumulate(odds) >= _OVER_ODDS
        return alarm + int(np.argmax(passed)) if passed.any() else None


def _quantiles(weighed: FloatArray, places: IntArray) -> tuple[int, int, int]:
    """Give the places of the starts up to which 5, 50 and 95 % of the weight (ln) lie."""
    early = places[::-1]
    share = np.cumsum(np.exp(weighed - np.logaddexp.reduce(weighed))[::-1])
    last = early.size - 1
    found = [int(early[min(int(np.searchsorted(share, each)), last)]) for each in (0.05, 0.5, 0.95)]
    return found[0], found[1], found[2]
