"""Tests that repeat, many times over: ``python -m tests.campaigns kills fleets --times 4``.

``.ci/run`` repeats each of them often enough to find what breaks easily.  What breaks once in a
hundred times is looked for here, by hand.  Each run is a line of ``campaign_results.csv``, from
which the tables of the help page ``campaigns.md`` are made anew (``campaign_table``).  One that is
stopped by Ctrl-C keeps what it tried until then.
"""

import argparse
import json
import os
import signal
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType
from typing import Final

import pytest

from tests.campaign_table import KILLS_OF, Result, add, write_page

_TIMES: Final = "AFTERCLEAR_TEST_TIMES"
_COUNTS: Final = "AFTERCLEAR_TEST_COUNTS"
_MINUTES: Final = "AFTERCLEAR_TEST_MINUTES"
_AFTER: Final = "AFTERCLEAR_TEST_AFTER"

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


def rounds_before() -> int:
    """Give how many rounds were tried before and are left out."""
    return int(os.environ.get(_AFTER, "0"))


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


@dataclass
class Run:
    """What is to be known of a run beside its counts."""

    failed: bool = False  # by more than was counted as wrong
    stopped: bool = False  # by Ctrl-C, which a query passes on as a fault of its own
    told: str = ""

    def stop(self, number: int, frame: FrameType | None) -> None:
        """Take Ctrl-C: what fails from here on is no finding."""
        self.stopped = True
        signal.default_int_handler(number, frame)


@contextmanager
def kept(campaign: str, how: str) -> Iterator[Run]:
    """Keep what is counted within, whatever ends it, and write the page anew.

    A campaign within another is kept by that one.
    """
    run = Run()
    if _COUNTS in os.environ:
        yield run
        return
    with tempfile.NamedTemporaryFile() as counts:
        os.environ[_COUNTS] = counts.name
        before = signal.signal(signal.SIGINT, run.stop)
        try:
            yield run
        except Exception:
            run.failed = True
            raise
        finally:
            signal.signal(signal.SIGINT, before)
            del os.environ[_COUNTS]
            _keep(campaign, how, Path(counts.name).read_text(encoding="utf-8"), run)


def _keep(campaign: str, how: str, counts: str, run: Run) -> None:
    tried, wrong = Counter[str](), Counter[str]()
    for n, of, n_wrong in map(json.loads, counts.splitlines()):
        tried[of] += n
        wrong[of] += n_wrong
    if run.stopped:
        run.told = ". ".join(filter(None, [run.told, "Stopped before its end"]))
    elif run.failed and not wrong.total():  # whatever it was
        tried = tried or Counter(runs=1)
        wrong.update(dict.fromkeys(tried, 1))
    today = datetime.now(UTC).date()
    for at, (of, n) in enumerate(tried.items()):
        add(Result(today, campaign, how, n, of, wrong[of], "" if at else run.told))
    write_page()


def _run(campaign: str, asked: argparse.Namespace) -> bool:
    """Run one campaign and keep what it came to; True: nothing was wrong."""
    how = f"--minutes {asked.minutes:g}" if campaign == "guided" else f"--times {asked.times}"
    after = f" --after {asked.after}" if asked.after else ""
    with kept(campaign, f"{campaign} {how}{after}") as run:
        code = pytest.main(["-m", "slow", "-s", *CAMPAIGNS[campaign]])
        run.failed = code != pytest.ExitCode.OK
    if run.stopped:
        raise KeyboardInterrupt
    return not run.failed


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("campaign", nargs="*", default="all", choices=[*CAMPAIGNS, "all"])
    parser.add_argument("--times", type=int, default=4, help="as often as .ci/run does (default 4)")
    parser.add_argument("--minutes", type=float, default=60, help="of guided (default 60)")
    parser.add_argument("--after", type=int, default=0, help="rounds of mixtures to leave out")
    asked = parser.parse_args()
    os.environ[_TIMES], os.environ[_MINUTES] = str(asked.times), str(asked.minutes)
    os.environ[_AFTER] = str(asked.after)
    names = CAMPAIGNS if "all" in asked.campaign else asked.campaign
    is_well = [_run(name, asked) for name in names]  # all of them, whatever the first comes to
    sys.exit(not all(is_well))


if __name__ == "__main__":
    main()
