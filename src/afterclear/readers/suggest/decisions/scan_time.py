"""The column of the scan's time, with its time of day, or a time above the table."""

import re

from afterclear.catalogue.folded_words import without_accents
from afterclear.errors import worded
from afterclear.readers.suggest.beside.cleared import says_cleared
from afterclear.readers.suggest.columns.date_formats import TimeColumn, time_column
from afterclear.readers.suggest.columns.day_order import FIRST, ORDER
from afterclear.readers.suggest.columns.profiles import Profile, heading_meanings
from afterclear.readers.suggest.columns.questions import Choice, Decided, Question
from afterclear.readers.suggest.columns.readings import Reading, is_of_now
from afterclear.readers.suggest.decisions.picked import CHOSEN
from afterclear.readers.suggest.evidence.decision_draft import Filling
from afterclear.readers.suggest.evidence.facts_above import above
from afterclear.readers.suggest.evidence.table_seen import Fact

_LIKELY = 0.5

_WHICH_TIME = {
    "scanned_at": worded("Which column says when the vehicle was read?"),
    "repaired_at": worded("Which column says when the work was done?"),
}
_WHICH_CLEAR = worded("Which column says when codes were cleared?")


def fill_time(f: Filling, column: str) -> None:
    """Take the column of the scan's time, with its time of day, or a time above the table."""
    chosen = _time_column(f, column)
    if chosen is None and (parts := _day_in_parts(f)):
        _fill_parts(f, column, parts)
        return
    if chosen is None:
        if not _unread_time(f, column):
            _time_given_once(f, column)
        return
    time = f.sight.times[chosen.heading]
    spec: dict[str, object] = {"from": chosen.heading}
    formats = time.formats(f.order)
    iso = time.is_iso
    clock = _clock_of(f) if not time.has_clock else None
    if clock is None and not time.has_clock:
        _unread_clock(f)
    if clock is not None:
        spec["from"] = [chosen.heading, clock.heading]
        days = formats or (() if time.serial else ("%Y-%m-%d",))
        formats = tuple(f"{d} {c}" for d in days for c in clock.formats(f.order))
        if any(not cell for cell in f.sight.by_name[clock.heading].cells):
            formats = (*formats, *time.formats(f.order))
        iso = bool(formats) and all(x in {"%Y-%m-%d %H:%M", "%Y-%m-%d %H:%M:%S"} for x in formats)
    if time.pattern and (not time.spans or _last_day_counts(f, time, column)):
        spec["pattern"] = time.pattern
    if formats and not iso:
        spec["date_format"] = list(formats)
    reason = worded("all its values are times")
    if f.order:
        reason = worded(
            "{reason}; {first}{because}",
            reason=reason,
            first=ORDER[f.order],
            because=f.asker.because("date-order"),
        )
    f.decision.take(column, spec, max(chosen.sure, 0.8), reason)


def _last_day_counts(f: Filling, time: TimeColumn, column: str) -> bool:
    """Ask which of the two days counts that some rows tell; work is done by its last."""
    why = worded("work is done by its last day")
    question = Question(
        "span",
        worded(
            "Some rows tell a first and a last day, such as {span!r}. Which counts?",
            span=time.spans[0],
        ),
        (
            Choice("last", worded("the last: it was done by then")),
            Choice("refuse", worded("another, or nobody knows: such rows are refused")),
        ),
        f.rows_with(time.spans[0]),
        unasked="refuse",
        decided=Decided("last", why) if column == "repaired_at" else None,
    )
    return f.asker.choose(question) == "last"


def _time_column(f: Filling, column: str) -> Reading | None:
    """Choose the column of times that is meant; ask if two are possible."""
    others = {"in_service_on", "acquired_on", "plate_since"}
    spoken = {f.roles[r].heading for r in others if f.has(r)}
    candidates = [
        p
        for p in f.sight.profiles
        if p.heading in f.sight.times
        and p.heading not in spoken
        and (p.heading in f.picks or is_of_now(p.heading, f.sight.words))
    ]
    candidates = [p for p in candidates if f.picks.get(p.heading, column) == column]
    if column == "scanned_at":  # codes were read before they were cleared
        candidates = [p for p in candidates if not says_cleared(f, p)] or candidates
    if not candidates:
        return None
    if picked := [p for p in candidates if p.heading in f.picks]:
        return Reading("when", picked[0].heading, 1.0, CHOSEN)

    def fitness(p: Profile) -> float:
        return (
            p.means(column)
            + 0.3 * (p.filled > 0.9)
            - 0.5 * (p.means("opened_at") > p.means(column))
            - 0.3 * (p.means("invoiced_on") > _LIKELY)  # written when the work was done already
            + 0.5 * (column == "repaired_at") * p.means("left_on")  # the work was done by then
        )

    ranked = sorted(candidates, key=fitness, reverse=True)
    best = ranked[0]
    rivals = [p for p in ranked[1:] if fitness(best) - fitness(p) < 0.25]
    if rivals:
        near = [best, *rivals]
        rows = tuple(
            ", ".join(f"{p.heading}: {p.cells[at]}" for p in near) for at in range(min(3, f.n_rows))
        )
        choices = tuple(
            Choice(p.heading, worded("the column {heading!r}", heading=p.heading)) for p in near
        )
        text = _WHICH_TIME.get(column, _WHICH_CLEAR)
        best = f.sight.by_name[f.asker.choose(Question("time", text, choices, rows))]
    sure = 0.55 * best.means(column) + 0.45 if best.means(column) else 0.75
    return Reading("when", best.heading, sure, worded("its values are times"))


def _clock_of(f: Filling) -> TimeColumn | None:
    clocks = [c for h, c in f.sight.clocks.items() if not says_cleared(f, f.sight.by_name[h])]
    clocks = clocks or list(f.sight.clocks.values())
    headed = [
        c for c in clocks if f.sight.by_name[c.heading].means("time_of_day", "scanned_at") > 0
    ]
    wanted = headed or clocks
    return wanted[0] if len(wanted) == 1 else None


def _unread_clock(f: Filling) -> None:
    """Ask whether times of day that cannot be read may be left out."""
    headed = [
        p
        for p in f.sight.profiles
        if p.means("time_of_day") > _LIKELY and p.heading not in f.sight.times
        and p.heading not in f.sight.clocks
        and p.share(lambda v: any(map(str.isdigit, v))) > _LIKELY
        and max(p.meant.values()) == p.means("time_of_day")
        and not p.share(_is_length)
    ]  # fmt: skip
    if headed:
        question = Question(
            "clock",
            worded(
                "{heading!r} cannot be read as a time of day. What becomes of it?",
                heading=headed[0].heading,
            ),
            (Choice("day-only", worded("it is kept aside; rows have the day only")),),
            tuple(f"{headed[0].heading}: {v}" for v in headed[0].values[:3]),
            unasked="day-only",
        )
        f.asker.choose(question)


def _is_length(cell: str) -> bool:
    """Recognise hours that something took: 0,8 or 1.75 is no time of day.

    >>> _is_length("0,8"), _is_length("9.05")
    (True, False)
    """
    found = re.fullmatch(r"\d{1,3}[.,\u2396](\d{1,2})", cell)
    return found is not None and (len(found[1]) == 1 or int(found[1]) >= _MINUTES)


_MINUTES = 60
_DAY_WORDS = ("day|tag|jour|dia|dzien", "month|monat|mois|mes|miesiac", "year|jahr|annee|ano|rok")
_DAY_PARTS = (r"0?[1-9]|[12]\d|3[01]", r"0?[1-9]|1[0-2]", r"(?:19|20)\d\d")


def _day_in_parts(f: Filling) -> list[Profile]:
    """Find a day, a month and a year in three columns; empty: there are none."""
    found = []
    for words, shape in zip(_DAY_WORDS, _DAY_PARTS, strict=True):
        own = [
            p
            for p in f.sight.profiles
            if without_accents(p.heading).strip() in words.split("|")
            and p.share(lambda v, shape=shape: re.fullmatch(shape, v)) == 1.0  # type: ignore[misc]
        ]
        found += own if len(own) == 1 else []
    return found if len(found) == len(_DAY_WORDS) else []


def _fill_parts(f: Filling, column: str, parts: list[Profile]) -> None:
    names = [p.heading for p in parts]
    clock = _clock_of(f)
    formats = ["%d %m %Y"]
    if clock is not None:
        names.append(clock.heading)
        formats = [f"%d %m %Y {c}" for c in clock.formats(f.order)]
    spec = {"from": names, "date_format": formats}
    f.decision.take(column, spec, 0.9, worded("day, month and year in three columns"))


def _unread_time(f: Filling, column: str) -> bool:
    """Name a column that is headed as the time, and a cell of it that is none."""
    for profile in f.sight.profiles:
        alone = (Profile(profile.heading, 0, [v], profile.meant) for v in profile.values)
        odd = [one.values[0] for one in alone if time_column(one) is None]
        is_mostly = profile.values and len(odd) <= len(profile.values) / 2
        if odd and is_mostly and profile.means(column) > _LIKELY:
            f.decision.missing.append(
                worded(
                    "{column}: {value!r} under {heading!r} is no time that can be read; give the "
                    "file with whole dates, or a map whose date_format reads them",
                    column=column,
                    value=odd[0],
                    heading=profile.heading,
                )
            )
            return True
    return False


def _time_given_once(f: Filling, column: str) -> None:
    for fact in f.seen.facts:
        meant = heading_meanings(fact.label, f.sight.words)
        profile = Profile(fact.label, 0, [fact.text], {column: meant.get(column, 0.0)})
        if meant.get(column, 0.0) < _LIKELY or (time := time_column(profile)) is None:
            continue
        spec: dict[str, object] = {"above": above(f, fact)}
        order = "" if time.is_iso else f.order or _order_of_fact(f, time, fact)
        days = ("%Y-%m-%d",) if time.is_iso else time.formats(order)
        clock = None if time.has_clock else _clock_of(f)
        if clock is not None:  # the day above, a time of day in each row
            spec = {"from": clock.heading, **spec}
            spec["date_format"] = [f"{d} {c}" for d in days for c in clock.formats(f.order)]
        elif not time.is_iso:
            spec["date_format"] = list(days)
        f.decision.take(column, spec, 0.85, worded("{label!r} above the table", label=fact.label))
        return
    f.decision.missing.append(
        worded("{column}: no column and nothing above the table says when", column=column)
    )


def _order_of_fact(f: Filling, time: TimeColumn, fact: Fact) -> str:
    orders = [o for shape in time.shapes for o, _ in shape.by_order if o]
    if len(set(orders)) < 2:
        return orders[0] if orders else ""
    if f.language in {"de", "fr", "es", "pl"}:
        return "day"
    question = Question(
        "date-order",
        worded("In {label} {text}, what stands first?", label=fact.label, text=fact.text),
        tuple(Choice(o, FIRST[o]) for o in dict.fromkeys(orders)),
    )
    return f.asker.choose(question)
