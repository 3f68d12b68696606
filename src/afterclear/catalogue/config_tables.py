"""The one place where a table under ``config/`` is read.

A CSV may begin with ``#`` lines that state licence and source; then comes the header.  Every
mistake names file, line and what was expected.
"""

import csv
import tomllib
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

from afterclear.errors import ConfigError

Row = dict[str, str]


def read_table(path: Path, columns: Iterable[str]) -> list[Row]:
    """Read the rows of a CSV that has all of ``columns``; cells are stripped of blanks.

    Each row also has ``_line``, its 1-based line in the file, for messages.

    Raises:
        ConfigError: the file is missing, not UTF-8, or lacks a column, or a row is too long.

    """
    lines = _text(path).splitlines()
    first = next((n for n, line in enumerate(lines) if line and not line.startswith("#")), None)
    if first is None:
        raise ConfigError(f"{path} has no header line; expected the columns {', '.join(columns)}.")
    reader = csv.DictReader(lines[first:], strict=True)
    missing = [name for name in columns if name not in (reader.fieldnames or ())]
    if missing:
        raise ConfigError(f"{path} line {first + 1} lacks the column {', '.join(missing)}.")
    rows = []
    try:
        for row in reader:
            line = first + reader.line_num
            if None in row or None in row.values():
                raise ConfigError(
                    f"{path} line {line} has another number of cells than the header; "
                    "put text with a comma between double quotes."
                )
            if not next(iter(row.values())).startswith("#"):
                rows.append(
                    {name: cell.strip() for name, cell in row.items()} | {"_line": str(line)}
                )
    except csv.Error as error:
        raise ConfigError(f"{path} after line {first + reader.line_num}: {error}.") from error
    return rows


def read_settings(path: Path) -> dict[str, Any]:
    """Read a TOML file.

    Raises:
        ConfigError: the file is missing, not UTF-8 or not TOML.

    """
    try:
        return tomllib.loads(_text(path))
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{path} is not valid TOML: {error}.") from error


def read_by_language(
    folder: Path, name: str, take: Callable[[Mapping[str, Any]], Iterable[str]]
) -> None:
    """Pass ``<name>.toml`` and then its other languages to ``take``, which returns the problems.

    Raises:
        ConfigError: a file is missing, not TOML, or wrong; all that is wrong at once.

    """
    paths = (folder / f"{name}.toml", *sorted(folder.glob(f"{name}_*.toml")))
    problems = [
        f"{path.name}: {problem}" for path in paths for problem in take(read_settings(path))
    ]
    if problems:
        raise ConfigError("Names are wrong:\n  " + "\n  ".join(problems))


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise ConfigError(f"{path} is missing; restore it from the shipped config.") from None
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(f"{path} cannot be read as UTF-8 text: {error}.") from error
