"""The garage's import maps: kept, shown and mended, each whole or as before."""

import os
import re
from pathlib import Path
from typing import Final

from afterclear.commands.app import App
from afterclear.errors import ConfigError, UsageError, Worded, worded
from afterclear.readers.maps.import_map import parse_map

_NAME: Final = re.compile(r"[a-z0-9_-]{1,60}\Z")


def own_maps(app: App) -> tuple[str, ...]:
    """Name the maps of the garage."""
    return tuple(sorted(p.stem for p in app.config.imports.glob("*.toml") if _NAME.match(p.stem)))


def map_text(app: App, name: str) -> str:
    """Give the text of a map.

    Raises:
        UsageError: there is none of this name.

    """
    path = _place(app, name)
    if not path.is_file():
        raise UsageError(
            worded(
                "There is no map {name}. There are: {names}.",
                name=name,
                names=", ".join(own_maps(app)) or worded("none"),
            )
        )
    return path.read_text(encoding="utf-8", errors="replace")


def keep_map(app: App, name: str, text: str) -> None:
    """Keep a new map.

    Raises:
        UsageError: there is one of this name, or the name or the place will not do.

    """
    path = _place(app, name)
    part = _written(path, text)
    try:
        os.link(part, path)
    except FileExistsError as error:
        raise UsageError(taken_name(name)) from error
    finally:
        part.unlink(missing_ok=True)


def taken_name(name: str) -> Worded:
    """Say that a new map needs another name."""
    return worded(
        "There is a map {name} already; it does not fit this file. Choose another name.", name=name
    )


def mend_map(app: App, name: str, text: str, was: str) -> None:
    """Put a mended map in the place of the present one.

    ``was``: the text it was mended from.

    Raises:
        UsageError: there is no such map, or somebody else has mended it since.
        ConfigError: it is wrong; every mistake is listed.

    """
    if _lines(map_text(app, name)) != _lines(was):
        raise UsageError(
            worded(
                "The map {name} has been changed since you opened it. Look at it again.", name=name
            )
        )
    problems: list[str] = []
    if parse_map(text, name, f"{name}.toml", problems) is None:
        raise ConfigError(*problems)
    path = _place(app, name)
    part = _written(path, "\n".join(_lines(text)) + "\n")
    part.replace(path)


def _lines(text: str) -> list[str]:
    """Give lines; browsers send other ends of them."""
    return text.rstrip().splitlines()


def _place(app: App, name: str) -> Path:
    if app.config.folder is None:
        raise UsageError(
            worded("A map needs a garage's folder to be kept in, and this was not started in one.")
        )
    if not _NAME.match(name):
        raise UsageError(worded("Name the map with small letters, digits, - and _ only."))
    return app.config.imports / f"{name}.toml"


def _written(path: Path, text: str) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.stem}.part")
    part.write_text(text, encoding="utf-8")
    return part
