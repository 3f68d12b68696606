"""Lines of the table of verdicts: one of a law, a size of fleets and who judges; and the goals."""

import csv
import re
from collections.abc import Mapping
from dataclasses import astuple, dataclass, fields, replace
from datetime import date
from pathlib import Path
from typing import Final, Self

from tests.calibration.scores import Score

BEFORE: Final = Path(__file__).with_name("before.csv")
KEPT: Final = Path(__file__).with_name("verdict_results.csv")
HEAD: Final = (
    f"{'fleet':26s}{'vehicles':>8s}  {'judged by':28s}{'ECE':>7s}{'Brier':>9s}{'held':>7s}"
    f"{'wrong':>8s}{'km to go':>10s}{'same ECE':>10s}{'worn ECE':>9s}"
)
# the goals; that of few vehicles is looser
FEW: Final = 10
ECE, ECE_OF_FEW, SAME, WRONG = 0.02, 0.03, 0.03, 0.02
_BRIER, _BRIER_FROM = 1.15, 400  # of the oracle's, in fleets of so many
_HELD, _TO_GO = 0.9, 1.5  # of the oracle's
_LEAST_BRIER = 1e-4  # less is no error to compare with
# of ``before.csv``: ECE, Brier's ratio, held, wrong, km to go, same and worn; model/oracle
_FIGURES_BEFORE: Final = re.compile(
    r"\s*([\d.]+)/\d\.\d{3}\s*[\d.]+\s+(\d+)%/\s*\d+%\s*(\S+?)%\s*([\d,]+)/[\d,]+"
    r"\s*([\d.]+)/[\d.]+\s+([\d.]+)/[\d.]+\s*"
)


@dataclass(frozen=True)
class Line:
    """What one model says of the fleets of one law; nan: nothing to measure."""

    law: str
    vehicles: int
    seeds: str
    by: str
    ece: float
    brier: float
    held: float  # share of those seen clean
    wrong: float  # of those told held
    to_go: float  # median km of those on watch
    same: float  # ECE of the chance that a return is the same fault
    worn: float
    chance: float  # ECE that 95 of 100 forecasts as these stay below if all are true
    chance_same: float

    def missed(self, oracle: "Line") -> set[str]:
        """Name the figures that miss their goals."""
        most = goal([oracle])
        over = {"ece", "wrong", "same"}
        if oracle.to_go > 0:  # the oracle watches some
            over.add("to_go")
        if self.vehicles >= _BRIER_FROM and oracle.brier >= _LEAST_BRIER:
            over.add("brier")
        under = {"held"} if self.held < most.held else set()
        return {name for name in over if getattr(self, name) > getattr(most, name)} | under

    def text(self, oracle: "Line") -> str:
        """One line of the table; ``*``: misses the goal."""
        starred = self.missed(oracle) if self.by not in {"oracle", "goal"} else set()
        shown = (
            ("ece", f"{self.ece:.3f}", 7),
            ("brier", f"{self.brier:.4f}", 9),
            ("held", f"{self.held:.0%}", 7),
            ("wrong", f"{self.wrong:.1%}", 8),
            ("to_go", f"{self.to_go:,.0f}", 10),
            ("same", f"{self.same:.3f}", 10),
            ("worn", f"{self.worn:.3f}", 9),
        )
        cells = (
            ("-" if text.startswith("nan") else text + "*" * (name in starred)).rjust(width)
            for name, text, width in shown
        )
        return f"{self.law:26s}{self.vehicles:8d}  {self.by:28s}{''.join(cells)}"


def lines_of(law: str, vehicles: int, seeds: str, scores: Mapping[str, Score]) -> list[Line]:
    """Give a line of each model, and last the oracle's."""
    found = []
    for by, s in scores.items():
        figures = (s.ece, s.brier, s.held, s.wrong, s.to_go, s.ece_same, s.ece_worn)
        found.append(Line(law, vehicles, seeds, by, *figures, s.ece_noise, s.ece_same_noise))
    figures = (s.ece_oracle, s.brier_oracle, s.held_oracle, float("nan"), s.to_go_oracle)
    worn = (s.ece_same_oracle, s.ece_worn_oracle)
    return [*found, Line(law, vehicles, seeds, "oracle", *figures, *worn, *[float("nan")] * 2)]


def by_luck(lines: list[Line], scores: Mapping[str, Score]) -> list[Line]:
    """How much of the errors is luck: what true chances stay below in 95 of 100 draws.

    Of each model also how far it is from the oracle's chances, bin by bin, in which there is none.
    """
    oracle, some = lines[-1], next(iter(scores.values()))
    found = [
        _errors(oracle, "luck alone, oracle", some.ece_noise_oracle, some.ece_same_noise_oracle)
    ]
    for by, s in scores.items():
        found.append(_errors(oracle, f"luck alone, {by}", s.ece_noise, s.ece_same_noise))
        found.append(_errors(oracle, f"apart from oracle, {by}", s.ece_apart, s.ece_same_apart))
    return found


def _errors(like: Line, by: str, ece: float, same: float) -> Line:
    none = dict.fromkeys(("brier", "held", "wrong", "to_go", "worn"), float("nan"))
    return replace(like, by=by, ece=ece, same=same, **none)


def goal(lines: list[Line]) -> Line:
    """Give the goals beside an oracle, the last of ``lines``."""
    oracle = lines[-1]
    return replace(
        oracle,
        by="goal",
        ece=ECE_OF_FEW if oracle.vehicles <= FEW else ECE,
        brier=_BRIER * oracle.brier if oracle.vehicles >= _BRIER_FROM else float("nan"),
        held=_HELD * oracle.held,
        wrong=WRONG,
        to_go=_TO_GO * oracle.to_go,
        same=SAME,
        worn=float("nan"),
    )


def before(law: str, vehicles: int) -> list[Line]:
    """Give what the two-cause model said, as far as it was kept: no Brier score but its ratio."""
    with BEFORE.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(row for row in file if not row.startswith("#")))
    return [
        _of_before(law, vehicles, row["figures"])
        for row in rows
        if (row["law"], row["vehicles"]) == (law, str(vehicles))
    ]


def _of_before(law: str, vehicles: int, figures: str) -> Line:
    found = _FIGURES_BEFORE.fullmatch(figures)
    if not found:
        message = f"{BEFORE.name}: no figures of {law}, {vehicles} vehicles: {figures}"
        raise ValueError(message)
    ece, held, wrong, to_go, same, worn = (float(cell.replace(",", "")) for cell in found.groups())
    nan = float("nan")
    figures_ = (ece, nan, held / 100, wrong / 100, to_go, same, worn, nan, nan)
    return Line(law, vehicles, "1-5", "two causes, seeds 1-5", *figures_)


@dataclass(frozen=True)
class Kept:
    """A line, and when it was measured."""

    date: date
    line: Line

    @classmethod
    def of(cls, row: Mapping[str, str]) -> Self:
        names = [field.name for field in fields(Line)]
        figures = (float(row[name]) for name in names[4:])
        line = Line(row["law"], int(row["vehicles"]), row["seeds"], row["by"], *figures)
        return cls(date.fromisoformat(row["date"]), line)


def kept() -> list[Kept]:
    """Give every line that was kept, the oldest first."""
    with KEPT.open(encoding="utf-8", newline="") as file:
        return [Kept.of(row) for row in csv.DictReader(file)]


def keep(lines: list[Line], day: date) -> None:
    """Keep lines; they take the place of the same lines of before."""
    names = ("law", "vehicles", "seeds", "by")
    new = {tuple(getattr(line, name) for name in names) for line in lines}
    old = kept() if KEPT.exists() else []
    stays = [o for o in old if tuple(getattr(o.line, name) for name in names) not in new]
    with KEPT.open("w", encoding="utf-8", newline="") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(["date", *(field.name for field in fields(Line))])
        for one in [*stays, *(Kept(day, line) for line in lines)]:
            cells = (f"{v:.6g}" if isinstance(v, float) else v for v in astuple(one.line))
            out.writerow([one.date, *cells])
