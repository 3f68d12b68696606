"""Pages -> files.  A reader never sees half a page."""

import os
from collections.abc import Container, Iterable, Mapping
from pathlib import Path

from afterclear.digest.common.file_names import (
    DOSSIERS,
    FLEET,
    FLEET_INDEX,
    GARAGE,
    LISTS,
    QUALITY,
    ROWS,
    SHEETS,
    STOCK,
    VEHICLES,
)


def write_digest(
    pages: Mapping[str, str] | Iterable[tuple[str, str]],
    folder: Path,
    kept: Container[str] = frozenset(),
) -> list[Path]:
    """Write pages under ``folder``, each whole or not at all; returns their paths.

    ``pages``: HTML by file name relative to ``folder``, as a mapping or as pairs built one at a
    time.  The order is kept: with the index last, it never links to a page not yet there.
    ``kept``: names of pages that are there as they are to be, asked for each when it comes.
    """
    pairs = pages.items() if isinstance(pages, Mapping) else pages
    written = []
    made: set[Path] = set()
    for name, html in pairs:
        path = folder / name
        if path.parent not in made:
            path.parent.mkdir(parents=True, exist_ok=True)
            made.add(path.parent)
        if name not in kept:
            write_page(path, html)
        written.append(path)
    return written


def remove_left_over(
    folder: Path, written: Iterable[Path], *, names_are_hidden: bool = False
) -> list[Path]:
    """Remove outdated pages of vehicles, lists, sheets, work, dossiers and rows; returns them.

    Only files a digest itself names so (``vehicles/v-*.html``, ``vehicles/list-*.html``,
    ``vehicles/fleet-index.js``, ``sheets/s-*.html``, ``quality/q-*.html``, ``dossiers/d-*.html``,
    ``data/rows-*.csv``, no links) are ever removed; those that the garage page or the stock page
    links to only with that page, rows only with the pages of all audiences. Where names are hidden,
    those of before with names go whatever is written.
    """
    kept = {path.name for path in written}
    removed = []
    of_page = {GARAGE: QUALITY, STOCK: DOSSIERS}
    patterns = [VEHICLES, LISTS, FLEET_INDEX, SHEETS]
    patterns += [own for page, own in of_page.items() if page in kept]
    patterns += [ROWS] if {FLEET, GARAGE, STOCK} <= kept else []
    patterns += [ROWS, QUALITY, DOSSIERS] if names_are_hidden else []
    found = [path for pattern in dict.fromkeys(patterns) for path in folder.glob(pattern)]
    for path in sorted(found):
        if path.name not in kept and path.is_file() and not path.is_symlink():
            path.unlink()
            removed.append(path)
    return removed


def write_page(path: Path, html: str) -> None:
    """Write beside the page, then replace the page in one step.

    No flush to disk: after a power cut the digest is built again from the store.
    """
    draft = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        draft.write_text(html, encoding="utf-8", newline="\n")
        draft.replace(path)
    except BaseException:
        draft.unlink(missing_ok=True)
        raise
