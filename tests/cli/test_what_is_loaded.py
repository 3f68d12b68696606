"""A command loads what it works with, and no more: the libraries take longer than the work."""

import subprocess
import sys

from afterclear.cli import COMMANDS

# of estimators and of pages
HEAVY = {"scipy", "jinja2"}
# these judge or make pages, and come to it in any case
NEED_THEM = {
    *("decide", "demo", "digest", "dossier", "init", "run", "schedule", "sheet"),
}


def test_a_command_that_neither_judges_nor_makes_pages_loads_no_library_for_it() -> None:
    modules = [module for name, (module, _) in COMMANDS.items() if name not in NEED_THEM]
    lines = "\n".join(
        f"import afterclear.cli.{module}; print('{module}', *sys.modules)" for module in modules
    )
    done = subprocess.run(
        [sys.executable, "-c", f"import sys\n{lines}"], capture_output=True, check=True, text=True
    )
    loaded = {line.split()[0]: HEAVY & set(line.split()) for line in done.stdout.splitlines()}
    assert list(loaded) == modules
    assert {name: found for name, found in loaded.items() if found} == {}


def test_no_command_loads_the_engine_of_lakes_unless_it_is_asked_for() -> None:
    """Who never asks needs neither Spark nor Java."""
    names = "\n".join(f"import afterclear.cli.{module}" for module, _ in COMMANDS.values())
    asked = "import afterclear.lake.engine as e\nwith e.workers_of(e.HERE) as w: w(dict, 0, print)"
    done = subprocess.run(
        [sys.executable, "-c", f"import sys\n{names}\n{asked}\nprint(*sys.modules)"],
        capture_output=True, check=True, text=True,
    )  # fmt: skip
    assert "afterclear.lake.engine" in done.stdout.split()
    assert not {"pyspark", "pyarrow", "py4j"} & set(done.stdout.split())
