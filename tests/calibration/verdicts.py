"""Are verdicts true?  Fleets of every law, judged beside an oracle that knows the laws.

Beside it also somebody who knows the laws fleets are drawn from (``informed.py``).
``python -m tests.calibration.verdicts [--sizes 10 40 400 2000] [--seeds 5] [law ...]`` prints a
line a law and size, and below it what the model of before said of the same fleets
(``before.csv``, made once by that model's code).
"""

import argparse
import csv
from collections.abc import Iterator, Sequence
from pathlib import Path

from tests.calibration.fleet import simulate
from tests.calibration.informed import informed
from tests.calibration.judged import told
from tests.calibration.laws import SCENARIOS, Scenario
from tests.calibration.scores import HEAD, Rows, Score, as_line, score

BEFORE = Path(__file__).with_name("before.csv")
SIZES = (10, 40, 400, 2000)
_LEAST_VEHICLES = 200  # small fleets are drawn several times a seed, for figures to say something


def seeds_of(n_vehicles: int, n_seeds: int, first: int = 1) -> Iterator[int]:
    """Seeds of the fleets that make one line."""
    for seed in range(first, first + n_seeds):
        for again in range(max(1, _LEAST_VEHICLES // n_vehicles)):
            yield 1000 * seed + again


def scored(scenario: Scenario, n_vehicles: int, n_seeds: int, first: int = 1) -> Score:
    """Judge each fleet by itself, and compare all their attempts with the truth."""
    fleets = (
        simulate(scenario.sized(n_vehicles), seed) for seed in seeds_of(n_vehicles, n_seeds, first)
    )
    judged = [Rows.of(fleet, told(fleet), informed(fleet)) for fleet in fleets if fleet.tries]
    return score(Rows.joined(judged))


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("laws", nargs="*", help="names of laws; none: all")
    parser.add_argument("--sizes", nargs="+", type=int, default=SIZES)
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--first", type=int, default=1, help="the first seed")
    asked = parser.parse_args(arguments)
    before = _before()
    print(HEAD)
    for scenario in SCENARIOS:
        for size in asked.sizes if not asked.laws or scenario.name in asked.laws else ():
            found = scored(scenario, size, asked.seeds, asked.first)
            print(f"{scenario.name:28s}{size:6d}{as_line(found)}", flush=True)
            if old := before.get((scenario.name, size)):
                print(f"{'   before':28s}{'':6s}{old}", flush=True)


def _before() -> dict[tuple[str, int], str]:
    with BEFORE.open(encoding="utf-8", newline="") as file:
        rows = csv.DictReader(line for line in file if not line.startswith("#"))
        return {(row["law"], int(row["vehicles"])): row["figures"] for row in rows}


if __name__ == "__main__":
    main()
