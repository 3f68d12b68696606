"""A large fleet's digest: time, memory, and growth with the number of vehicles."""

import time
import tracemalloc
from pathlib import Path

import pytest

from afterclear.digest.build import build_digest
from afterclear.digest.render import render_pages
from afterclear.digest.write import write_digest
from tests.digest.fleet_fixture import many

pytestmark = pytest.mark.slow


def seconds_for(n: int, folder: Path) -> float:
    frames = many(n)
    started = time.perf_counter()
    written = write_digest(render_pages(build_digest(frames)), folder)
    took = time.perf_counter() - started
    assert len(written) == n + 4
    return took


def test_a_thousand_vehicles_take_less_than_half_a_minute(tmp_path: Path) -> None:
    """And ten times the vehicles at most fifteen times the time: growth is linear."""
    small = seconds_for(100, tmp_path / "small")
    large = seconds_for(1_000, tmp_path / "large")
    print(f"100 vehicles {small:.1f} s, 1,000 vehicles {large:.1f} s")
    assert large < 30
    assert large < 15 * max(small, 0.5)


def test_pages_are_made_one_at_a_time(tmp_path: Path) -> None:
    """Python objects alive at once stay few: no more for pages than for two fleets' worth."""
    frames = many(300)
    tracemalloc.start()
    write_digest(render_pages(build_digest(frames)), tmp_path)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 60e6, f"{peak / 1e6:.0f} MB at once for 300 pages of about 63 kB"
