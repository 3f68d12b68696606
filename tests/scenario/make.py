"""Writes the sample data: ``python -m tests.scenario.make [--out FOLDER]``."""

import argparse
from pathlib import Path

from tests.scenario.deliveries import deliver
from tests.scenario.simulate import simulate
from tests.scenario.told import stories_text

SAMPLE_DATA = Path(__file__).parents[2] / "sample_data"


def make() -> dict[str, bytes]:
    """Give every generated file of the sample data by its name."""
    vehicles, book, told = simulate()
    return deliver(vehicles, book) | {"STORIES.md": stories_text(told.values(), book)}


def write(out: Path) -> list[Path]:
    """Write every generated file below a folder; files that are no longer made are left."""
    written = []
    for name, content in make().items():
        path = out / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
        written.append(path)
    return written


def _main() -> None:
    parser = argparse.ArgumentParser(description="Write the sample data.")
    parser.add_argument("--out", type=Path, default=SAMPLE_DATA, help="folder to write to")
    for path in write(parser.parse_args().out):
        print(f"{path.stat().st_size:>9,} {path}")


if __name__ == "__main__":
    _main()
