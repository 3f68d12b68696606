"""Every benchmark, one after the other, with one table of the fleet at all sizes.

    python -m tests.benchmarks [rows ...]

Each size runs in a process of its own (``bench_fleet``), so that no size inherits another's
memory; within it each piece of work stands beside its baseline.  The default sizes are 1, 10 and
100 million scan rows, which takes about an hour and 30 GB of disk; name smaller ones for a quick
look.  Then the other benchmarks print what they measure, the reference libraries' loops among it.
"""

import argparse
import json
import subprocess
import sys
from datetime import UTC, datetime
from math import log
from pathlib import Path
from typing import Any, Final

from tests.benchmarks.measuring import machine

SIZES: Final = (1_000_000, 10_000_000, 100_000_000)
OTHERS: Final = (
    "bench_digest", "bench_findings", "bench_ahead", "bench_fix_held", "bench_estimators",
    "bench_can_log", "bench_import", "bench_suggest", "bench_small_files", "bench_reading_process",
    "bench_opening", "bench_lake",
)  # fmt: skip

Figures = dict[str, Any]

# label, part, part it is held against, goal as it is written in the docs
_WORK: Final = (
    ("bare read_csv into a table", "bare_read", "", ""),
    ("load", "load", "bare_read", "<= 1.5 x bare read"),
    ("bare gaps and islands", "bare_islands", "", ""),
    ("the same in Polars", "polars_islands", "bare_islands", ""),
    ("the same in pandas", "pandas_islands", "bare_islands", ""),
    ("histories and attempts", "histories", "bare_islands", "<= 4 x bare islands"),
    ("analysis with all findings", "analysis", "", ""),
    ("fleet digest", "digest", "", ""),
    ("night of 0.1 % new rows", "night", "whole", "<= 0.05 x the whole"),
)


def measured(rows: int, folder: Path | None) -> Figures:
    """Measure one size in a process of its own; what it prints is shown as it is."""
    command = [sys.executable, "-m", "tests.benchmarks.bench_fleet", str(rows)]
    done = subprocess.run(
        command + ([str(folder)] if folder else []), check=True, stdout=subprocess.PIPE, text=True
    )
    *shown, figures = done.stdout.splitlines()
    print("\n".join(shown), flush=True)
    found: Figures = json.loads(figures)
    return found | {"whole": _sum_of(found, ("load", "analysis", "digest"))}


def _sum_of(figures: Figures, parts: tuple[str, ...]) -> dict[str, float]:
    return {"seconds": sum(figures[part]["seconds"] for part in parts)}


def table(sizes: list[Figures]) -> str:
    """Write one Markdown table: seconds, peak MB and ratio at each size, growth, goal."""
    heads = "".join(f" {s['rows'] / 1e6:.0f} M rows |" for s in sizes)
    lines = [
        f"| work |{heads} growth | goal |",
        f"|---|{'---|' * len(sizes)}---|---|",
        *(_row(label, part, against, goal, sizes) for label, part, against, goal in _WORK),
        _plain_row("store, bytes a scan row", sizes, _bytes_a_row, "<= 12"),
        _plain_row("`--help`", sizes, lambda s: f"{s['help_s']:.2f} s", "<= 0.25 s"),
        _plain_row("`vehicle ID`", sizes, lambda s: f"{s['vehicle_s']:.2f} s", "<= 0.25 s"),
    ]
    return "\n".join(lines)


def _row(label: str, part: str, against: str, goal: str, sizes: list[Figures]) -> str:
    cells = "".join(f" {_cell(size, part, against)} |" for size in sizes)
    known = [(s["rows"], s[part]["seconds"]) for s in sizes if s[part]]
    return f"| {label} |{cells} {_growth(known)} | {goal} |"


def _plain_row(label: str, sizes: list[Figures], told: Any, goal: str) -> str:
    return f"| {label} |{''.join(f' {told(size)} |' for size in sizes)} | {goal} |"


def _cell(size: Figures, part: str, against: str) -> str:
    if not size[part]:
        return "not run"
    seconds = size[part]["seconds"]
    ratio = f", {seconds / size[against]['seconds']:.3g} x" if against else ""
    return f"{seconds:,.1f} s, {size[part]['peak_mb']:,.0f} MB{ratio}"


def _bytes_a_row(size: Figures) -> str:
    return f"{size['store_bytes'] / size['rows']:.1f}"


def _growth(known: list[tuple[int, float]]) -> str:
    """Exponent of the seconds from the smallest size to the largest."""
    if len(known) < 2:  # no growth is seen at one size
        return ""
    (few, quick), (many, slow) = known[0], known[-1]
    return f"{log(slow / quick) / log(many / few):.2f}"


def main() -> None:
    """Run all of it."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("rows", type=int, nargs="*", default=list(SIZES))
    parser.add_argument("--folder", type=Path, help="Where the files and stores are made.")
    parser.add_argument("--only-fleet", action="store_true", help="Leave the others out.")
    asked = parser.parse_args()
    sizes = [measured(rows, asked.folder) for rows in sorted(asked.rows)]
    print(f"\n{machine()}, {datetime.now(UTC):%Y-%m-%d}\n\n{table(sizes)}")
    for name in () if asked.only_fleet else OTHERS:
        print(f"\n{name}", flush=True)
        subprocess.run([sys.executable, "-m", f"tests.benchmarks.{name}"], check=True)


if __name__ == "__main__":
    main()
