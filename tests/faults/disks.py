"""Let every n-th thing of every command fail: ``python -m tests.faults.disks load --every 5``."""

import argparse
import sys
import tempfile
from pathlib import Path

from tests.campaigns import counted
from tests.faults.disk import COMMANDS, WAYS, Tally, bench, tried, undisturbed


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("commands", nargs="*", default="all", choices=[*COMMANDS, "all"])
    parser.add_argument("--every", type=int, default=1, help="Only each so many-th n.")
    parser.add_argument("--way", choices=WAYS, action="append", help="Only in this way.")
    asked = parser.parse_args()
    commands = COMMANDS if "all" in asked.commands else asked.commands
    tally = Tally()
    with tempfile.TemporaryDirectory() as place, bench(Path(place).resolve()) as on:
        for command in commands:
            usual = undisturbed(on, command)
            print(f"{command}: {usual.asked} writes, syncs and new names", flush=True)
            for first, way in enumerate(asked.way or WAYS):
                for at in range(1 + first % asked.every, usual.n_asked(way) + 1, asked.every):
                    tried(on, command, usual, (way, at), tally)
            print(f"so far {sum(tally.ends.values())} faults", flush=True)
    counted(sum(tally.ends.values()), "faults of a disk", len(tally.wrong))
    print(f"{sum(tally.ends.values())} faults: {dict(sorted(tally.ends.items()))}")
    print(f"wrong: {len(tally.wrong)}")
    sys.exit(bool(tally.wrong) or not tally.ends)  # where nothing failed, nothing was tried


if __name__ == "__main__":
    main()
