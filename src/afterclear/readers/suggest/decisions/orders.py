"""Tables of cleared memories, of work orders and of vehicles."""

import re
from collections.abc import Set as AbstractSet
from dataclasses import replace

from afterclear.errors import worded
from afterclear.readers.maps.heading_words import EXACT
from afterclear.readers.suggest.columns.code_columns import A_CODE, in_cell
from afterclear.readers.suggest.columns.column_choice import BLANKS
from afterclear.readers.suggest.columns.numbers import as_number
from afterclear.readers.suggest.columns.profiles import has_code, is_codes
from afterclear.readers.suggest.columns.questions import Choice, Question
from afterclear.readers.suggest.columns.readings import whose
from afterclear.readers.suggest.decisions.distances import fill_distance
from afterclear.readers.suggest.decisions.order_amounts import (
    AMOUNTS,
    ask_whose_amounts,
    fill_amounts,
)
from afterclear.readers.suggest.decisions.places_apart import ask_whose_places
from afterclear.readers.suggest.decisions.scan_time import fill_time
from afterclear.readers.suggest.decisions.scanning import with_letter_o
from afterclear.readers.suggest.decisions.unknown_words import fill_words
from afterclear.readers.suggest.decisions.which_vehicle import fill_plate_alone, fill_vehicle
from afterclear.readers.suggest.evidence.decision_draft import Filling
from afterclear.readers.suggest.evidence.facts_above import above, fact_of

_MOSTLY = 0.5
_A_ROW = 3  # cells of a row of a list
_MOST_WORDS = 6  # of an order's number: BK-2025/03-1041 has four
# an order that says none of these is no work anyone could follow
_WHAT_WAS_DONE = {"notes", "action", "codes", "part_number", "part_family"}
_CURRENCIES = {"€": "EUR", "$": "USD", "£": "GBP", "zł": "PLN", "eur": "EUR", "pln": "PLN",
               "usd": "USD", "gbp": "GBP", "chf": "CHF"}  # fmt: skip


def fill_clears(f: Filling) -> None:
    """Fill a table of cleared memories."""
    fill_vehicle(f)
    fill_time(f, "cleared_at")
    fill_distance(f)
    if f.has("ecu"):
        words = f.profile("ecu").values
        whole = {w: "" for w in words if f.sight.words.of_word("ecu", w) == "all"}
        f.plain("ecu", spec={"values": whole, "otherwise": "keep"} if whole else {})
    elif _miss_what_was_cleared(f):
        return
    f.plain("reason")
    if f.has("code") or f.wide is not None:
        f.decision.notes.append(
            "the codes that were cleared are kept aside: a clear empties a memory"
        )


def _miss_what_was_cleared(f: Filling) -> bool:
    """Take no clears of which a column says in free words what was cleared, or that it failed.

    Passed over, all memories of the vehicle would count as cleared.
    """
    told = [
        p
        for p in f.sight.profiles
        if p.heading not in f.decision.used
        and p.heading not in f.sight.times
        and p.share(is_codes) < 1
        and p.share(lambda v: any(map(str.isalpha, v))) == 1
        and any(map(has_code, p.values))
    ]
    if told:
        f.decision.missing.append(
            worded(
                "ecu: {heading!r} says in words what was cleared, such as {value!r}; say in a map "
                "whose memory that is, and which rows were no clearing",
                heading=told[0].heading,
                value=max(told[0].values, key=len),
            )
        )
    return bool(told)


def fill_repairs(f: Filling) -> None:
    """Fill a table of work orders."""
    _ask_words_for_numbers(f)
    f.plain("repair_id")
    fill_vehicle(f)
    fill_time(f, "repaired_at")
    fill_distance(f)
    _fill_site(f)
    f.plain("technician")
    if f.has("code"):
        _codes_of_order(f)
    else:
        _codes_in_texts(f)
    _fill_action(f)
    _make_of_parts(f)
    for column in ("part_number", "part_brand", "position"):
        f.plain(column)
    fill_words(f, "part_grade")
    fill_amounts(f)
    _currency(f)
    texts = [
        f.roles[r].heading for r in ("complaint", "work_text", "part_name", "notes") if f.has(r)
    ]
    if not texts and f.has("description"):
        texts = [f.roles["description"].heading]
    texts = texts or _only_text(f) or _text_of_codes(f)
    if texts:
        spec: dict[str, object] = {"from": texts if len(texts) > 1 else texts[0]}
        if len(texts) > 1:
            spec["join"] = " | "
        f.decision.take("notes", spec, 0.85, worded("what was done, as written"))
    _miss_taken_back(f)
    ask_whose_amounts(f)
    ask_whose_places(f)
    if not _WHAT_WAS_DONE & {taken.column for taken in f.decision.columns}:
        f.decision.missing.append(
            worded("what was done: no column says it; map notes, action, codes or part_number")
        )


def _text_of_codes(f: Filling) -> list[str]:
    """Give the column of sentences in which the codes stand, where no other tells the work."""
    headings = {h for t in f.decision.columns if t.column == "codes" for h in t.headings}
    return [p.heading for p in f.sight.profiles if p.heading in headings and p.is_text]


def _only_text(f: Filling) -> list[str]:
    """Give the one column of sentences about work that nothing else is made of.

    Its heading may be any; a column of customers or addresses has sentences, too.
    """
    used = f.decision.used | {r.heading for r in f.roles.values()}

    def says_work(text: str) -> bool:
        return any(f.sight.words.of_word("action", word) for word in re.findall(r"\w+", text))

    found = [
        p.heading
        for p in f.sight.profiles
        if p.is_text
        and p.heading not in used
        and (p.share(says_work) > _MOSTLY or p.means("action") >= EXACT)
    ]
    return found if len(found) == 1 and found[0] not in f.sight.times else []


def _ask_words_for_numbers(f: Filling) -> None:
    """Ask about rows that say in the place of an order's number that their work was not done."""
    if not f.has("repair_id"):
        return
    numbers = f.profile("repair_id")
    met = [
        v
        for v in numbers.values
        if not any(map(str.isdigit, v))
        and f.sight.words.of_beginning("work_state", v, anywhere=True) == "undone"
    ]
    if not met or "rows" in f.asker.asked:
        return
    question = Question(
        "rows",
        worded(
            "Some rows say {cell!r} where others have the number of an order. Was that work done?",
            cell=met[0],
        ),
        (
            Choice("leave", worded("no: such rows are left out")),
            Choice("take", worded("yes, as the other rows")),
        ),
        f.rows_with(met[0]),
        unasked="leave",
    )
    if f.asker.choose(question) == "leave":
        words = "|".join(map(re.escape, met))
        own = {numbers.heading: rf"^\s*(?:{words})\s*$"}
        drops = f.decision.table_keys.get("drop_where")
        f.decision.table_keys["drop_where"] = {**(drops if isinstance(drops, dict) else {}), **own}
        f.dropped |= set(met)


def _make_of_parts(f: Filling) -> None:
    """Take a column of makers for the parts', where it cannot be the vehicles'.

    One vehicle has one maker: rows of a vehicle with several, or with none where no part was
    fitted, speak of parts.
    """
    if not f.has("part_number") or f.has("part_brand") or not f.has("make"):
        return
    role = whose(f.roles)
    if role is None:
        return
    makers: dict[str, set[str]] = {}
    for vehicle, maker in zip(f.profile(role).cells, f.profile("make").cells, strict=True):
        if vehicle:
            makers.setdefault(vehicle, set()).add(maker)
    if any(len(own) > 1 for own in makers.values()):
        f.roles["part_brand"] = replace(f.roles["make"], role="part_brand")
        del f.roles["make"]


def _fill_site(f: Filling) -> None:
    """Take the site from a column, or from a line above the table that names it."""
    f.plain("site")
    if not f.has("site") and (found := fact_of(f, ("site",))):
        label = found[1].label
        f.decision.take(
            "site",
            {"above": above(f, found[1])},
            0.8,
            worded("{label!r} above the table", label=label),
        )


def _miss_headed_groups(f: Filling) -> None:
    """Take no list with lines of one cell among its rows: they head groups, and are no vehicles."""
    filled = [[p.cells[at] for p in f.sight.profiles if p.cells[at]] for at in range(f.n_rows)]
    alone = [cells[0] for cells in filled if len(cells) == 1]
    if "group" in f.seen.table_keys:
        if _say_what_groups_are(f):
            return
        alone = [p.values[0] for p in f.sight.profiles if p.values][-1:]
    if alone and sum(len(cells) >= _A_ROW for cells in filled) > len(alone):
        f.decision.missing.append(
            worded(
                "vehicle_id: lines such as {alone!r} fill one cell only and seem to head groups; "
                "leave them out with keep_where, or give the list without them",
                alone=alone[0],
            )
        )


def _say_what_groups_are(f: Filling) -> bool:
    """Take what heads groups of vehicles for their site or state, or ask what it is; False: stop.

    The vehicles below may be sold, or another's, so words that nothing explains are asked about.
    """
    groups = f.seen.table_keys["group"]
    names = [name for each in groups for name in re.compile(each).groupindex]  # type: ignore[attr-defined]
    if len(names) != 1 or names[0] not in f.sight.by_name:
        return False
    heads = f.sight.by_name[names[0]]
    if heads.means("site") > _MOSTLY:
        return f.has("site") and f.roles["site"].heading == heads.heading
    states = {v: f.sight.words.of_word("stock_status", v) for v in heads.values}
    if all(states.values()) and not f.has("stock_status"):
        spec = {"from": heads.heading, "values": states}
        f.decision.take("stock_status", spec, 0.85, worded("lines above the vehicles say it"))
        return True
    question = Question(
        "heads",
        worded(
            "Lines such as {line!r} stand above groups of vehicles. What do they say of them?",
            line=heads.values[0],
        ),
        (
            Choice("kind", worded("their kind or the like: it is kept aside, all of them count")),
            Choice("site", worded("where they are: it becomes their site")),
            Choice("stop", worded("that some do not count: nothing is loaded")),
        ),
        tuple(f.row_text(heads.cells.index(v)) for v in heads.values[:3]),
        unasked="stop",
    )
    answer = f.asker.choose(question)
    if answer == "site" and not f.has("site"):
        f.decision.take("site", {"from": heads.heading}, 0.85, worded("answered"))
    return answer != "stop"


def _miss_taken_back(f: Filling) -> None:
    """Take no orders of which one takes another back: its work would stand twice."""
    if not f.has("repair_id"):
        return
    numbers = {n for n in f.profile("repair_id").values if any(map(str.isdigit, n))}
    used = f.profile("repair_id").heading
    for at in range(f.n_rows):
        own = f.profile("repair_id").cells[at]
        cells = [p.cells[at] for p in f.sight.profiles if p.heading != used]
        amounts = [as_number(cell, f.numbers) for cell in cells]
        if not own or not any(amount is not None and amount < 0 for amount in amounts):
            continue
        named = _named_in(" ".join(cells), numbers) - {own}
        if named and not f.is_left_out(at):
            f.decision.missing.append(
                worded(
                    "repair_id: {own} has amounts below nothing and takes {load_id} back; "
                    "give the file without both, or work would count twice",
                    own=own,
                    load_id=min(named),
                )
            )
            return


def _named_in(text: str, numbers: AbstractSet[str]) -> set[str]:
    """Find numbers of orders among the words of a text, as many as they may be.

    >>> _named_in("credit for J-1041, coil", {"J-1041", "J-104", "J-7"})
    {'J-1041'}
    """
    spans = [word.span() for word in re.finditer(r"\w+", text)]
    return {
        text[begin:end]
        for n, (begin, _) in enumerate(spans)
        for _, end in spans[n : n + _MOST_WORDS]
    } & numbers


def _codes_of_order(f: Filling) -> None:
    profile = f.profile("code")
    in_cells = in_cell(profile.values, f.sight.words)
    spec: dict[str, object] = {"from": profile.heading}
    if in_cells.behind and not in_cells.each:
        spec |= {"pattern": in_cells.pattern, "otherwise": "keep"}
    else:
        spec |= with_letter_o(profile)
    f.decision.take("codes", spec, f.roles["code"].sure, f.roles["code"].reason)


def _codes_in_texts(f: Filling) -> None:
    """Take the codes that stand among the words of what the customer or the reading said."""
    used = {r.heading for role, r in f.roles.items() if role != "complaint"}
    found = [
        p
        for p in f.sight.profiles
        if p.heading not in used and p.is_text and any(map(has_code, p.values))
    ]
    if len(found) == 1:
        spec = {"from": found[0].heading, "pattern": rf"\b({A_CODE})\b", "otherwise": "empty"}
        f.decision.take("codes", spec, 0.8, worded("codes among its words"))


def _fill_action(f: Filling) -> None:
    if f.has("action"):
        profile = f.profile("action")
        values = {v: o for v in profile.values if (o := f.sight.words.of_word("action", v))}
        f.plain("action", spec={"values": values, "otherwise": "empty"})


def _currency(f: Filling) -> None:
    if f.has("currency"):
        f.plain("currency")
        return
    costs = [f.profile(c) for c in AMOUNTS if f.has(c) and c != "quantity"]
    text = " ".join(
        [*(p.heading for p in costs), *(v for p in costs for v in p.values[:50])]
    ).lower()
    found = {
        name
        for sign, name in _CURRENCIES.items()
        if re.search(rf"(?<![a-z]){re.escape(sign)}(?![a-z])", text)
    }
    if costs and len(found) == 1:
        f.decision.take(
            "currency", {"value": found.pop()}, 0.85, worded("it stands with the amounts")
        )


def _words_of_no_plate(f: Filling) -> dict[str, object]:
    """Say which cells of a column of plates stand for none: vehicles would share it otherwise."""
    if not f.has("plate"):
        return {}
    words = f.sight.words
    met = [
        v for v in f.profile("plate").values if v.lower() in BLANKS or words.of_word("no_plate", v)
    ]
    return {"values": dict.fromkeys(met, ""), "otherwise": "keep"} if met else {}


def fill_vehicles(f: Filling) -> None:
    """Fill a vehicle list."""
    _miss_headed_groups(f)
    if not f.has("vehicle_id") and f.has("plate") and not f.has("vin"):
        fill_plate_alone(f)
    f.plain("vehicle_id")
    f.plain("vin")
    if any(t.column in {"vehicle_id", "vin"} for t in f.decision.columns):
        f.plain("plate", spec=_words_of_no_plate(f))
    for column in ("make", "model", "powertrain", "site"):
        f.plain(column)
    if f.has("model_year"):
        f.plain("model_year", spec={"pattern": r"^((?:19|20)\d\d)$", "otherwise": "empty"})
    for column in ("in_service_on", "acquired_on", "plate_since"):
        if f.has(column):
            time = f.sight.times[f.roles[column].heading]
            spec = {} if time.is_iso else {"date_format": list(time.formats(f.order))}
            f.plain(column, spec=spec)
    fill_words(f, "stock_status")
