"""Tests that repeat, many times over: ``python -m tests.campaigns kills fleets --times 4``.

``.ci/run`` repeats each of them often enough to find what breaks easily.  What breaks once in a
hundred times is looked for here, by hand.  Each run is a line of ``campaign_results.csv``, from
which the tables of the help page ``campaigns.md`` are made anew (``campaign_table``).
"""

import argparse
import json
import os
import sys
import tempfile
from collections import Counter
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import pytest

from tests.campaign_table import KILLS_OF, Result, add, write_page

_TIMES: Final = "AFTERCLEAR_TEST_TIMES"
_COUNTS: Final = "AFTERCLEAR_TEST_COUNTS"
_MINUTES: Final = "AFTERCLEAR_TEST_MINUTES"

_KILLED_FORGETTING: Final = "test_a_kill_at_any_moment_leaves_nothing_once_the_command_was_repeated"

# campaign -> the tests it repeats
CAMPAIGNS: Final = {
    "kills": (
        *("tests/faults/test_kills.py", "tests/store/test_kill.py"),
        f"tests/store/test_forget_all.py::{_KILLED_FORGETTING}",
    ),
    "files": ("tests/faults/test_fuzz.py",),
    "fleets": ("tests/commands/test_incremental.py",),
    "rows": ("tests/commands/test_incremental_rows.py",),
    "year": ("tests/faults/test_year.py",),
    "machine": ("tests/faults/test_machine.py",),
    "mixtures": ("tests/faults/test_mixtures.py",),
    "guided": ("tests/faults/test_guided.py",),
    "upgrade": ("tests/store/test_upgrading.py",),
    "coming": ("tests/calibration/test_coming.py",),
    "disk": ("tests/faults/test_disk.py",),
    "rises": ("tests/calibration/test_rises.py",),
    "changes": ("tests/estimators/test_before_after.py",),
    "cures": ("tests/estimators/test_work_shares.py",),
}


def repeats(usual: int) -> int:
    """Give how often a slow test repeats what it does: as usual, or as a campaign asks."""
    return usual * int(os.environ.get(_TIMES, "1"))


def minutes() -> float:
    """Give how long a campaign of a length may take; 0: no campaign."""
    return float(os.environ.get(_MINUTES, "0"))


def is_campaign() -> bool:
    """Tell whether somebody waits for a campaign and has the time."""
    return _TIMES in os.environ


def counted(n: int, of: str, wrong: int = 0) -> None:
    """Tell the campaign under way that so many were tried; without one nothing happens."""
    if place := os.environ.get(_COUNTS):
        with Path(place).open("a", encoding="utf-8") as file:
            file.write(json.dumps([n, of, wrong]) + "\n")


def counted_kills(of: Mapping[str, int]) -> None:
    """Tell the campaign under way how often each command was killed."""
    for command, n in of.items():
        counted(n, f"{KILLS_OF}{command}")


def _run(campaign: str, asked: argparse.Namespace) -> bool:
    """Run one campaign and keep what it came to; True: nothing was wrong."""
    how = f"--minutes {asked.minutes:g}" if campaign == "guided" else f"--times {asked.times}"
    with tempfile.NamedTemporaryFile() as counts:
        os.environ[_COUNTS] = counts.name
        code = pytest.main(["-m", "slow", "-s", *CAMPAIGNS[campaign]])
        told = [json.loads(line) for line in Path(counts.name).read_text().splitlines()]
    tried, wrong = Counter[str](), Counter[str]()
    for n, of, n_wrong in told:
        tried[of] += n
        wrong[of] += n_wrong
    some = bool(wrong.total()) or code == 0
    today = datetime.now(UTC).date()
    for of, n in (tried or {"runs": 1}).items():
        add(Result(today, campaign, f"{campaign} {how}", n, of, wrong[of] if some else 1))
    return code == 0


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("campaign", nargs="*", default="all", choices=[*CAMPAIGNS, "all"])
    parser.add_argument("--times", type=int, default=4, help="as often as .ci/run does (default 4)")
    parser.add_argument("--minutes", type=float, default=60, help="of guided (default 60)")
    asked = parser.parse_args()
    os.environ[_TIMES], os.environ[_MINUTES] = str(asked.times), str(asked.minutes)
    names = CAMPAIGNS if "all" in asked.campaign else asked.campaign
    is_well = [_run(name, asked) for name in names]  # all of them, whatever the first comes to
    write_page()
    sys.exit(not all(is_well))


if __name__ == "__main__":
    main()
