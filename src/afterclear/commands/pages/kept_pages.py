"""Pages of vehicles of which nothing changed are not made again.

The store knows of each vehicle's page what it was made from (``digest.page_facts.py``) and
the hashes of its files.  A page of the same facts whose files in the folder still have these hashes
is left as it is, whatever became of the folder meanwhile.
"""

import gc
import hashlib
import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from importlib.metadata import version
from pathlib import Path

import afterclear
from afterclear.digest.build_digests import VehicleChunk
from afterclear.digest.common.file_names import vehicle_page
from afterclear.digest.output.render import render_with_sheet
from afterclear.digest.page_facts import PageFacts, holds_until
from afterclear.store.engine.database import Connection, query
from afterclear.store.queries.digests import PAGES_KEPT

_MAKES_PAGES = {".py", ".html", ".css", ".js", ".mo", ".csv", ".toml"}
_LIBRARIES = ("jinja2", "markupsafe", "polars")
_NEW_OBJECTS = 100_000  # after so many more than were let go: as many as a page keeps for a while


@dataclass(frozen=True, slots=True)
class VehicleFiles:
    """One vehicle's page and, if there is something to do, its sheet: names and HTML."""

    page: str
    files: tuple[tuple[str, str], ...]
    facts: PageFacts | None = None  # None: nobody asked
    is_kept: bool = False


@dataclass(frozen=True, slots=True)
class PagesBefore:
    """Pages of vehicles as they were written last."""

    folder: Path
    facts: Mapping[str, PageFacts]  # by page
    program: str  # a sum of what makes pages

    def kept(self, vehicle_id: str, facts: str, as_of: datetime) -> VehicleFiles | None:
        """Return a vehicle's files if they stay as they are; None: they are to be made.

        ``facts``: what its page would be made from now.
        """
        page = vehicle_page(vehicle_id)
        before = self.facts.get(page)
        if before is None or not before.hold(facts, as_of):
            return None
        files = []
        for name, sha256 in before.files.items():
            try:
                html = (self.folder / name).read_bytes().decode("utf-8")
            except (OSError, UnicodeDecodeError):
                return None
            if sum_of(html) != sha256:
                return None
            files.append((name, html))
        return VehicleFiles(page, tuple(files), before, is_kept=True)


def made(chunk: VehicleChunk, facts: Mapping[str, str] | None) -> Iterator[VehicleFiles]:
    """Make the files of some vehicles; ``facts``: what each page is made from, None: not asked."""
    with _garbage_looked_for_seldom():
        for page in chunk.pages():
            files = tuple(render_with_sheet(page))
            if facts is None:
                yield VehicleFiles(page.ref.page, files)
                continue
            told = PageFacts(
                facts[page.ref.vehicle_id],
                chunk.setting.as_of,
                holds_until(page, chunk.setting),
                {name: sum_of(html) for name, html in files},
            )
            yield VehicleFiles(page.ref.page, files, told)


@contextmanager
def _garbage_looked_for_seldom() -> Iterator[None]:
    """Look through new objects seldom for the block.

    A page is made of many, none of which name each other in a circle: a tenth of its time went into
    looking.
    """
    before = gc.get_threshold()
    gc.set_threshold(_NEW_OBJECTS, *before[1:])
    try:
        yield
    finally:
        gc.set_threshold(*before)


@dataclass(slots=True)
class PagesNow:
    """What became of the vehicles' pages of a digest, noted while they are made."""

    facts: dict[str, PageFacts] = field(default_factory=dict)  # by page
    kept: set[str] = field(default_factory=set)  # names of files that stay as they are

    def note(self, made: VehicleFiles) -> None:
        """Note one vehicle's pages."""
        if made.facts is not None:
            self.facts[made.page] = made.facts
        if made.is_kept:
            self.kept.update(name for name, _ in made.files)

    def rows(self) -> list[tuple[str, str, datetime, datetime | None, str]]:
        """Return the rows the store keeps of them, as ``PAGES_KEPT`` gives them."""
        return [
            (page, own.facts, own.since, own.until, json.dumps(dict(own.files)))
            for page, own in self.facts.items()
        ]


def pages_before(con: Connection, folder: Path, *, is_public: bool) -> PagesBefore:
    """Read what the store knows of pages that were written before."""
    facts = {
        page: PageFacts(
            own, since.replace(tzinfo=UTC), until and until.replace(tzinfo=UTC), json.loads(files)
        )
        for page, own, since, until, files in query(con, PAGES_KEPT, [is_public]).iter_rows()
    }
    return PagesBefore(folder, facts, _program_sum())


def sum_of(html: str) -> str:
    """Return the hash of a page's bytes."""
    return hashlib.sha256(html.encode("utf-8")).hexdigest()


@cache
def _program_sum() -> str:
    """Sum up everything that makes pages: they are made again by another version of it."""
    digest = hashlib.sha256(" ".join(version(name) for name in _LIBRARIES).encode())
    root = Path(afterclear.__file__).parent
    for path in sorted(p for p in root.rglob("*") if p.suffix in _MAKES_PAGES):
        digest.update(path.relative_to(root).as_posix().encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()
