"""Are verdicts true?  Fleets of every law, judged beside an oracle that knows the laws.

``python -m tests.calibration.verdicts [law ...] --sizes 10 40 --seeds 5 --first 800`` prints one
table: for each law and size the tool now, the tool without averaging, the two-cause model of before
(``before.csv``, made once by that model's code on seeds 1 to 5), the best that a learner could say
(``law_average.py``), the oracle, how much of the errors is luck, and the goal.  A ``*`` misses it.
``--rows FOLDER`` keeps what was judged, so that a run can go on after a stop (one folder a state of
the code); ``--keep`` adds the lines to ``verdict_results.csv``, from which the help page has its
table (``verdict_table.py``).
"""

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from tests.calibration.judgements import MODELS, USUAL, rows
from tests.calibration.laws import SCENARIOS, Scenario
from tests.calibration.lines import HEAD, Line, before, by_luck, goal, keep, lines_of
from tests.calibration.scores import Rows, Score, score
from tests.calibration.verdict_table import write_page

SIZES = (10, 40, 400, 2000)
ALL = "all of these"


def scored(scenario: Scenario, n_vehicles: int, n_seeds: int, first: int = 1) -> Score:
    """Judge each fleet by itself, and compare all their attempts with the truth."""
    seeds = range(first, first + n_seeds)
    return score(Rows.joined([rows(scenario, n_vehicles, seed, "now") for seed in seeds]))


@dataclass(frozen=True)
class Campaign:
    """What was asked for."""

    laws: list[Scenario]
    sizes: Sequence[int]
    seeds: range
    models: Sequence[str]
    folder: Path | None

    def lines(self) -> Iterator[tuple[list[Line], list[Line]]]:
        """Give the lines of each law and size, and of all laws together; and those of luck."""
        for size in self.sizes:
            every: list[list[Rows]] = [[] for _ in self.models]
            for law in self.laws:
                judged = [
                    Rows.joined([rows(law, size, seed, model, self.folder) for seed in self.seeds])
                    for model in self.models
                ]
                for mine, more in zip(every, judged, strict=True):
                    mine.append(more)
                yield self._lines(law.name, size, judged)
            if len(self.laws) > 1:
                yield self._lines(ALL, size, [Rows.joined(mine) for mine in every])

    def _lines(self, law: str, size: int, judged: list[Rows]) -> tuple[list[Line], list[Line]]:
        seeds = f"{self.seeds[0]}-{self.seeds[-1]}"
        scores = dict(zip(self.models, map(score, judged), strict=True))
        lines = lines_of(law, size, seeds, scores)
        return lines, by_luck(lines, scores)


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("laws", nargs="*", help="names of laws; none: all")
    parser.add_argument("--sizes", nargs="+", type=int, default=SIZES)
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--first", type=int, default=1, help="the first seed")
    parser.add_argument("--models", nargs="+", choices=MODELS, default=USUAL)
    parser.add_argument("--rows", type=Path, help="folder to keep judgements in")
    parser.add_argument("--keep", action="store_true", help="add the lines to the help page's")
    asked = parser.parse_args(arguments)
    laws = [law for law in SCENARIOS if not asked.laws or law.name in asked.laws]
    seeds = range(asked.first, asked.first + asked.seeds)
    campaign = Campaign(laws, asked.sizes, seeds, asked.models, asked.rows)
    kept: list[Line] = []
    print(HEAD)
    for lines, luck in campaign.lines():
        law, size = lines[0].law, lines[0].vehicles
        for line in [*lines, *before(law, size), *luck, goal(lines)]:
            print(line.text(lines[-1]), flush=True)
        kept += lines
    if asked.keep:
        keep(kept, datetime.now(UTC).date())
        write_page()


if __name__ == "__main__":
    main()
