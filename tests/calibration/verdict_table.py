"""The help page's table of verdicts in small fleets, made from what was kept.

``python -m tests.calibration.verdict_table`` writes the section of ``verdicts_measured.md`` anew;
``tests/test_help.py`` fails where they differ.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np

import afterclear
from tests.calibration.lines import Kept, Line, kept

PAGE: Final = Path(afterclear.__file__).parent / "help" / "verdicts_measured.md"
_HEADING: Final = "## What was measured, fleet by fleet"
# the tool's chances of small fleets rested on wider priors before 30 November 2026, 15 o'clock
_TOOL: Final = ("now", "wider priors")
_MODELS: Final = ("one state", "wider priors", "now", "law average")
_FLOORS: Final = ("law average", "middle not told")
_HEAD: Final = (
    "| fleet | size | seeds | ECE | wrong | held | km to go | same fault, ECE | luck | blocked |",
    "|---|---|---|---|---|---|---|---|---|---|",
)


def renewed(page: str, found: Sequence[Kept]) -> str:
    """Put the tables into their section of the page."""
    start, _, rest = page.partition(f"{_HEADING}\n")
    _, next_heading, after = rest.partition("\n## ")
    days = sorted({one.date for one in found}, reverse=True)
    tables = "\n\n".join(
        f"Measured on {day}:\n\n{_table([o.line for o in found if o.date == day])}" for day in days
    )
    return f"{start}{_HEADING}\n\n{tables}\n{next_heading}{after}"


def _table(lines: Sequence[Line]) -> str:
    of: dict[tuple[str, int, str], dict[str, Line]] = {}
    for line in lines:
        of.setdefault((line.law, line.vehicles, line.seeds), {})[line.by] = line
    return "\n".join([*_HEAD, *(_row(by) for by in of.values() if set(_TOOL) & set(by))])


def _row(by: dict[str, Line]) -> str:
    tool, oracle = _tool(by), by["oracle"]
    judged = [by.get(name) for name in _MODELS]
    cells = (
        f"{tool.law} | {tool.vehicles} | {tool.seeds}",
        _each(judged, "ece", ".3f", oracle),
        _each(judged, "wrong", ".1%", oracle),
        f"{_each(judged, 'held', '.0%', oracle)} (oracle {oracle.held:.0%})",
        _to_go(by),
        f"{_each(judged, 'same', '.3f', oracle)} (oracle {oracle.same:.3f})",
        f"{tool.chance:.3f}, {tool.chance_same:.3f}",
        ", ".join(_blocked(by)) or "-",
    )
    return f"| {' | '.join(cells)} |"


def _tool(by: dict[str, Line]) -> Line:
    return next(by[name] for name in _TOOL if name in by)


def _each(judged: Sequence[Line | None], name: str, form: str, oracle: Line) -> str:
    """One figure where the tool of now alone was run, else one of each."""
    run = [line for line in judged if line]
    is_now = len(run) == 1 and run[0].by == "now"
    return ", ".join(
        "-" if line is None else _figure(line, name, form, oracle)
        for line in (run if is_now else judged)
    )


def _to_go(by: dict[str, Line]) -> str:
    """Say the km to go, and those of whoever else told any."""
    others = [by[name] for name in (*_FLOORS, "oracle") if name in by]
    beside = [f"{o.by} {o.to_go:,.0f}" for o in others if not np.isnan(o.to_go)]
    return f"{_figure(_tool(by), 'to_go', ',.0f', by['oracle'])} ({', '.join(beside)})"


def _figure(line: Line, name: str, form: str, oracle: Line) -> str:
    value = format(getattr(line, name), form).replace("nan%", "none")
    return f"**{value}**" if name in line.missed(oracle) else value


def _blocked(by: dict[str, Line]) -> list[str]:
    """Name goals that the tool misses and the law average does, too."""
    words = {
        "ece": "ECE",
        "wrong": "wrong",
        "held": "held",
        "to_go": "km to go",
        "same": "same fault",
    }
    missed = _tool(by).missed(by["oracle"]) & set(words)
    if "law average" not in by:
        return []
    floor = by["law average"].missed(by["oracle"])
    return [words[name] for name in words if name in missed & floor]


def write_page() -> None:
    """Write the page anew."""
    PAGE.write_text(renewed(PAGE.read_text(encoding="utf-8"), kept()), encoding="utf-8")


if __name__ == "__main__":
    write_page()
