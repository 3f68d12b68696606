"""Tests that repeat, many times over: ``python -m tests.campaigns kills fleets --times 4``.

``.ci/run`` repeats each of them often enough to find what breaks easily.  What breaks once in a
hundred times is looked for here, by hand; the last results stand on the help page
``campaigns.md``.
"""

import argparse
import os
import sys
from typing import Final

import pytest

_TIMES: Final = "AFTERCLEAR_TEST_TIMES"
_MINUTES: Final = "AFTERCLEAR_TEST_MINUTES"

# campaign -> the tests it repeats
CAMPAIGNS: Final = {
    "kills": ("tests/faults/test_kills.py", "tests/store/test_kill.py"),
    "files": ("tests/faults/test_fuzz.py",),
    "fleets": ("tests/commands/test_incremental.py",),
    "rows": ("tests/commands/test_incremental_rows.py",),
    "year": ("tests/faults/test_year.py",),
    "machine": ("tests/faults/test_machine.py",),
    "guided": ("tests/faults/test_guided.py",),
    "upgrade": ("tests/store/test_upgrading.py",),
    "disk": ("tests/faults/test_disk.py",),
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


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("campaign", nargs="*", default="all", choices=[*CAMPAIGNS, "all"])
    parser.add_argument("--times", type=int, default=4, help="as often as .ci/run does (default 4)")
    parser.add_argument("--minutes", type=float, default=60, help="of guided (default 60)")
    asked = parser.parse_args()
    os.environ[_TIMES], os.environ[_MINUTES] = str(asked.times), str(asked.minutes)
    names = CAMPAIGNS if "all" in asked.campaign else asked.campaign
    files = [file for name in names for file in CAMPAIGNS[name]]
    sys.exit(pytest.main(["-m", "slow", "-s", *files]))


if __name__ == "__main__":
    main()
