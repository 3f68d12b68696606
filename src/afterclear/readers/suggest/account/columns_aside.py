"""Columns that nothing is made of, and texts, as far as they may change what rows mean."""

import re
from collections.abc import Callable, Iterator, Mapping

from afterclear.errors import worded
from afterclear.readers.maps.source_table import LINE
from afterclear.readers.suggest.account.doubt import Account, says_cleared
from afterclear.readers.suggest.columns.profiles import Profile, has_code, is_none_word
from afterclear.readers.suggest.decisions.weekdays import days_of_week
from afterclear.readers.suggest.writing import codes_patterns

_FEW = 8  # distinct words of a column that says of what kind a row is
_SHORT = 16  # letters of such a word
_LIKELY = 0.8
_HALF = 0.5
_BOTH = 2
_TWO_DIGITS = re.compile(r"(?:0x)?[0-9A-F]{2}", re.IGNORECASE)
_OF_ODOMETER = re.compile(r"[1-9]\d{0,2}[ .,']?\d{3}")
_MARKS = "?!*\u2713\u2714\u2717\u2718\u00d7"  # a tick, a cross; a dash says nothing
# Roles of columns on which no row's meaning depends ...
_HARMLESS = frozenset(
    [
        "row_no",
        "driver",
        "site",
        "technician",
        "make",
        "model",
        "model_year",
        "powertrain",
        "currency",
        "total_cost",
        "in_service_on",
        "acquired_on",
        "opened_at",
        "plate_since",
        "occurrences",
        "part_name",
        "position",
        "part_brand",
        "quantity",
        "lamps",
        "removal_reason",
        "visit_reason",
        "reason",
        "notes",
        "complaint",
        "description",
    ]
)
_NAMES = ("vehicle_id", "vin", "plate")
_OF_A_VEHICLE = ("make", "model", "model_year", "powertrain")
_NO_PART = (
    *("vehicle_id", "vin", "plate", "when", "opened_at", "time_of_day"),
    *("km", "hours", "technician", "driver", "site", "make", "model", "code"),
)
# ... and those of columns that are missed where no other one fills the plain column.
_MISSED = {
    "code": ("code", "codes"),
    "spn": ("code", "codes"),
    "fmi": ("code", "codes"),
    "failure_type": ("code", "failure_type"),
    "status": ("status", "stock_status"),
    "status_flag": ("status",),
    "ecu": ("ecu",),
    "km": ("odometer_km", "first_seen_km"),
    "distance_unit": ("odometer_km", "first_seen_km"),
    "ecu_response": ("ecu_response",),
    "part_number": ("part_number",),
    "part_cost": ("part_cost",),
    "unit_price": ("part_cost",),
    "labour_cost": ("labour_cost",),
    "work_text": ("notes", "description", "reason"),
    "action": ("action", "notes"),
}
_OF_TABLE = {
    "scans": {"code", "spn", "fmi", "failure_type", "status", "status_flag", "ecu", "km"}
    | {"distance_unit", "ecu_response"},
    "repairs": {
        "km",
        "distance_unit",
        "part_number",
        "part_cost",
        "unit_price",
        "labour_cost",
        "work_text",
        "action",
    },
    "clears": {"ecu", "km"},
    "vehicles": {"status"},
}
# In a sentence about work *anterior* is in front, and *about* anything.
_OF_TEXTS = frozenset({"undone", "again", "trial", "deposit", "taken_back", "invalid"})
_TEXTS = {
    "repairs": {"notes", "reason", "action"},
    "clears": {"reason"},
    "scans": {"notes", "description"},
}


def ask_columns_aside(account: Account) -> None:
    """Ask about columns that are passed over though they may change what a row means."""
    for profile in _aside(account):
        is_told = _ask_of_doubt(account, profile) or account.is_spoken_of(repr(profile.heading))
        if not is_told and not _ask_of_clearing(account, profile):
            _ask_of_loss(account, profile)
    for profile in _texts(account):
        if not _ask_of_doubt(account, profile, _OF_TEXTS):
            _ask_of_clearing(account, profile)


def _aside(account: Account) -> Iterator[Profile]:
    used = {h for table in account.tables for h in table.used}
    wide = codes_patterns(account.decision)
    parting = {
        heading
        for keys in (account.seen.table_keys, *(t.table_keys for t in account.tables))
        for key in ("drop_where", "keep_where")
        for heading in _headings_of(keys.get(key))
    }
    for profile in account.profiles:
        is_wide = any(pattern.fullmatch(profile.heading) for pattern in wide)
        if profile.values and profile.heading not in used | parting and not is_wide:
            yield profile


def _headings_of(patterns: object) -> list[str]:
    return list(patterns) if isinstance(patterns, Mapping) else []


def _texts(account: Account) -> Iterator[Profile]:
    """Give the columns of which texts are made that a person reads."""
    names = _TEXTS.get(account.decision.into, set())
    headings = {h for t in account.decision.columns if t.column in names for h in t.headings}
    return (p for p in account.profiles if p.heading in headings)


def _ask_of_doubt(account: Account, profile: Profile, kinds: frozenset[str] = frozenset()) -> bool:
    """Ask about rows of which a cell says that they may not count; False: none does."""
    follows = (
        account.words.of_beginning("aside", _name(account, profile), anywhere=True) == "to_follow"
    )
    if follows or _is_of_other_time(account, profile):
        return False
    # a fault's text may speak of a correction, but does not begin with it
    is_of_fault = bool(kinds) and account.decision.into == "scans"
    doubtful = {
        cell
        for cell in set(profile.cells)
        if (told := account.words.all_of_beginning("doubt", cell, anywhere=not is_of_fault))
        and (not kinds or told & kinds)
    }
    if not kinds and account.words.of_beginning("doubt", _name(account, profile), anywhere=True):
        doubtful |= {v for v in profile.values if account.words.of_word("flag", v) == "yes"}
    rows = zip(profile.cells, account.seen.frame[LINE].to_list(), strict=True)
    places = [
        at for at, (cell, line) in enumerate(rows) if cell in doubtful and line in account.lines
    ]
    if not places:
        return False
    text = worded(
        "Some rows say {cell!r} under {heading!r}. Do they count?",
        cell=profile.cells[places[0]][:60],
        heading=profile.heading,
    )
    account.ask_whether_rows_count(f"aside:{profile.heading}", text, profile, places)
    return True


def _ask_of_clearing(account: Account, profile: Profile) -> bool:
    """Ask about readings of which a text says that codes were cleared; False: none does."""
    is_told = any(t.column == "cleared_at" for table in account.tables for t in table.columns)
    if account.decision.into != "scans" or is_told:
        return False
    said = {v for v in profile.values if says_cleared(v, account.words)}
    places = [at for at, cell in enumerate(profile.cells) if cell in said]
    if not places or account.is_spoken_of(repr(profile.heading)):
        return False
    account.ask_whether_so(
        f"aside:{profile.heading}",
        lambda cell, heading: worded(
            "{cell!r} under {heading!r} speaks of clearing, and its row would be stored as a "
            "reading alone. Is the row right without it?",
            cell=cell,
            heading=heading,
        ),
        profile,
        places,
    )
    return True


def _ask_of_loss(account: Account, profile: Profile) -> None:
    """Ask about a column that looks like one that is missed, or says of what kind its rows are."""
    told = ", ".join(profile.values[:4])[:60]
    rows = account.rows_by(profile)
    about = {"heading": profile.heading, "told": told}
    if looks_like := _missed(account, profile):
        text = worded(
            "The column {heading!r} ({told}) looks like {looks_like!r}, and nothing is made of it. "
            "Is anything lost by that?",
            looks_like=looks_like,
            **about,
        )
        fine = worded("no: it is of something else")
    elif _may_part_rows(account, profile):
        text = worded(
            "Nothing is made of the column {heading!r} ({told}). Does it say that some rows are to "
            "be read otherwise, or not to count?",
            **about,
        )
        fine = worded("no: what the rows mean does not depend on it")
    else:
        return
    account.ask_whether_fine(f"aside:{profile.heading}", text, fine, rows)


def _name(account: Account, profile: Profile, n_parts: int = 1) -> str:
    """Give a heading; of a path in a tree its end."""
    if account.seen.kind not in {"json", "xml"}:
        return profile.heading
    return " ".join(profile.heading.split(".")[-n_parts:])


def _is_of_other_time(account: Account, profile: Profile) -> bool:
    return bool(account.words.of_beginning("of_time", profile.heading, anywhere=True))


def _missed(account: Account, profile: Profile) -> str:
    """Say what a column looks like that no other one fills; empty: it is not missed."""
    if _is_of_other_time(account, profile):
        return ""
    filled = {t.column for table in account.tables for t in table.columns}
    if "codes_from" in account.decision.table_keys:
        filled |= {"code"}
    into = account.decision.into
    look = next((x for x in account.decision.looks if x.heading == profile.heading), None)
    for role, sure, _ in look.roles if look else ():
        is_missed = role in _MISSED and not filled & set(_MISSED[role])
        if sure >= _LIKELY and role in _OF_TABLE[into] and is_missed:
            return role
    if into == "vehicles":
        return _missed_of_vehicle(account, profile, filled)
    for role, table, looks_like in _BY_LOOKS:
        if table == into and role not in filled and looks_like(account, profile):
            return role
    speaks_of_clear = account.words.of_beginning("event", _name(account, profile, 2), anywhere=True)
    is_told = "cleared_at" in filled  # then it is the codes that were cleared, or by whom
    if speaks_of_clear == "cleared" and profile.share(_has_digit) >= _HALF and not is_told:
        return "cleared_at"
    return ""


def _is_of_codes(_: Account, profile: Profile) -> bool:
    return profile.share(has_code) >= _HALF


def _is_of_bytes(account: Account, profile: Profile) -> bool:
    """Whether a column under no known heading has two hex digits for each code, as a status."""
    are_hex = profile.share(_TWO_DIGITS.fullmatch) == 1
    is_no_count = any(re.search("[A-F]|^0", v, re.IGNORECASE) for v in profile.values)
    is_no_number = any(v[0].isdigit() for v in profile.values)  # C1 numbers claims
    return are_hex and is_no_count and is_no_number and _is_unknown(account, profile)


def _is_of_distances(account: Account, profile: Profile) -> bool:
    """Whether a column under no known heading has whole numbers as odometers show."""
    return profile.share(_OF_ODOMETER.fullmatch) == 1 and _is_unknown(account, profile)


def _is_unknown(account: Account, profile: Profile) -> bool:
    about = account.words.of_beginning("aside", _name(account, profile), anywhere=True)
    return not (profile.meant or about)


def _is_of_parts(account: Account, profile: Profile) -> bool:
    """Whether a column under no known heading has numbers as parts have: letters and figures."""
    about = account.words.of_beginning("aside", _name(account, profile), anywhere=True)
    is_of_other = about not in {"", "of_work"} or profile.means(*_NO_PART) >= _HALF
    is_known = any(account.known.role_of(value) for value in profile.values)
    n_rows = sum(map(bool, profile.cells))
    is_varied = len(profile.values) >= max(_BOTH, _HALF * n_rows)
    return not (is_of_other or is_known) and is_varied and profile.share(_is_number) >= _LIKELY


def _is_number(value: str) -> bool:
    told = re.fullmatch(r"[\w./-]{4,20}", value) and re.search(r"[^\W\d_]", value)
    return bool(told) and _has_digit(value) and not has_code(value)


# What values tell of a column that is missed: role, table, test.
_BY_LOOKS: tuple[tuple[str, str, Callable[[Account, Profile], bool]], ...] = (
    ("code", "scans", _is_of_codes),
    ("status", "scans", _is_of_bytes),
    ("odometer_km", "scans", _is_of_distances),
    ("odometer_km", "repairs", _is_of_distances),
    ("part_number", "repairs", _is_of_parts),
)


def _missed_of_vehicle(account: Account, profile: Profile, filled: set[str]) -> str:
    """Recognise numbers that name each vehicle, and remarks on vehicles that were sold."""
    numbers = [cell for cell in profile.cells if re.fullmatch(r"[\w-]{1,8}", cell)]
    is_name = len(set(numbers)) == len(profile.cells) > _BOTH and all(map(_has_digit, numbers))
    if is_name and "vehicle_id" not in filled and profile.means("row_no") < _HALF:
        return "vehicle_id"
    is_status = any(account.words.of_beginning("stock_status", v) for v in profile.values)
    return "stock_status" if is_status and "stock_status" not in filled else ""


def _may_part_rows(account: Account, profile: Profile) -> bool:
    """Whether a column of a few short words may say of what kind its rows are."""
    values = [v for v in profile.values if any(ch.isalnum() or ch in _MARKS for ch in v)]
    is_same = len(set(profile.cells)) == 1  # what every row says parts none from another
    if not values or is_same or len(values) > _FEW or any(len(v) > _SHORT for v in values):
        return False
    if all(any(map(str.isdigit, v)) and v not in {"0", "1", "2"} for v in values):
        return False  # amounts, numbers of things
    if account.words.of_beginning("aside", _name(account, profile), anywhere=True):
        return False
    if days_of_week(profile) is not None:
        return False
    if _is_of_other_time(account, profile) or _tells_of_codes(account, profile):
        return False
    is_harmless = profile.means(*_HARMLESS) >= _HALF and not _differs_within(account, profile)
    return not is_harmless and not _says_what_was_cleared(account, profile)


def _differs_within(account: Account, profile: Profile) -> bool:
    """Whether what is headed as a vehicle's make or model is not the same in all its rows."""
    if profile.means(*_OF_A_VEHICLE) < _HALF:
        return False
    headings = {h for t in account.decision.columns if t.column in _NAMES for h in t.headings}
    vehicle = next((p for p in account.profiles if p.heading in headings), None)
    cells = zip(vehicle.cells, profile.cells, strict=True) if vehicle else ()
    pairs = {(whose, own) for whose, own in cells if whose and own}
    return len(pairs) > len({whose for whose, _ in pairs})


def _says_what_was_cleared(account: Account, profile: Profile) -> bool:
    """Whether a column says of each clearing whether it was of codes or of the whole unit."""
    words = account.words
    codes = [v for v in profile.values if words.of_heading(v).get("code", 0.0) >= _LIKELY]
    whole = [
        v
        for v in profile.values
        if words.of_word("ecu", v) == "all" or words.of_beginning("reading", v) == "complete"
    ]
    is_told = bool(codes) and {*codes, *whole} == set(profile.values)
    return is_told and account.decision.into == "clears"


def _tells_of_codes(account: Account, profile: Profile) -> bool:
    """Whether a column only says again which code a row has, in words, or that it has none."""
    headings = {h for t in account.decision.columns if t.column == "code" for h in t.headings}
    code = next((p for p in account.profiles if p.heading in headings), None)
    if code is None:
        return False
    pairs = list(zip(profile.cells, code.cells, strict=True))
    clean = {(cell, not c or is_none_word(c)) for cell, c in pairs}
    n_words = len(set(profile.cells))
    if len({none for _, none in clean}) == len(clean) == n_words == _BOTH:
        return True  # a word for rows with a code, one for those without
    are_flags = all(account.words.of_word("flag", v) for v in profile.values)
    is_of_each = n_words > _BOTH and n_words == len(set(pairs)) == len(set(code.cells))
    return is_of_each and not are_flags


def _has_digit(value: str) -> bool:
    return any(map(str.isdigit, value))
