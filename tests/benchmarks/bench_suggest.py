"""What it costs to suggest a map, as the store's fleet and the file grow.

Run as ``python -m tests.benchmarks.bench_suggest``.  The baseline is the suggestion for the same
file by a store that knows no vehicle, in this process and by turns; the fastest of each counts.
"""

import random
import tempfile
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from afterclear.catalogue.control_units import ControlUnits
from afterclear.readers.maps.heading_words import HeadingWords, read_heading_words
from afterclear.readers.suggest.columns.profiles import Known
from afterclear.readers.suggest.suggested_map import Context
from afterclear.readers.suggesting import suggest_map
from afterclear.records import Delivery
from tests.benchmarks.measuring import cost_of
from tests.readers.samples import IMPORTS

NOW = datetime(2026, 11, 28, tzinfo=UTC)
ROWS = (500, 5_000)
VEHICLES = (300, 30_000)
TURNS = 3
_LETTERS = "ABCDEFGHJKLMNPRSTUVWXYZ0123456789"


def known_fleet(n: int) -> Known:
    """Make a fleet in which each vehicle has a number, a VIN and a plate."""
    drawn = random.Random(n)  # noqa: S311 - invented names
    numbers = [f"V{i:05d}" for i in range(n)]
    vins = ["".join(drawn.choices(_LETTERS, k=17)) for _ in numbers]
    plates = [f"K{chr(65 + i % 26)}{i:05d}" for i in range(n)]
    owners = {
        name: {own} for names in (vins, plates) for name, own in zip(names, numbers, strict=True)
    }
    written = {number: number for number in numbers}
    return Known(frozenset(numbers), frozenset(vins), frozenset(plates), owners, written)


def write_readings(path: Path, n_rows: int) -> None:
    """Write readings of 300 vehicles, each with a remark; codes are of thousands of kinds."""
    with path.open("w", encoding="utf-8") as file:
        file.write("Vehicle;Date;Odometer km;Module;DTC;Status;Remarks\n")
        file.writelines(
            f"V{n % 300:05d};2026-0{n % 9 + 1}-1{n % 9};{40_000 + 7 * n};Engine;"
            f"P{n % 4}{100 + n % 899};stored;driver said it jerks when cold {n}\n"
            for n in range(n_rows)
        )


def suggest(path: Path, words: HeadingWords, known: Known) -> None:
    """Suggest a map for the file."""
    context = Context(words, ControlUnits.load(IMPORTS.parent), known, NOW)
    delivery = Delivery("bench", path.name, path, "ab" * 32)
    if suggest_map(delivery, context, {}).text == "":
        raise SystemExit("nothing was suggested")


def fastest(path: Path, words: HeadingWords, known: Known) -> float:
    """Give the processor seconds of the fastest of some turns."""
    return min(cost_of(partial(suggest, path, words, known)).cpu_s for _ in range(TURNS))


def main() -> None:
    """Print seconds of a suggestion and its ratio to one by a store without vehicles."""
    words = read_heading_words(IMPORTS / "headings.csv", IMPORTS / "doubts.csv")
    print(f"{'rows':>7} {'vehicles':>9} {'none known s':>13} {'known s':>8} {'ratio':>6}")
    for n_rows in ROWS:
        with tempfile.TemporaryDirectory() as name:
            path = Path(name) / "readings.csv"
            write_readings(path, n_rows)
            for n in VEHICLES:
                bare, ours = (fastest(path, words, each) for each in (Known(), known_fleet(n)))
                print(f"{n_rows:>7,} {n:>9,} {bare:>13.2f} {ours:>8.2f} {ours / bare:>6.2f}")


if __name__ == "__main__":
    main()
