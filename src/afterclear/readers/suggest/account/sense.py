"""Whether the rows that would be stored make sense together."""

import re
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, datetime
from itertools import pairwise
from typing import Any

from afterclear.catalogue.names_in_text import plain_id
from afterclear.errors import worded
from afterclear.plain import INSTANT_OF
from afterclear.readers.maps.source_table import LINE
from afterclear.readers.suggest.account.doubt import WHOSE, Account, Instead, rows_left_out
from afterclear.readers.suggest.columns.profiles import (
    has_code,
    is_none_word,
    is_silent_word,
    says_silence,
)

_NEAR_KM = 2.0  # rounding, and miles beside km
_SMALL_KM = 1000
_DAYS = 40  # in which the same work is hardly done twice on a vehicle
_FALLS = 0.98
_FAR_DAYS = 550
_FEW = 0.1  # share of rows
_TELLS_WORK = 2  # words: *replaced* alone names nothing
_MOST_TIMES = 1000  # a fault is counted
_MOST_KM = 3_000_000  # what no odometer shows is refused by the store
_TIMES = tuple(INSTANT_OF.values())
_Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that makes no sense: its key, what it is, and the lines that show it."""

    key: str
    text: str
    lines: tuple[int, ...]
    instead: Instead | None = None  # what may be left out


def ask_sense(account: Account) -> None:
    """Ask about rows that contradict each other or cannot be what they seem."""
    for check in _CHECKS:
        for found in check(account):
            account.ask_whether_fine(
                f"sense:{found.key}",
                found.text,
                worded("yes: it is so"),
                account.rows_of_lines(found.lines),
                found.instead,
            )
            break  # one of a kind is enough: it is the same map


def _whose(row: _Row) -> str:
    return plain_id(str(next((row[n] for n in WHOSE if row.get(n)), "")))


def _when(row: _Row) -> str:
    return str(next((row[n] for n in _TIMES if row.get(n)), ""))


def _km(row: _Row) -> float | None:
    for name, by in (("odometer_km", 1.0), ("odometer_mi", 1.609344)):
        try:
            km = float(row[name]) * by
        except (KeyError, TypeError, ValueError):
            continue
        return km if 0 < km < _MOST_KM else None
    return None


def _two_distances(account: Account) -> Iterator[Finding]:
    """Find two distances of one vehicle at one moment."""
    met: dict[tuple[str, str], _Row] = {}
    for row in account.stored:
        km = _km(row)
        if km is None or not _whose(row):
            continue
        first = met.setdefault((_whose(row), _when(row)), row)
        if (
            abs((_km(first) or 0.0) - km) > _NEAR_KM
            and ":" in _when(row)[11:]
            and "T00:00" not in _when(row)
        ):
            yield Finding(
                "two-distances",
                worded("Two rows give one vehicle different distances at one time. Is that so?"),
                (first["_line"], row["_line"]),
                _without_distances(),
            )


def _falling(account: Account) -> Iterator[Finding]:
    """Find an odometer that runs backwards."""
    points: dict[str, list[tuple[str, float, int]]] = defaultdict(list)
    for row in account.stored:
        km = _km(row)
        if km and _whose(row) and _when(row):
            points[_whose(row)].append((_when(row), km, row["_line"]))
    for name, each in points.items():
        if len(account.known.owners.get(name, ())) > 1:
            continue  # a plate that moved: two odometers
        for (_, before, a), (_, after, b) in pairwise(sorted(each)):
            if after < _FALLS * before - 1 and not account.is_spoken_of("fall as time goes"):
                yield Finding(
                    "falling",
                    worded(
                        "A vehicle's distance is lower than one before it. Are these its odometer, "
                        "and these days right?"
                    ),
                    (a, b),
                    _without_distances(),
                )


def _far_day(account: Account) -> Iterator[Finding]:
    """Find few days that lie years before all others; those ahead of now the store refuses."""
    met = sorted(
        (day, row["_line"])
        for row in account.stored
        if row["_into"] != "vehicles" and (day := _day(row)) is not None
    )
    for at in range(1, len(met)):
        is_gap = (met[at][0] - met[at - 1][0]).days > _FAR_DAYS
        if is_gap and at <= max(1, _FEW * len(met)) < len(met) - at:
            yield Finding(
                "far-day",
                worded("A row's day lies years before those of the others. Is it right?"),
                (met[0][1],),
            )


def _day(row: _Row) -> date | None:
    try:
        return datetime.fromisoformat(_when(row)).date()
    except ValueError:
        return None


def _small(account: Account) -> Iterator[Finding]:
    """Find distances below 1,000 km in all rows: they count or measure something else."""
    found = [(km, row["_line"]) for row in account.stored if (km := _km(row)) is not None]
    if found and all(km < _SMALL_KM for km, _ in found):
        yield Finding(
            "small-distance",
            worded(
                "No distance reaches {km:,} km. Are these readings of the odometer?", km=_SMALL_KM
            ),
            tuple(line for _, line in found[:3]),
            _without_distances(),
        )


def _counts(account: Account) -> Iterator[Finding]:
    """Find faults counted thousands of times: the counter is of something else."""
    for row in account.stored:
        times = str(row.get("occurrences") or "").partition(".")[0]
        if times.isdigit() and int(times) > _MOST_TIMES:
            yield Finding(
                "occurrences",
                worded("A fault would be stored as counted {n:,} times. Is it so?", n=int(times)),
                (row["_line"],),
                Instead(worded("nobody knows: counts are left out"), columns=("occurrences",)),
            )


def _told_twice(account: Account) -> Iterator[Finding]:
    """Find the same work on a vehicle within weeks: it is told twice, or was undone."""
    met: dict[tuple[str, str], _Row] = {}
    for row in account.stored:
        work = " ".join(_work(row).split())
        if row["_into"] != "repairs" or len(work.split()) < _TELLS_WORK or not _whose(row):
            continue
        first = met.setdefault((_whose(row), work), row)
        is_other = first.get("repair_id") != row.get("repair_id") or _when(first) != _when(row)
        is_near = is_other and _days_between(first, row) <= _DAYS
        if first is not row and is_near and not _was_driven(first, row):
            yield Finding(
                "told-twice",
                worded(
                    "Two orders tell the same work on one vehicle: {work!r}. Was it done twice?",
                    work=work[:60],
                ),
                (first["_line"], row["_line"]),
            )


def _was_driven(first: _Row, row: _Row) -> bool:
    """Whether an order was read off further on, and later: the vehicle came back."""
    before, after = _km(first), _km(row)
    is_later = _when(first) < _when(row)
    return is_later and before is not None and after is not None and before < after


def _work(row: _Row) -> str:
    told = (row.get(n) for n in ("notes", "action", "part_number", "codes"))
    return " ".join(str(each) for each in told if each).casefold()


def _days_between(a: _Row, b: _Row) -> int:
    try:
        days = [datetime.fromisoformat(_when(x)).date() for x in (a, b)]
    except ValueError:
        return 0
    return abs((days[1] - days[0]).days)


def _codes_and_none(account: Account) -> Iterator[Finding]:
    """Find a unit that has a code and is clean at the same time."""
    met: dict[tuple[str, str, str], _Row] = {}
    for row in account.stored:
        if row["_into"] != "scans" or not row.get("ecu") or not _whose(row):
            continue
        unit = (_whose(row), _when(row), str(row["ecu"]).casefold())
        first = met.setdefault(unit, row)
        if bool(first.get("code")) != bool(row.get("code")) and row.get("ecu_response") is None:
            yield Finding(
                "clean-with-code",
                worded(
                    "The unit {unit!r} has a code in one row and none in another of the same "
                    "reading. Is that so?",
                    unit=str(row["ecu"]),
                ),
                (first["_line"], row["_line"]),
            )


def _clean_unsaid(account: Account) -> Iterator[Finding]:
    """Find a unit that would be stored as clean though its row says something else in words."""
    for row in account.stored:
        text = str(row.get("description") or "").strip()
        is_clean = row["_into"] == "scans" and row.get("ecu") and not row.get("code")
        if is_clean and not row.get("ecu_response") and not _says_clean(text, account):
            yield Finding(
                "clean-unsaid",
                worded(
                    "A row without a code says {text!r}, and its unit would be stored as clean. "
                    "Was it?",
                    text=text[:60],
                ),
                (row["_line"],),
            )


def _code_denied(account: Account) -> Iterator[Finding]:
    """Find a code whose own row says that there is none, or that its unit did not answer."""
    for row in account.stored:
        if row["_into"] != "scans" or not row.get("code"):
            continue
        text, unit = str(row.get("description") or ""), str(row.get("ecu") or "")
        is_lost = str(row["code"]).startswith("U")  # such a code says that a unit is silent
        if denied := next(
            filter(
                None,
                [
                    text if _denies_faults(text) else "",
                    unit if says_silence(unit, account.words) else "",
                    text if is_silent_word(text, account.words) and not is_lost else "",
                ],
            ),
            "",
        ):
            yield Finding(
                "code-denied",
                worded(
                    "{text!r} stands in a row that has the code {code!r}. Was the code stored?",
                    text=denied[:60],
                    code=str(row["code"]),
                ),
                (row["_line"],),
            )


def _silent_with_status(account: Account) -> Iterator[Finding]:
    """Find a unit that did not answer, and yet tells how far a fault of its is confirmed."""
    for row in account.stored:
        if row.get("ecu_response") == "no_answer" and row.get("status"):
            yield Finding(
                "silent-with-status",
                worded(
                    "The unit {unit!r} did not answer, and its row has a fault's status. Did it "
                    "not?",
                    unit=str(row.get("ecu") or ""),
                ),
                (row["_line"],),
            )


def _code_of_all(account: Account) -> Iterator[Finding]:
    """Find a code that would be stored for *all units*, where others have units of their own."""
    rows = [row for row in account.stored if row["_into"] == "scans" and row.get("ecu")]
    all_units = {u for row in rows if _means_all(u := str(row["ecu"]), account)}
    if all_units == {str(row["ecu"]) for row in rows}:
        return
    for row in rows:
        if row.get("code") and str(row["ecu"]) in all_units:
            yield Finding(
                "code-of-all",
                worded(
                    "The code {code!r} would be stored for a unit called {unit!r}. Is it one unit?",
                    code=str(row["code"]),
                    unit=str(row["ecu"]),
                ),
                (row["_line"],),
            )


def _means_all(unit: str, account: Account) -> bool:
    return account.words.of_word("ecu", unit) == "all"


def _code_in_unit(account: Account) -> Iterator[Finding]:
    """Find a unit whose name holds a code: two cells were taken for one."""
    for row in account.stored:
        unit = str(row.get("ecu") or "")
        if row["_into"] == "scans" and has_code(unit):
            yield Finding(
                "code-in-unit",
                worded("{unit!r} would be stored as a control unit. Is all of it one?", unit=unit),
                (row["_line"],),
            )


def _order_of_two(account: Account) -> Iterator[Finding]:
    """Find one order's number on two vehicles, where nearly every other is of one."""
    whose: defaultdict[str, dict[str, int]] = defaultdict(dict)
    for row in account.stored:
        if row["_into"] == "repairs" and row.get("repair_id") and _whose(row) and _when(row):
            whose[str(row["repair_id"])].setdefault(_whose(row), row["_line"])
    shared = {order: lines for order, lines in whose.items() if len(lines) > 1}
    if len(shared) > max(1, _FEW * len(whose)):
        return  # a collective order
    for order, lines in shared.items():
        yield Finding(
            "order-of-two",
            worded("The order {order!r} is told of two vehicles. Is it of both?", order=order),
            tuple(lines.values()),
        )


def _denies_faults(text: str) -> bool:
    """Whether a text says in words that there is none; a dash says that nothing is written."""
    return is_none_word(text) and any(map(str.isalpha, text))


def _says_clean(text: str, account: Account) -> bool:
    """Whether a text says nothing, or that no fault was found."""
    words = account.words
    return (
        not any(map(str.isalpha, text))
        or is_none_word(text)
        or bool(words.of_beginning("clean", text, anywhere=True))
    )


def _two_cells(account: Account) -> Iterator[Finding]:
    """Find a wide gap within a short text: it parts two cells that were taken for one."""
    for row in account.stored:
        for name in ("ecu", "description", "vehicle_id", "part_number", "code"):
            if re.search(r"\S(?: {3,}|\t)\S", str(row.get(name) or "")):
                yield Finding(
                    "two-cells",
                    worded(
                        "{cell!r} would be stored as one {column!r}, but a wide gap is in it. Is "
                        "it one?",
                        cell=str(row[name]),
                        column=name,
                    ),
                    (row["_line"],),
                )


def _odd_vehicle(account: Account) -> Iterator[Finding]:
    """Among vehicles with figures in their names one without any is a heading or a remark."""
    rows = [
        row
        for row in account.stored
        if row.get("vehicle_id") and (_when(row) or row["_into"] == "vehicles")
    ]
    named = {str(row["vehicle_id"]): row for row in rows}
    odd = [name for name in named if not any(map(str.isdigit, name))]
    if odd and len(odd) < len(named):
        yield Finding(
            "odd-vehicle",
            worded("{name!r} would be stored as a vehicle. Is it one?", name=odd[0]),
            (named[odd[0]]["_line"],),
            _without_named(account, odd[0]),
        )


def _without_named(account: Account, name: str) -> Instead | None:
    """Offer to leave out the rows of what is perhaps no vehicle."""
    headings = (h for t in account.decision.columns if t.column == "vehicle_id" for h in t.headings)
    return next((rows_left_out(heading, name) for heading in headings), None)


def _other_vehicle(account: Account) -> Iterator[Finding]:
    """Find a row that names another known vehicle than the one it is stored for."""
    known = account.known
    numbers = account.seen.frame[LINE].to_list()
    times_of = Counter(numbers)
    place = {line: at for at, line in enumerate(numbers) if times_of[line] == 1}
    for row in account.stored:
        own = _whose(row)
        owners = known.owners.get(own, {own})
        is_known = own in known.numbers or own in known.owners
        at = place.get(row["_line"])
        if at is None or not is_known:
            continue
        cells = [plain_id(p.cells[at]) for p in account.profiles if p.cells[at]]
        others = [c for c in cells if c in known.owners and not known.owners[c] & set(owners)]
        if others:
            yield Finding(
                "other-vehicle",
                worded(
                    "A row names two vehicles. Is it of {vehicle!r}, for which it would be stored?",
                    vehicle=str(row.get("vehicle_id") or own),
                ),
                (row["_line"],),
                _without_row(account, at, own),
            )


def _without_row(account: Account, at: int, own: str) -> Instead | None:
    """Offer to leave out the rows with the cell by which a row names its vehicle."""
    named = (p for p in account.profiles if plain_id(p.cells[at]) == own)
    return next((rows_left_out(p.heading, p.cells[at]) for p in named), None)


def _without_distances() -> Instead:
    means = worded("nobody knows: distances are left out")
    return Instead(means, columns=("odometer_km",))


def _status_in_text(account: Account) -> Iterator[Finding]:
    """Where no status is taken, a text that ends with one tells it."""
    if any(row.get("status") for row in account.stored):
        return
    for row in account.stored:
        text = str(row.get("description") or "")
        pieces = [p.strip() for p in re.split(r"[(),;/]| - | \u2013 |:| {2,}", text)]
        for piece in pieces if row["_into"] == "scans" else ():
            if piece and account.words.of_word("status", piece) and not account.decision.more:
                yield Finding(
                    "status-in-text",
                    worded(
                        "{word!r} stands in a text and is not taken for the code's status. Is it "
                        "of something else?",
                        word=piece,
                    ),
                    (row["_line"],),
                )


_CHECKS: tuple[Callable[[Account], Iterator[Finding]], ...] = (
    *(_two_distances, _falling, _far_day, _small, _counts, _told_twice, _codes_and_none),
    _clean_unsaid,
    _code_denied,
    *(_silent_with_status, _code_of_all, _code_in_unit, _order_of_two),
    *(_two_cells, _odd_vehicle, _other_vehicle, _status_in_text),
)
