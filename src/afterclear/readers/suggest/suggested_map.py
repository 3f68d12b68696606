"""The readings of all columns combined into one map; the user is asked about the rest."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

from afterclear.catalogue.control_units import ControlUnits
from afterclear.errors import RefusedFileError, worded
from afterclear.plain import INSTANT_OF
from afterclear.readers.maps.heading_words import HeadingWords
from afterclear.readers.maps.source_table import plain_heading
from afterclear.readers.suggest.beside.cleared import (
    fill_cleared_beside,
    not_of_clearing,
)
from afterclear.readers.suggest.beside.groups import Group, groups_meant, side_groups
from afterclear.readers.suggest.columns.code_columns import Wide, side_by_side
from afterclear.readers.suggest.columns.column_choice import Decision, Taken
from afterclear.readers.suggest.columns.date_formats import (
    TimeColumn,
    clock_column,
    time_column,
)
from afterclear.readers.suggest.columns.day_order import Hints, decide_order
from afterclear.readers.suggest.columns.known_past import Past
from afterclear.readers.suggest.columns.numbers import (
    Numbers,
    as_number,
    decide_numbers,
    is_number,
    parted,
)
from afterclear.readers.suggest.columns.odometer_cells import written_plainly
from afterclear.readers.suggest.columns.profiles import (
    Known,
    Profile,
    is_a_code,
    profiles_of,
)
from afterclear.readers.suggest.columns.questions import Asker
from afterclear.readers.suggest.columns.readings import (
    WHOSE,
    Reading,
    readings_of,
    settled,
    whose,
)
from afterclear.readers.suggest.columns.role_tests import Sight
from afterclear.readers.suggest.decisions.by_past import (
    form_by_past,
    mark_by_past,
    order_by_past,
    rows_of,
    unit_by_past,
)
from afterclear.readers.suggest.decisions.order_amounts import AMOUNTS
from afterclear.readers.suggest.decisions.orders import fill_clears, fill_repairs, fill_vehicles
from afterclear.readers.suggest.decisions.other_rows import fill_parted, part_rows
from afterclear.readers.suggest.decisions.picked import (
    ASIDE,
    fill_picked,
    picks_of,
    readings_with,
)
from afterclear.readers.suggest.decisions.scanning import fill_scans
from afterclear.readers.suggest.decisions.weekdays import order_by_weekdays
from afterclear.readers.suggest.decisions.which_table import Into, decide_table
from afterclear.readers.suggest.evidence.decision_draft import Filling
from afterclear.readers.suggest.evidence.rows_to_skip import whose_blank_rows
from afterclear.readers.suggest.evidence.table_seen import Seen, is_data
from afterclear.readers.suggest.shapes.row_kinds import column_of_kinds, kinds_of_rows
from afterclear.readers.suggest.telling import look_at
from afterclear.readers.text.languages import language_of
from afterclear.records import Delivery

_AMERICAN = re.compile(
    r"\b(license|odometer \(mi\)|miles?|mi|labor|tire|zip|truck|center|color|catalog)\b",
    re.IGNORECASE,
)
# Plain columns that no heading is like: a time, a distance, a code.
_TOLD = {*INSTANT_OF.values(), "odometer_km", "code", "codes", "vehicle_id", "ecu"}
_BRITISH = re.compile(
    r"\b(licence|registration|reg no|reg\.? ?mark|labour|tyre|centre|lorry|postcode|colour|mot)\b",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class Context:
    """What is known apart from the file."""

    words: HeadingWords
    units: ControlUnits
    known: Known
    now: datetime
    past: Past = field(default_factory=Past)  # of this file's vehicles
    tables: Path | None = None  # where the tables of codes are; None: no code names a place

    def places_of(self, code: str) -> Mapping[str, str]:
        """Give a code's places; few files ask, and the catalogue takes a while to read."""
        if self.tables is None:
            return {}
        from afterclear.catalogue.code_meaning import Catalogue  # noqa: PLC0415 - as said

        return Catalogue.load(self.tables).places_of(code)


def decide(
    seen: Seen, delivery: Delivery, context: Context, asker: Asker, into: str = ""
) -> Decision:
    """Settle a table's columns; ``into``: its plain table, where that is told already.

    Raises:
        RefusedFileError: a person said that nothing of the file is to be loaded.
        UsageError: a person picked what cannot be for a column.

    """
    profiles = [*map(written_plainly, profiles_of(seen.frame, context.words, seen.units))]
    picks = picks_of(asker.answers, [p.heading for p in profiles])
    whole = sight_of(profiles, context)
    source = (seen, delivery, context)
    if into:
        return _decided(whole, source, picks, asker, (Into(into, "as told", {}), None))
    if (kinds := _by_kind(whole, source, picks, asker)) is not None:
        return kinds
    groups = side_groups(whole)
    if not groups:
        return _decided(whole, source, picks, asker)
    first, *more = (
        _decided(sight_of(_without_others(profiles, groups, group), context), source, picks, asker)
        for group in groups_meant(groups, whole, asker)
    )
    for each in more:
        first.more += [each, *each.more]
        first.looks += [look for look in each.looks if look not in first.looks]
    return first


def _by_kind(
    whole: Sight,
    source: tuple[Seen, Delivery, Context],
    picks: Mapping[str, str],
    asker: Asker,
) -> Decision | None:
    """Settle a table of several kinds of rows, each as a table of its own; None: it is of one."""
    seen, delivery, context = source
    naming = column_of_kinds(seen, whole)
    if naming is None:
        return None
    roles = settled(readings_of(whole))
    kinds, missing = kinds_of_rows(seen, whole, naming, roles, asker)
    shared = _shared(whole, roles, (seen, context), asker)
    made: list[Decision] = []
    for kind in kinds:
        if kind.seen.frame.is_empty():
            continue  # all of them are left out
        asker.within = kind.table
        profiles = [*map(written_plainly, profiles_of(kind.seen.frame, context.words, seen.units))]
        own = sight_of(profiles, context)
        into = Into(kind.table, "a column says so", {})
        each = _decided(own, (kind.seen, delivery, context), picks, asker, (into, shared))
        each.table_keys = kind.keys(each.table_keys)
        each.part = kind.seen.frame
        if each.more:
            missing.append(
                worded("rows: rows of {table} say more than one thing", table=kind.table)
            )
        made.append(each)
    asker.within = ""
    first, *first.more = made
    first.missing += [*missing, *(m for each in first.more for m in each.missing)]
    for each in first.more:
        first.keys |= each.keys
        each.keys = first.keys
    return first


def _without_others(profiles: list[Profile], groups: Sequence[Group], own: Group) -> list[Profile]:
    """Leave out the columns of the other groups of a row."""
    others = {heading for group in groups if group is not own for heading in group.headings}
    return [p for p in profiles if p.heading not in others]


def _decided(
    whole: Sight,
    source: tuple[Seen, Delivery, Context],
    picks: Mapping[str, str],
    asker: Asker,
    known: tuple[Into, "_Shared | None"] | None = None,
) -> Decision:
    """Settle the columns of one table; ``whole``: those that are its own, also passed over.

    ``known``: what a table of several kinds of rows has told of this one.
    """
    seen, delivery, context = source
    profiles = _without_aside(whole.profiles, picks)
    sight = sight_of(profiles, context)
    wide = side_by_side(sight)
    readings = readings_with(picks, readings_of(sight), sight)
    readings = [r for r in readings if not _is_wide(r, wide)]
    if seen.kind in {"json", "xml"} and not (known and known[0].table == "clears"):
        readings = not_of_clearing(readings, sight)
    roles = settled(readings)
    title = f"{delivery.name}\n{seen.title}\n{_path_of_time(roles, seen)}"
    into, shared = known or (
        decide_table(roles, sight, title, has_wide=wide is not None, asker=asker),
        None,
    )
    if into.table == "nothing":
        raise RefusedFileError(
            worded("{name}: nothing of it is to be loaded, as answered.", name=delivery.name)
        )
    shared = shared or _shared(sight, roles, (seen, context), asker)
    filling = Filling(
        decision=Decision("scans" if into.table == "odometer" else into.table, _sure(into, roles)),
        sight=sight,
        readings=readings,
        roles=roles,
        wide=wide,
        numbers=shared.numbers,
        order=shared.order,
        language=shared.language,
        seen=seen,
        delivery=delivery,
        asker=asker,
        picks=picks,
        places_of=context.places_of,
    )
    whose_blank_rows(filling)
    part_rows(filling)
    _FILL[into.table](filling)
    fill_parted(filling)
    fill_cleared_beside(filling)
    fill_picked(filling)
    _keys(filling)
    _miss_codes_as_headings(filling)
    _miss_headings(filling)
    filling.decision.looks = look_at(whole, readings)
    for each in (filling.decision, *filling.decision.more):
        each.columns = [_with_distinct_headings(t, sight) for t in each.columns]
    return filling.decision


def _path_of_time(roles: Mapping[str, Reading], seen: Seen) -> str:
    """Give the path to the times of a tree: it says what happened then."""
    is_told = seen.tree is not None and "when" in roles
    return roles["when"].heading.rpartition(".")[0] if is_told else ""


def _without_aside(profiles: list[Profile], picks: Mapping[str, str]) -> list[Profile]:
    """Leave out columns that a person puts aside: nothing is made of them."""
    kept = (p for p in profiles if picks.get(p.heading) != ASIDE)
    return [replace(p, at=at) for at, p in enumerate(kept)]


def _miss_codes_as_headings(filling: Filling) -> None:
    """Take no table whose headings are codes: its cells say of each whether it was stored."""
    coded = [p.heading for p in filling.sight.profiles if any(map(is_a_code, p.heading.split(".")))]
    if coded:
        filling.decision.missing.append(
            worded(
                "code: codes stand among the headings, {coded!r} among them; no map reads that",
                coded=coded[0],
            )
        )


def _miss_headings(filling: Filling) -> None:
    """Take no table whose first row is data: what stands in it would be lost, and names columns."""
    named = {h for t in filling.decision.columns if t.column in _TOLD for h in t.headings}
    data = [h for h in named if is_data(h)]
    if data:
        filling.decision.missing.append(
            worded(
                "headings: {heading!r} stands where headings should; put a line of headings above "
                "the rows, or give them names in a map of your own",
                heading=min(data),
            )
        )


def _with_distinct_headings(taken: Taken, sight: Sight) -> Taken:
    """Write Code#1 where another column is called Code too."""
    names = {plain_heading(p.heading) for p in sight.profiles}

    def own(heading: object) -> str:
        return f"{heading}#1" if f"{plain_heading(str(heading))}#2" in names else str(heading)

    spec = dict(taken.spec)
    origin = spec.get("from")
    if isinstance(origin, str):
        spec["from"] = own(origin)
    elif isinstance(origin, list):
        spec["from"] = [own(each) for each in origin]
    return replace(taken, spec=spec)


_FILL = {
    "scans": fill_scans,
    "odometer": fill_scans,
    "clears": fill_clears,
    "repairs": fill_repairs,
    "vehicles": fill_vehicles,
}


def sight_of(profiles: list[Profile], context: Context) -> Sight:
    """Read the columns of times first: they decide what others may be."""
    times: dict[str, TimeColumn] = {}
    clocks: dict[str, TimeColumn] = {}
    for profile in profiles:
        if not any(any(c.isdigit() for c in v) for v in profile.values[:20]):
            continue
        # a date with dots (13.02.26) could be a time of day: dates first
        if (time := time_column(profile)) is not None:
            times[profile.heading] = time
        elif (clock := clock_column(profile)) is not None and not profile.means("odometer_km"):
            clocks[profile.heading] = clock
    return Sight(profiles, times, clocks, context.words, context.units, context.known)


def _is_wide(reading: Reading, wide: Wide | None) -> bool:
    if wide is None:
        return False
    return reading.heading in {*wide.headings, *(h for own in wide.beside.values() for h in own)}


def _sure(into: Into, roles: dict[str, Reading]) -> float:
    identifier_sure = max((roles[r].sure for r in WHOSE if r in roles), default=0.0)
    when = roles["when"].sure if "when" in roles else 0.0
    return min(identifier_sure, when) if into.table != "vehicles" else identifier_sure


# --- what applies to the whole file --------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Shared:
    """What is one decision for a file: its language, how numbers and days are written."""

    language: str
    numbers: Numbers
    order: str


def _shared(
    sight: Sight, roles: dict[str, Reading], about: tuple[Seen, Context], asker: Asker
) -> _Shared:
    seen, context = about
    language = language_of([p.heading for p in sight.profiles] + [seen.title])
    rows = rows_of(sight, roles, context.past)
    if rows is not None:
        asker.whose = rows.names
        asker.instead |= {"code-form": form_by_past(rows), "decimal-mark": mark_by_past(rows)}
    numbers = _numbers(sight.profiles, roles, sight, language, asker)
    if rows is not None:
        asker.instead["date-order"] = order_by_past(rows, numbers)
    order = _order(sight, roles, numbers, (context, seen, language), asker)
    if rows is not None:
        asker.instead["odometer-unit"] = unit_by_past(rows, numbers, order)
    return _Shared(language, numbers, order)


def _numbers(
    profiles: Sequence[Profile],
    roles: dict[str, Reading],
    sight: Sight,
    language: str,
    asker: Asker,
) -> Numbers:
    wanted = ("km", "hours", "first_seen_km", *AMOUNTS)
    named = {roles[r].heading for r in wanted if r in roles}
    columns = [
        p
        for p in profiles
        if p.heading in named
        or (p.heading in sight.times and sight.times[p.heading].serial)
        or (p.share(is_number) >= 0.8 and p.heading not in sight.times
            and p.heading not in sight.clocks and not p.means("code", "part_number", "repair_id"))
    ]  # fmt: skip
    odometers = [p for p in columns if p.means("odometer_km", "odometer_mi", "first_seen_km") > 0]
    return decide_numbers(columns, odometers, language, asker)


def _order(
    sight: Sight,
    roles: dict[str, Reading],
    numbers: Numbers,
    about: tuple[Context, Seen, str],
    asker: Asker,
) -> str:
    context, seen, language = about
    columns = [(sight.by_name[h], c) for h, c in sight.times.items()]
    if "when" in roles:  # the main time first: rows are in its order
        columns.sort(key=lambda item: item[0].heading != roles["when"].heading)
    texts = " ".join([p.heading for p in sight.profiles] + [seen.title])
    halves = any(
        "%p" in f for c in (*sight.times.values(), *sight.clocks.values()) for f in c.formats("")
    )
    in_miles = bool(re.search(r"\b(mi|miles?)\b", texts, re.IGNORECASE)) or any(
        found.unit.startswith("mi")
        for p in sight.profiles
        for v in p.values[:50]
        if (found := parted(v))
    )
    british = bool(_BRITISH.search(texts))
    american = bool(_AMERICAN.search(texts)) or (halves and in_miles)
    hints = Hints(
        latest=context.now,
        language=language,
        is_american=american and not british and (halves or in_miles or language == "en"),
        is_british=british,
        vehicle=_identifier_columns(sight, roles),
        odometer=_distances(sight, roles, numbers),
    )
    return order_by_weekdays(columns, sight.profiles) or decide_order(columns, hints, asker)


def _identifier_columns(sight: Sight, roles: dict[str, Reading]) -> tuple[str, ...]:
    role = whose(roles)
    return tuple(sight.by_name[roles[role].heading].cells) if role else ()


def _distances(
    sight: Sight, roles: dict[str, Reading], numbers: Numbers
) -> tuple[float | None, ...]:
    if "km" not in roles:
        return ()
    return tuple(as_number(cell, numbers) for cell in sight.by_name[roles["km"].heading].cells)


def _keys(filling: Filling) -> None:
    numbers, decision = filling.numbers, filling.decision
    if (numbers.decimal, numbers.thousands) != (".", ""):
        decision.keys |= {"decimal": numbers.decimal}
        if numbers.thousands:
            decision.keys |= {"thousands": numbers.thousands}
    if any(c.serial for c in filling.sight.times.values() if c.heading in decision.used):
        decision.keys |= {"excel_serial": "1900"}
