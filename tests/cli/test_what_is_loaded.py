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
