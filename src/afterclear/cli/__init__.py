"""The command line: parse, call one function of ``commands``, print, set the exit code.

Commands are imported when they are called, so that ``--help`` answers at once.

Exit codes: 0 done, 1 our bug, 2 config or usage, 3 some input refused, 4 a source out of reach,
5 a check found something.
"""

import gc
import importlib
import os
from pathlib import Path
from types import ModuleType

import click

from afterclear import __version__

# command -> (module below cli, one line of help)
COMMANDS = {
    "analyse": ("analyse", "Rebuild what changed since the last run and judge every fix."),
    "backup": ("backup", "Write the store, its archive and the config to one verified file."),
    "check-file": ("check_file", "Say whether a file has the layout it should have."),
    "check": ("check", "Check that the store and its archive are whole."),
    "decide": ("decide", "Keep your word on a vehicle, attempt or code; or take it back."),
    "decode": ("decode", "Say what a fault code means."),
    "demo": ("demo", "Load the sample fleet, judge it and write its digests."),
    "desk": ("desk", "Open the desk: the daily work in a browser on this machine."),
    "digest": ("digest", "Write the HTML digests."),
    "dossier": ("dossier", "Write what the records show of one vehicle, to print and sign."),
    "export": ("export", "Take a table out: CSV, JSON Lines, Parquet or a workbook."),
    "forget": ("forget", "Erase a vehicle's data from the store and the archive."),
    "help": ("help", "Show a help page, or list them."),
    "init": ("init", "Write a commented config, an inbox and a reports folder."),
    "lake-analyse": ("lake_analyse", "Judge a fleet in a lake, bucket by bucket on an engine."),
    "lake-fill": ("lake_fill", "Put the store's rows into a lake: Parquet by bucket and month."),
    "load": ("load", "Load files or folders, or every configured source."),
    "map-check": ("map_check", "Show what is made of a file; suggest an import map."),
    "reassign": ("reassign", "Put a load under another vehicle or zone."),
    "rejections": ("rejections", "List refused rows: where, what, and what was expected."),
    "restore": ("restore", "Bring back the store of a backup."),
    "replay": ("replay", "Read archived files again, after a map was mended."),
    "retract": ("retract", "Undo a load whole; what it had replaced comes back."),
    "run": ("run", "Load, analyse and write the digests, once."),
    "schedule": ("schedule", "Do the same on the configured timetable, until told to stop."),
    "schema": ("schema", "Print the schema of a table of the plain layout."),
    "sheet": ("sheet", "Write the workshop's sheet of one vehicle: what was tried, what to check."),
    "sql": ("sql", "Answer a question in SQL over the exported tables."),
    "status": ("status", "Say how the store stands."),
    "vacuum": ("vacuum", "Apply the retention rules and make the store's file small."),
    "vehicle": ("vehicle", "Tell one vehicle's history."),
}


class _Commands(click.Group):
    """A group whose commands are imported only when called."""

    def list_commands(self, _: click.Context) -> list[str]:
        """Name all commands."""
        return sorted(COMMANDS)

    def get_command(self, _: click.Context, name: str) -> click.Command | None:
        """Import a command."""
        if name not in COMMANDS:
            return None
        # before numpy comes with it: the estimators' matrices are small, and more threads only wait
        # for each other
        os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
        command: click.Command = _imported(f"afterclear.cli.{COMMANDS[name][0]}").command
        return command

    def format_commands(self, _: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, COMMANDS[name][1]) for name in sorted(COMMANDS)])


def _imported(name: str) -> ModuleType:
    """Import a module, without looking for garbage meanwhile: what modules make stays."""
    gc.disable()
    try:
        return importlib.import_module(name)
    finally:
        gc.freeze()  # nor is it looked through later
        gc.enable()


@click.group(cls=_Commands)
@click.option(
    "--config",
    type=click.Path(path_type=Path, file_okay=False),
    help="Config folder (default: ./config if there, else the built-in settings).",
)
@click.option(
    "--store",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Store file (default: afterclear.duckdb beside the config folder).",
)
@click.version_option(__version__, prog_name="afterclear")
@click.pass_context
def main(context: click.Context, config: Path | None, store: Path | None) -> None:
    """Was the fault fixed?  Scans, clears and work orders in, evidence out."""
    context.obj = (config, store)
