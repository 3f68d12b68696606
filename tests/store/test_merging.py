"""Whatever the deliveries, every row is accounted for and the last word on each key counts."""

import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from afterclear.store.intake import shortcut
from tests.store.deliveries import HEAD, adds_up, load, rows, write

CELLS = st.tuples(
    st.sampled_from(["S1", "S2", "S3"]),
    st.sampled_from(["V1", "V2"]),
    st.sampled_from(["10", "20", "-5"]),  # the last one is refused
    st.sampled_from(["P0301", "P0302", "", "junk!"]),  # likewise
)
FILES = st.lists(st.lists(CELLS, min_size=1, max_size=8), min_size=1, max_size=4)


@pytest.mark.parametrize("from_bytes", [0, shortcut.FROM_BYTES], ids=["short way", "long way"])
@given(files=FILES)
@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_rows_add_up_and_the_last_word_counts(
    monkeypatch: pytest.MonkeyPatch, from_bytes: int, files: list[list[tuple[str, ...]]]
) -> None:
    """The same rule, row by row in plain Python, gives the same table, by either way."""
    monkeypatch.setattr(shortcut, "FROM_BYTES", from_bytes)
    seen: dict[tuple[str, str, str], list[str]] = {}
    with tempfile.TemporaryDirectory() as folder:
        paths = []
        for number, cells in enumerate(files):
            text = HEAD + "".join(
                f"{scan},{vehicle},2025-01-01,{km},engine,{code},\n"
                for scan, vehicle, km, code in cells
            )
            paths.append(write(Path(folder), f"{number}.csv", text))
            if cells in files[:number]:
                continue  # the same bytes are no load
            for scan, vehicle, km, code in cells:
                words = seen.setdefault((vehicle, scan, code), [])
                if km != "-5" and code != "junk!":
                    words.append(km)
        store = Path(folder) / "store.duckdb"
        results = load(store, *paths)
        assert adds_up(results)
        stored = rows(
            store, "SELECT vehicle_id, scan_id, coalesce(code, ''), odometer_km FROM scans"
        )
        assert sorted(stored) == sorted(
            (*key, float(words[-1])) for key, words in seen.items() if words
        )
