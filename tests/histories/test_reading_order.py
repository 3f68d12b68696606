"""The order of a unit's readings and clears, against the same counted one by one."""

from itertools import pairwise
from random import Random

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from afterclear.histories.reading_order import Clears, Readings, reading_order

_EVENTS = st.lists(
    st.tuples(
        st.integers(1, 3),  # unit
        st.integers(0, 3),  # clears after it
        st.booleans(),  # of stored memory
        st.one_of(st.just(np.nan), st.integers(0, 9).map(float)),  # km since the reading before
    ),
    max_size=12,
)


@given(_EVENTS, st.randoms(use_true_random=False))
def test_readings_are_counted_in_their_units_order(
    events: list[tuple[int, int, bool, float]], random: Random
) -> None:
    readings, clears, km = [], [], 0.0
    for place, (unit, n_clears, is_stored, driven) in enumerate(events):
        km += np.nan_to_num(driven)
        readings.append((unit, place * 10, is_stored, np.nan if np.isnan(driven) else km))
        clears += [(unit, place * 10 + 1 + n, km + n) for n in range(n_clears)]
    random.shuffle(readings)
    units, seqs, stored, kms = zip(*readings, strict=True) if readings else ((), (), (), ())
    cleared = np.array(sorted(clears)).reshape(-1, 3)
    found = reading_order(
        Readings(
            np.array(units, np.int64),
            np.array(seqs, np.int64),
            np.array(stored, np.bool_),
            np.array(kms, np.float64),
        ),
        Clears(cleared[:, 0].astype(np.int64), cleared[:, 1].astype(np.int64), cleared[:, 2]),
    )
    for i, (unit, seq, is_stored, _) in enumerate(readings):
        before = [c for c in clears if c[0] == unit and c[1] < seq]
        read = sorted(r[1:] for r in readings if r[0] == unit and r[2] and r[1] <= seq)
        last = max((c[1] for c in before), default=None)
        row = found.clear_row[i]
        assert (tuple(cleared[row][:2]) if row >= 0 else None) == (last and (unit, last))
        assert found.reading_no[i] == len(read)
        expected = _watched(read, [c[1:] for c in clears if c[0] == unit]) if is_stored else np.nan
        np.testing.assert_allclose(found.watched_km[i], expected)


def _watched(read: list[tuple[int, bool, float]], clears: list[tuple[int, float]]) -> float:
    """Km from reading to reading, or from the last clear between two."""
    total = 0.0
    for (seq_before, _, km_before), (seq, _, km) in pairwise(read):
        between = [c for c in sorted(clears) if seq_before < c[0] < seq]
        if not np.isnan(km_before) and not np.isnan(km):
            total += max(0.0, km - max([km_before, *(c[1] for c in between[-1:])]))
    known = len(read) < 2 or not np.isnan(read[-2][2])
    return total if known else np.nan
