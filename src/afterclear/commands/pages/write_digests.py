"""Digests: stored results -> frames -> pages -> files, and again from what was archived.

A digest is compared with the last one of an earlier as-of time, not with the last one made: made
twice it is the same. ``told_at``, settings and the digest before are archived with it.

Names become tokens in the frames, before any page is built; a written page is still searched for
every plate, VIN and name. A text about a vehicle quotes that vehicle's names, people and sites, no
others.
"""

import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import islice
from pathlib import Path
from typing import Any

import polars as pl

from afterclear import __version__
from afterclear.commands.app import App
from afterclear.commands.own_words import own_words, shown_words, sought
from afterclear.commands.pages.kept_pages import PagesBefore, PagesNow, pages_before, sum_of
from afterclear.commands.pages.page_frames import (
    Gathered,
    StoreDetails,
    analysed,
    gather_frames,
    shown_as,
)
from afterclear.commands.pages.page_workers import rendered
from afterclear.commands.pages.pseudonym_key import pseudonyms_of
from afterclear.commands.pages.row_files import tables_beside_pages, with_row_files
from afterclear.commands.pages.still_store import still_store, until_free
from afterclear.deliver.paper import NO_SANDBOX, has_no_sandbox, print_pages
from afterclear.digest.build_digests import DigestModel, build_fleet_digest
from afterclear.digest.input.frames import (
    Audience,
    Details,
    DigestSettings,
    FleetFrames,
    Units,
    VehiclePagesOf,
)
from afterclear.digest.input.pseudonyms import personal_values, pseudonymise_fleet
from afterclear.digest.output.write import remove_left_over, write_digest
from afterclear.errors import UnknownNameError, UsageError
from afterclear.store.engine.database import Connection, open_store, transaction
from afterclear.store.queries.digests import (
    ALL_PAGES,
    ArchivedDigest,
    Shown,
    archive_digest,
    archived_digest,
    digest_before,
    digest_said,
    fold_page_sums,
    keep_page_facts,
    shown_now,
)

AUDIENCES: tuple[Audience, ...] = ("fleet", "garage", "stock")
_SEARCHED_AT_ONCE = 100  # pages


@dataclass(frozen=True, slots=True)
class DigestAsked:
    """Which digest is wanted."""

    audiences: tuple[Audience, ...] = AUDIENCES
    folder: Path | None = None  # None: under the reports folder
    vehicle_pages: VehiclePagesOf | None = None  # None: as the settings say
    public: bool = False
    pdf: bool = False


@dataclass(frozen=True, slots=True)
class DigestReport:
    """Where the pages are."""

    index: Path
    n_pages: int
    digest_id: int
    as_of: datetime
    n_removed: int = 0  # pages of vehicles that are no longer there
    papers: tuple[Path, ...] = ()
    notice: str | None = None  # what a person should know of the printing


@dataclass(frozen=True, slots=True)
class AgainReport:
    """A digest made again, and the pages that differ from the first time."""

    index: Path
    n_pages: int
    differing: tuple[str, ...]

    @property
    def is_unnamed(self) -> bool:
        """Whether some pages differ and it is not known which: one sum is kept for all."""
        return self.differing == (ALL_PAGES,)


def chosen_audiences(text: str | None) -> tuple[Audience, ...]:
    """Read a list such as "fleet,stock"; None: all.

    Raises:
        UnknownNameError: one of them is no audience.

    """
    if text is None:
        return AUDIENCES
    names = [name.strip() for name in text.split(",") if name.strip()]
    for name in names:
        if name not in AUDIENCES:
            raise UnknownNameError("audience", name, AUDIENCES)
    return tuple(a for a in AUDIENCES if a in names) or AUDIENCES


def digest(app: App, asked: DigestAsked | None = None) -> DigestReport:
    """Write the digests asked for, with pages of vehicles; errors as ``make_digest``."""
    return make_digest(app, asked)[0]


def make_digest(
    app: App, asked: DigestAsked | None = None, still: Path | None = None
) -> tuple[DigestReport, DigestModel]:
    """Write the digests asked for; give them as pages and as their model.

    The vehicles' pages are read from a still store while they are written: the model's own cannot
    be made again.  ``still``: a state of the store that stays as it is; None: the state now.

    Raises:
        UsageError: nothing was analysed yet.
        ConfigError: tokens are wanted and their key is not set; or no browser prints.

    """
    wanted = asked or DigestAsked()
    told_at = app.clock()
    folder = wanted.folder or (app.reports / "public" if wanted.public else app.reports)
    shown = shown_as(app)
    if wanted.vehicle_pages is not None:
        shown = replace(shown, vehicle_pages=wanted.vehicle_pages)
    with nullcontext(still) if still else still_store(app) as store:
        with open_store(store, read_only=True) as con:
            before = digest_before(con, analysed(con).as_of)
            gathered = gather_frames(app, con, told_at, before, shown)
            frames = replace(
                gathered.frames, audiences=wanted.audiences, units=app.config.settings.digest.units
            )
            gathered = replace(gathered, frames=frames)
            earlier, now = pages_before(con, folder, is_public=wanted.public), PagesNow()
            model, pages = _made(app, con, gathered, earlier, now, public=wanted.public)
            written = write_digest(with_row_files(con, pages, shown), folder, now.kept)
            showed = shown_now(con)
        hides = pseudonyms_of(app, public=wanted.public) is not None
        removed = remove_left_over(folder, written, names_are_hidden=hides)
        papers = print_pages([folder / f"{a}.html" for a in wanted.audiences]) if wanted.pdf else ()
        made = ArchivedDigest(
            digest_id=0,
            analysis_id=gathered.analysis_id,
            as_of=frames.as_of,
            told_at=told_at,
            version=__version__,
            audiences=wanted.audiences,
            settings=_kept_settings(frames),
            previous_digest=before.digest_id if before else None,
            is_public=wanted.public,
            pages=pages.sums,
        )
        digest_id = _archived(app, made, showed, now)
    report = DigestReport(
        folder / "index.html",
        len(pages.sums),
        digest_id,
        frames.as_of,
        n_removed=len(removed),
        papers=papers,
        notice=NO_SANDBOX if papers and has_no_sandbox() else None,
    )
    return report, model


def _archived(app: App, made: ArchivedDigest, showed: Shown, now: PagesNow) -> int:
    """Record a digest whose pages are written; others may have written the store meanwhile."""
    with until_free(), open_store(app.store) as con, transaction(con):
        digest_id = archive_digest(con, made, showed)
        keep_page_facts(con, now.rows(), is_public=made.is_public)
        fold_page_sums(con, app.retention.page_sums_days, made.told_at)
    return digest_id


def digest_again(app: App, digest_id: int) -> AgainReport:
    """Make an archived digest again under reports/again-N, and compare it byte by byte.

    Raises:
        UsageError: there is no such digest, or the store's analysis is as of another time.

    """
    folder = app.reports / f"again-{digest_id}"
    with still_store(app) as store, open_store(store, read_only=True) as con:
        kept = archived_digest(con, digest_id)
        if kept is None:
            raise UsageError(f"There is no digest {digest_id} in the store.")
        as_of = analysed(con).as_of
        if as_of != kept.as_of:
            raise UsageError(
                f"Digest {digest_id} is as of {kept.as_of.isoformat()}, the store's analysis as of "
                f"{as_of.isoformat()}. Run 'afterclear analyse --full --as-of "
                f"{kept.as_of.isoformat()}' first, then this again."
            )
        said = digest_said(con, kept.previous_digest) if kept.previous_digest else None
        units, shown = _restored_settings(kept)
        gathered = gather_frames(app, con, kept.told_at, said, shown)
        frames = replace(
            gathered.frames, units=units, audiences=chosen_audiences(",".join(kept.audiences))
        )
        _, pages = _made(app, con, replace(gathered, frames=frames), public=kept.is_public)
        write_digest(with_row_files(con, pages, shown), folder)
    return AgainReport(folder / "index.html", len(pages.sums), kept.differing(pages.sums))


def _made(
    app: App,
    con: Connection,
    gathered: Gathered,
    written: PagesBefore | None = None,
    now: PagesNow | None = None,
    *,
    public: bool,
) -> tuple[DigestModel, "_Hashed"]:
    """Build the digest, and the pages as they are to be written: checked for names, hashed.

    ``written``: see ``rendered``; None: every page is made anew.
    """
    frames, details, hidden = shown_names(app, con, gathered, public=public)
    if pseudonyms_of(app, public=public) is None:
        frames = replace(frames, tables_beside=tables_beside_pages(con))
    model = build_fleet_digest(frames, details)
    made = rendered(model, app.processes, written, now)
    return model, _Hashed(checked(made, hidden))


def shown_names(
    app: App, con: Connection, gathered: Gathered, *, public: bool
) -> tuple[FleetFrames, Details, Sequence[str]]:
    """Give what pages are built from as the settings want names shown, and names to search for.

    Raises:
        ConfigError: tokens are wanted and their key is missing or short.

    """
    frames, details = gathered.frames, StoreDetails(con)
    names = pseudonyms_of(app, public=public)
    if names is None:
        return frames, details, ()
    hidden = personal_values(frames, gathered.people)
    tokened, private = pseudonymise_fleet(frames, gathered.people, details, names)
    tokened = replace(tokened, has_dossiers=False)
    return tokened, private, sought(hidden, own_words(app.config.tables) | shown_words(tokened))


def checked(pages: Iterable[tuple[str, str]], hidden: Sequence[str]) -> Iterator[tuple[str, str]]:
    """Stop at a page that still holds a name as a word of its own; several are searched at once.

    ``hidden``: names of which not all words are the pages' own.
    """
    if not hidden:
        yield from pages
        return
    rest = iter(pages)
    while some := list(islice(rest, _SEARCHED_AT_ONCE)):
        # a name may have a part that a page keeps on one line
        texts = pl.Series([html for _, html in some]).str.replace_all("</?span[^>]*>", "")
        if texts.str.contains_any(list(hidden)).any():
            _refuse([(name, text) for (name, _), text in zip(some, texts, strict=True)], hidden)
        yield from some


def _refuse(pages: Sequence[tuple[str, str]], hidden: Sequence[str]) -> None:
    """Report where a name is left: a bug, better seen than sent."""
    for name, html in pages:
        found = [
            value
            for value in hidden
            if value in html and re.search(rf"(?<!\w){re.escape(value)}(?!\w)", html)
        ]
        if found:
            raise RuntimeError(f"{len(found)} names would stand in {name} where tokens are wanted")


def _kept_settings(frames: FleetFrames) -> dict[str, object]:
    shown = frames.settings
    return {
        "units": frames.units,
        "fleet_name": shown.fleet_name,
        "zone": shown.zone,
        "language": shown.language,
        "held_below": shown.held_below,
        "extrapolate_days": shown.extrapolate_days,
        "km_per_engine_hour": shown.km_per_engine_hour,
        "vehicle_pages": shown.vehicle_pages,
        "technicians": shown.technicians,
    }


def _restored_settings(kept: ArchivedDigest) -> tuple[Units, DigestSettings]:
    """Take what shaped a digest; one made before a setting existed had its default.

    Technicians were always shown before they could be left out.
    """
    values: dict[str, Any] = {"technicians": True, **kept.settings}
    return values.pop("units"), DigestSettings(**values)


class _Hashed:
    """Hands pages on and remembers the SHA-256 of each."""

    def __init__(self, pages: Iterable[tuple[str, str]]) -> None:
        self._pages = pages
        self.sums: dict[str, str] = {}

    def __iter__(self) -> Iterator[tuple[str, str]]:
        for name, html in self._pages:
            self.sums[name] = sum_of(html)
            yield name, html
