"""A table of readings: codes, control units, status."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from afterclear.errors import worded
from afterclear.readers.suggest.columns.code_columns import (
    InCell,
    Wide,
    decide_bare,
    families,
    in_cell,
    is_code_column,
    status_at_end,
    text_before,
)
from afterclear.readers.suggest.columns.profiles import (
    Profile,
    code_words,
    is_silent_word,
    with_figure_0,
)
from afterclear.readers.suggest.columns.questions import Choice, Question
from afterclear.readers.suggest.columns.readings import (
    Reading,
    unit_of,
)
from afterclear.readers.suggest.columns.role_tests import FITS
from afterclear.readers.suggest.decisions.distances import blank_words, fill_distance
from afterclear.readers.suggest.decisions.legends import (
    explaining,
    fill_memory,
    is_lettered,
    letters_of,
    status_letters,
)
from afterclear.readers.suggest.decisions.scan_time import fill_time
from afterclear.readers.suggest.decisions.unknown_words import (
    choice_spec,
    choices_of,
    fill_words,
)
from afterclear.readers.suggest.decisions.which_vehicle import fill_vehicle
from afterclear.readers.suggest.evidence.decision_draft import Filling
from afterclear.readers.suggest.evidence.facts_above import above, fact_of
from afterclear.readers.suggest.shapes.code_ranges import ranges_in, told_in_full
from afterclear.readers.suggest.shapes.denied_codes import denied, pattern_of_denied

WHOLE_VEHICLE = "whole vehicle"
_MARK = 2  # letters of a mark
_TWO_DIGITS = re.compile(r"(?:0[xX])?[0-9a-fA-F]{2}")


def fill_scans(f: Filling) -> None:
    """Fill a table of readings."""
    fill_vehicle(f)
    fill_time(f, "scanned_at")
    fill_distance(f)
    if f.wide is None and not f.has("code") and not f.has("spn"):
        f.miss_unread("code", "code")
    has_codes = f.wide is not None or f.has("code") or (f.has("spn") and f.has("fmi"))
    if not has_codes and not f.has("ecu"):
        if not {"odometer_km", "engine_hours"} & {t.column for t in f.decision.columns}:
            f.decision.missing.append(worded("odometer_km: nothing of it is left to load"))
        return  # readings of the odometer only
    if has_codes:
        fill_memory(f)
        fill_codes(f)
    _fill_unit(f)
    fill_words(f, "ecu_response")
    _take_silence_in_texts(f)
    if f.has("scan_id") and _is_one_scan(f):
        f.plain("scan_id")
    fill_words(f, "scan_scope")
    _miss_marks_of_clean_rows(f)
    _fill_count(f, "occurrences")
    _fill_since_clear(f)
    if f.has("first_seen_km"):
        f.plain("first_seen_km", spec=blank_words(f.profile("first_seen_km")))


def fill_codes(f: Filling) -> None:
    """Take the codes, their status and their texts."""
    if f.wide is not None:
        _fill_wide(f, f.wide)
        return
    if f.has("code"):
        _which_codes(f)
        profile = f.profile("code")
        found = {*denied(profile.values), *ranges_in(profile.values)}
        codes = in_cell([v for v in profile.values if v not in found], f.sight.words)
        spec = _code_spec(codes) or with_letter_o(profile)
        if not codes.each:
            spec |= pattern_of_denied(f, profile, spec.get("pattern"))
        if not codes.behind and (in_full := told_in_full(f, profile)):
            spec |= in_full
        if not spec:
            codes = decide_bare(profile, f.seen.title, f.asker)
            spec = _code_spec(codes)
        role = f.roles["code"]
        spec = _with_silent(f, [profile], _with_empty(profile, spec), {"from": profile.heading})
        f.decision.take("code", {"from": profile.heading, **spec}, role.sure, role.reason)
        _fill_behind(f, codes, {"from": profile.heading})
        _without_codes(f, [profile])
    else:
        heads = [f.roles["spn"].heading, f.roles["fmi"].heading]
        f.decision.take(
            "code", {"from": heads, "template": "SPN {} FMI {}"}, 0.9, worded("headings of J1939")
        )
        _without_codes(f, [f.profile("spn")])
    if not any(t.column == "status" for t in f.decision.columns):
        _fill_status(f)
    if not any(t.column == "description" for t in f.decision.columns):
        f.plain("description")
    if f.has("failure_type") and f.roles["failure_type"].sure > 0.8:
        f.plain("failure_type")


def _which_codes(f: Filling) -> None:
    """Ask which of several columns of codes is meant: before and after work, found and cleared."""
    best = f.profile("code")
    if best.heading in f.picks:
        return
    others = {r.heading for role, r in f.roles.items() if role != "code"}
    own = [
        p
        for p in f.sight.profiles
        if p is best
        or (
            p.heading not in others and is_code_column(p, f.sight.words) and not _says_same(best, p)
        )
    ]
    own = [p for p in own if not _is_past(p, f)] or own
    if len(own) < 2:
        f.roles["code"] = replace(f.roles["code"], heading=own[0].heading)
        return
    question = Question(
        "codes",
        worded(
            "Several columns hold codes. Which one says what was stored at that time? No fault is "
            "made of the others."
        ),
        tuple(Choice(p.heading, worded("the column {heading!r}", heading=p.heading)) for p in own),
        tuple(", ".join(f"{p.heading}: {p.cells[at]}" for p in own) for at in range(f.n_rows))[:3],
    )
    chosen = f.sight.by_name[f.asker.choose(question)]
    if chosen is not best:
        f.roles["code"] = Reading("code", chosen.heading, 0.9, worded("answered"))


def _is_past(profile: Profile, f: Filling) -> bool:
    """Recognise what was stored the time before, as its heading says."""
    return f.sight.words.of_beginning("of_time", profile.heading, anywhere=True) == "past"


def _says_same(codes: Profile, other: Profile) -> bool:
    """Recognise a column that has the codes of another one again, with their texts."""
    pairs = zip(codes.cells, other.cells, strict=True)
    return all(code_words(a) == code_words(b) for a, b in pairs if a and b)


def with_letter_o(profile: Profile) -> dict[str, object]:
    """Spell the codes of a column that have the letter O for the figure 0, one by one."""
    mended = {v: code for v in profile.values if (code := with_figure_0(v))}
    return {"values": mended, "otherwise": "keep"} if mended else {}


def _with_empty(profile: Profile, spec: dict[str, object]) -> dict[str, object]:
    """Take words for an empty memory for rows without a code."""
    return _with_values(spec, {v: "" for v in profile.values if profile.says_empty(v)})


def _with_values(spec: dict[str, object], values: dict[str, str]) -> dict[str, object]:
    """Translate some cells, and keep all others."""
    own = spec.get("values")
    all_values = {**(own if isinstance(own, dict) else {}), **values}
    return {**spec, "values": all_values, "otherwise": "keep"} if values else spec


def _with_silent(
    f: Filling,
    columns: Sequence[Profile],
    spec: dict[str, object],
    origin: Mapping[str, object],
) -> dict[str, object]:
    """Take words of no answer that stand in the place of a code for the unit's answer."""
    met = dict.fromkeys(v for p in columns for v in p.values if is_silent_word(v, f.sight.words))
    if not met or f.has("ecu_response"):
        return spec
    _take_silence(f, origin, met, worded("words of no answer in the place of a code"))
    return _with_values(spec, dict.fromkeys(met, ""))


def _take_silence_in_texts(f: Filling) -> None:
    """Take words of no answer beside an empty code: such a unit was not clean."""
    if not f.has("code") or any(t.column == "ecu_response" for t in f.decision.columns):
        return
    codes = f.profile("code").cells
    for profile in f.sight.profiles:
        pairs = list(zip(profile.cells, codes, strict=True))
        with_code = {v for v, code in pairs if code}  # what they say is not of silence alone
        blank = dict.fromkeys(v for v, code in pairs if not code and v not in with_code)
        met = [v for v in blank if is_silent_word(v, f.sight.words)]
        if met:
            reason = worded("words of no answer beside an empty code")
            _take_silence(f, {"from": profile.heading}, met, reason)
            return


def _take_silence(
    f: Filling, origin: Mapping[str, object], words: Iterable[str], reason: str
) -> None:
    said = {"values": dict.fromkeys(words, "no_answer"), "otherwise": "empty"}
    f.decision.take("ecu_response", {**origin, **said}, 0.9, reason)


def _code_spec(codes: InCell) -> dict[str, object]:
    spec: dict[str, object] = {}
    if codes.each:
        spec["each"] = codes.each
    if codes.pattern:
        spec |= {"pattern": codes.pattern, "otherwise": "keep"}
    if codes.prefix:
        spec["template"] = codes.prefix
    return spec


def _fill_behind(f: Filling, codes: InCell, origin: Mapping[str, object]) -> None:
    """Take the status or text behind each code."""
    if not codes.behind:
        return
    spec: dict[str, object] = {**origin, "pattern": codes.behind, "otherwise": "empty"}
    if codes.each:
        spec["each"] = codes.each
    if codes.is_status:
        spec["values"] = _statuses(f, codes.behind_words)
        f.decision.take("status", spec, 0.9, worded("the word behind each code"))
        return
    if codes.at_end:
        values = _statuses(f, codes.at_end)
        ends = spec | {"pattern": status_at_end(codes.at_end), "values": values}
        f.decision.take("status", ends, 0.85, worded("the word at the end of each text"))
        spec["pattern"] = text_before(codes.at_end)
    f.decision.take("description", spec, 0.8, worded("the text behind each code"))


def _statuses(f: Filling, met: Sequence[str]) -> dict[str, str]:
    return choices_of(f, "status", [w for w in met if f.sight.words.of_word("status", w)])


def _fill_wide(f: Filling, wide: Wide) -> None:
    """Take codes side by side in a row."""
    columns = [f.sight.by_name[h] for h in wide.headings]
    values = [v for p in columns for v in p.values]
    codes = in_cell(values, f.sight.words)
    f.decision.table_keys["codes_from"] = list(wide.patterns)
    spec = _with_silent(f, columns, _code_spec(codes), {})
    if spec:
        f.decision.take(
            "code",
            spec,
            0.9,
            worded("{n_columns} columns of codes side by side", n_columns=len(columns)),
        )
    else:
        f.decision.notes.append(
            f"{len(columns)} columns of codes side by side: {', '.join(wide.headings)}"
        )
    if wide.names_unit:
        f.decision.take(
            "ecu", {"heading": wide.names_unit}, 0.9, worded("the headings name control units")
        )
    lettered = {} if "status" in wide.beside else _lettered_beside(f, wide)
    for role, headings in {**wide.beside, **lettered}.items():
        spec = {"beside": [re.sub(r"([\[*?])", r"[\1]", h) for h in headings]}
        met = list(dict.fromkeys(v for h in headings for v in f.sight.by_name[h].values))
        if role == "status":
            spec |= {"values": letters_of(f, met)} if lettered else choice_spec(f, "status", met)
        f.decision.take(role, spec, 0.85, worded("it stands beside each code"))
    _fill_behind(f, codes, {})
    _without_codes(f, columns)


def _lettered_beside(f: Filling, wide: Wide) -> dict[str, tuple[str, ...]]:
    """Find columns in step with the codes whose letters a legend says to be statuses."""
    used = {*wide.headings, *(h for own in wide.beside.values() for h in own)}
    used |= {r.heading for r in f.roles.values()}
    for own in families([p for p in f.sight.profiles if p.heading not in used]):
        met = [v for p in own for v in p.values]
        if len(own) == len(wide.headings) and met and is_lettered(f, met):
            f.seen.heard += list(explaining(f))
            return {"status": tuple(p.heading for p in own)}
    return {}


def _without_codes(f: Filling, columns: Sequence[Profile]) -> None:
    """Ask what rows without any code mean, if the file does not say."""
    empty = [
        at
        for at in range(f.n_rows)
        # (a line that fills one cell is a heading or a remark, whatever it says)
        if not any(p.cells[at] for p in columns) and _n_filled(f, at) > 1
    ]
    names_unit = f.has("ecu") and f.wide is None
    if f.wide is not None:
        f.decision.table_keys["without_codes"] = "skip"
    if not empty or names_unit:
        return
    if f.wide is not None and f.wide.names_unit:
        f.decision.table_keys["without_codes"] = "odometer" if f.has("km") else "skip"
        return
    question = Question(
        "no-code",
        worded("Some rows have no code at all. What do they say?"),
        (
            Choice("clean", worded("the vehicle was read, and no code was stored")),
            Choice("odometer", worded("it was not read: only the distance counts")),
            Choice("skip", worded("nothing: they are left out")),
        ),
        tuple(f.row_text(at) for at in empty[:3]),
        unasked="skip",
    )
    f.decision.table_keys["without_codes"] = f.asker.choose(question)


def _n_filled(f: Filling, at: int) -> int:
    return sum(bool(p.cells[at]) for p in f.sight.profiles)


def _fill_unit(f: Filling) -> None:
    """Take the control unit; if none is named, codes belong to the whole vehicle."""
    if any(t.column == "ecu" for t in f.decision.columns):
        return
    if f.wide is not None and f.has("ecu") and (own := _headed_like(f, f.profile("ecu"))):
        f.decision.missing.append(
            worded(
                "ecu: {headings} are as many units as a row may have codes of, and not in step "
                "with the columns of codes; say in a map whose each code is",
                headings=", ".join(repr(p.heading) for p in own),
            )
        )
        return
    if f.has("ecu"):
        f.plain("ecu")
    elif found := fact_of(f, ("ecu",)):
        f.decision.take(
            "ecu",
            {"above": above(f, found[1])},
            0.8,
            worded("{label!r} above the table", label=found[1].label),
        )
    else:
        f.decision.take(
            "ecu", {"value": WHOLE_VEHICLE}, 0.7, worded("nothing names a control unit")
        )


def _headed_like(f: Filling, profile: Profile) -> list[Profile]:
    """Give the columns headed like this one but for a number, and itself; empty: there are none."""
    return next((own for own in families(f.sight.profiles) if profile in own), [])


def _fill_status(f: Filling) -> None:
    if status_letters(f):
        return
    if f.has("status"):
        _words_before_bytes(f)
        profile = f.profile("status")
        f.plain("status", spec=choice_spec(f, "status", profile.values))
    elif f.has("status_flag"):
        profile = f.profile("status_flag")
        active = "active" if f.has("spn") else "confirmed"
        passive = "previously_active" if f.has("spn") else "stored"
        ours = {"yes": active, "no": passive}
        words = {v: f.sight.words.of_word("flag", v) for v in profile.values}
        values = {v: ours[w] for v, w in words.items() if w}
        f.plain("status", "status_flag", {"values": values})


def _words_before_bytes(f: Filling) -> None:
    """Take the status from words, where two digits under another heading could be one too.

    A column of types beside it is then the failure type; other digits stay aside.
    """
    digits = f.profile("status")
    if not all(_TWO_DIGITS.fullmatch(value) for value in digits.values):
        return
    words = next((p for p in f.sight.profiles if p is not digits and _is_status(p, f)), None)
    if words is None or words.heading in f.decision.used:
        return
    f.roles["status"] = Reading(
        "status", words.heading, 0.9, worded("its values are words of a status")
    )
    if f.sight.words.of_word("any_kind", digits.heading) and not f.has("failure_type"):
        why = "two digits beside a status in words"
        f.roles["failure_type"] = Reading("failure_type", digits.heading, 0.9, why)


def _is_status(profile: Profile, f: Filling) -> bool:
    known = f.sight.words.of_word
    return profile.means("status") > FITS and profile.share(lambda v: known("status", v)) == 1


def _miss_marks_of_clean_rows(f: Filling) -> None:
    """Name a column of marks that say something else of rows without a code than of the others.

    T may stand for tested and N for no answer: taken for clean, a silent unit would have healed.
    """
    if not f.has("code") or f.wide is not None:
        return
    codes = f.profile("code").cells
    for profile in f.sight.profiles:
        is_marks = bool(profile.values) and all(len(v) <= _MARK for v in profile.values)
        if not is_marks or profile.filled < 1 or profile.heading in f.decision.used:
            continue
        clean = {mark for mark, code in zip(profile.cells, codes, strict=True) if not code}
        coded = {mark for mark, code in zip(profile.cells, codes, strict=True) if code}
        if clean and not clean & coded and not all(map(str.isdigit, "".join(clean | coded))):
            f.decision.missing.append(
                worded(
                    "ecu_response: rows without a code say {sorted} under {heading!r}, the "
                    "others do not; say in a map whether their units answered",
                    sorted=", ".join(sorted(clean)),
                    heading=profile.heading,
                )
            )
            return


def _fill_since_clear(f: Filling) -> None:
    """Take the distance that units count since their memory was cleared."""
    if f.has("distance_since_clear_km"):
        profile = f.profile("distance_since_clear_km")
        unit = unit_of(profile)
        spec = {} if unit in {"", "km"} else {"unit": unit}
        f.plain("distance_since_clear_km", spec={**spec, **blank_words(profile)})


def _is_one_scan(f: Filling) -> bool:
    """Whether each number of a scan belongs to one vehicle at one time."""
    numbers = f.profile("scan_id").cells
    keys = [r for r in ("vehicle_id", "vin", "plate", "when") if f.has(r)]
    by_number: dict[str, set[tuple[str, ...]]] = {}
    for at, number in enumerate(numbers):
        by_number.setdefault(number, set()).add(tuple(f.profile(k).cells[at] for k in keys))
    return "" not in by_number and all(len(each) == 1 for each in by_number.values())


def _fill_count(f: Filling, role: str) -> None:
    if f.has(role) and f.profile(role).means(role) > 0.5:
        f.plain(role, spec={"pattern": r"^(\d{1,9})$", "otherwise": "empty"})
