"""Let every n-th thing of every command fail: ``python -m tests.faults.disks load --every 5``.

A place is a write, sync or new name of a command, by its number; a fault is a place and a way in
which a disk fails.  Most places are the same call on the same kind of file, often the log of the
database: ``--groups`` lets only the first and the last of each such group fail.
"""

import argparse
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from tests.campaigns import Run, counted, kept
from tests.faults.disk import COMMANDS, WAYS, Tally, Undisturbed, bench, tried, undisturbed


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("commands", nargs="*", default="all", choices=[*COMMANDS, "all"])
    parser.add_argument("--every", type=int, default=1, help="Only each so many-th n.")
    parser.add_argument("--groups", action="store_true", help="First and last of like places.")
    parser.add_argument("--after", type=int, default=0, help="Leave out so many that were tried.")
    parser.add_argument("--way", choices=WAYS, action="append", help="Only in this way.")
    asked = parser.parse_args()
    tally = Tally()
    with kept("disk", " ".join(["python -m tests.faults.disks", *sys.argv[1:]])) as run:
        _try(asked, tally, run)
    print(f"{sum(tally.ends.values())} faults: {_ends(tally)}")
    print(f"wrong: {len(tally.wrong)}")
    sys.exit(bool(tally.wrong) or not tally.ends)  # where nothing failed, nothing was tried


def _try(asked: argparse.Namespace, tally: Tally, run: Run) -> None:
    commands = COMMANDS if "all" in asked.commands else asked.commands
    ways = asked.way or list(WAYS)
    so_far: dict[tuple[str, str], str] = {}
    with tempfile.TemporaryDirectory() as place, bench(Path(place).resolve()) as on:
        for command in commands:
            usual = undisturbed(on, command)
            groups = {ask.group for ask in usual.asks}
            print(f"{command}: {len(usual.asks)} places in {len(groups)} groups", flush=True)
            for number, way in enumerate(ways):
                chosen = _chosen(usual, way, number / len(ways), asked)[asked.after :]
                for n, at in enumerate(chosen, 1):
                    n_wrong = len(tally.wrong)
                    tried(on, command, usual, (way, at), tally)
                    counted(1, "faults of a disk", len(tally.wrong) - n_wrong)
                    so_far[command, way] = f"{command}, {way}: {n} of {len(chosen)}"
                    run.told = "; ".join([*so_far.values(), _ends(tally)])
                print(run.told, flush=True)


def _ends(tally: Tally) -> str:
    return ", ".join(f"{n} {how}" for how, n in sorted(tally.ends.items()))


def _chosen(usual: Undisturbed, way: str, begin: float, asked: argparse.Namespace) -> Sequence[int]:
    """Choose which of a command's places fail in a way.

    ``begin``: each way begins elsewhere, so that a few faults do not all come early.
    """
    if asked.groups:
        return usual.of_groups(way)
    n_places = len(usual.may_fail(way))
    return range(1 + int(begin * min(asked.every, n_places)), n_places + 1, asked.every)


if __name__ == "__main__":
    main()
