"""A large fleet's digest in little memory; its time is told by the benchmark of digests."""

import tracemalloc
from pathlib import Path

import pytest

from afterclear.commands.pages.page_workers import rendered
from afterclear.digest.output.write import write_digest
from tests.digest.every_row import build_digest
from tests.digest.fleet_fixture import many

pytestmark = pytest.mark.slow


def test_pages_are_made_one_at_a_time(tmp_path: Path) -> None:
    """Python objects alive at once stay few: no more for pages than for two fleets' worth."""
    frames = many(300)
    tracemalloc.start()
    write_digest(rendered(build_digest(frames)), tmp_path)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 60e6, f"{peak / 1e6:.0f} MB at once for 300 pages of about 63 kB"
