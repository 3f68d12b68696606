"""Whatever the deliveries, every row is accounted for and the last word on each key counts."""

import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from afterclear.store.intake import direct_load
from tests.store.deliveries import HEAD, adds_up, load, rows, write

CELLS = st.tuples(
    st.sampled_from(["S1", "S2", "S3"]),
    st.sampled_from(["V1", "V2"]),
    st.sampled_from(["10", "20", "-5"]),  # the last one is refused
    st.sampled_from(["P0301", "P0302", "", "junk!"]),  # likewise
)
FILES = st.lists(st.lists(CELLS, min_size=1, max_size=8), min_size=1, max_size=4)


WAYS = pytest.mark.parametrize(
    "from_bytes", [0, direct_load.FROM_BYTES], ids=["short way", "long way"]
)
UNHURRIED = settings(suppress_health_check=[HealthCheck.function_scoped_fixture])


@WAYS
@given(files=FILES)
@settings(UNHURRIED, max_examples=4)
def test_rows_add_up_and_the_last_word_counts(
    monkeypatch: pytest.MonkeyPatch, from_bytes: int, files: list[list[tuple[str, ...]]]
) -> None:
    """The same rules, row by row in plain Python, gives the same table, by either way."""
    monkeypatch.setattr(direct_load, "FROM_BYTES", from_bytes)
    check_last_words(files)


@pytest.mark.slow
@WAYS
@given(files=FILES)
@settings(UNHURRIED, max_examples=40)
def test_rows_of_many_deliveries_add_up(
    monkeypatch: pytest.MonkeyPatch, from_bytes: int, files: list[list[tuple[str, ...]]]
) -> None:
    """The same over more deliveries."""
    monkeypatch.setattr(direct_load, "FROM_BYTES", from_bytes)
    check_last_words(files)


def check_last_words(files: list[list[tuple[str, ...]]]) -> None:
    """Load the files and hold what is stored against what plain Python says."""
    stands: Stands = {}
    with tempfile.TemporaryDirectory() as folder:
        paths = []
        for number, cells in enumerate(files):
            text = HEAD + "".join(
                f"{scan},{vehicle},2025-01-01,{km},engine,{code},\n"
                for scan, vehicle, km, code in cells
            )
            paths.append(write(Path(folder), f"{number}.csv", text))
            if cells not in files[:number]:  # the same bytes are no load
                take(stands, cells)
        store = Path(folder) / "store.duckdb"
        results = load(store, *paths)
        assert adds_up(results)
        stored = rows(
            store, "SELECT vehicle_id, scan_id, coalesce(code, ''), odometer_km FROM scans"
        )
        assert sorted(stored) == sorted(
            (vehicle, scan, code, float(km))
            for (scan, vehicle), words in stands.items()
            for code, km in words.items()
        )


# (scan, vehicle) -> code -> km
Stands = dict[tuple[str, str], dict[str, str]]


def take(stands: Stands, cells: list[tuple[str, ...]]) -> None:
    """Take one file in: a scan in it is the whole scan, unless a row of its number was refused."""
    told: Stands = {}
    broken = set()
    for scan, vehicle, km, code in cells:
        if km == "-5" or code == "junk!":
            broken.add(scan)
        else:
            told.setdefault((scan, vehicle), {})[code] = km
    before = {scan: dict(words) for scan, words in stands.items()}
    for key, words in told.items():
        kept = stands.get(key, {}) if key[0] in broken else {}
        stands[key] = kept | words
    correct_vehicles(stands, before, told)


def correct_vehicles(stands: Stands, before: Stands, told: Stands) -> None:
    """Take scans off vehicles of which they were told wrongly."""
    news = {
        key: {code: km for code, km in words.items() if before.get(key, {}).get(code) != km}
        for key, words in told.items()
    }
    others = [
        (words, (scan, other))
        for (scan, vehicle), words in news.items()
        for other in ("V1", "V2")
        if words and other != vehicle and (scan, other) in before
    ]
    if any(other in told for _, other in others):
        return
    for words, other in others:
        old = before[other]
        if set(words) == set(old) and max(map(float, words.values())) == max(
            map(float, old.values())
        ):
            stands.pop(other)
