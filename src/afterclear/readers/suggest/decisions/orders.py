"""Tables of cleared memories, of work orders and of vehicles."""

import re

from afterclear.readers.suggest.decisions.distances import fill_distance
from afterclear.readers.suggest.decisions.order_amounts import ask_whose_amounts
from afterclear.readers.suggest.decisions.places_apart import ask_whose_places
from afterclear.readers.suggest.decisions.scan_time import fill_time
from afterclear.readers.suggest.decisions.scanning import with_letter_o
from afterclear.readers.suggest.decisions.unknown_words import fill_words
from afterclear.readers.suggest.decisions.which_vehicle import fill_plate_alone, fill_vehicle
from afterclear.readers.suggest.evidence.code_columns import in_cell
from afterclear.readers.suggest.evidence.decision_draft import Filling
from afterclear.readers.suggest.evidence.profiles import Profile

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
        f.plain("ecu")
    f.plain("reason")
    if f.has("code") or f.wide is not None:
        f.decision.notes.append(
            "the codes that were cleared are kept aside: a clear empties a memory"
        )


def fill_repairs(f: Filling) -> None:
    """Fill a table of work orders."""
    f.plain("repair_id")
    fill_vehicle(f)
    fill_time(f, "repaired_at")
    fill_distance(f)
    f.plain("site")
    f.plain("technician")
    if f.has("code"):
        _codes_of_order(f)
    _fill_action(f)
    for column in ("part_number", "part_brand"):
        f.plain(column)
    for column in ("quantity", "part_cost", "labour_cost"):
        if f.has(column):
            f.plain(column, spec=_amount(f.profile(column)))
    _currency(f)
    texts = [
        f.roles[r].heading for r in ("complaint", "work_text", "part_name", "notes") if f.has(r)
    ]
    if not texts and f.has("description"):
        texts = [f.roles["description"].heading]
    if texts:
        spec: dict[str, object] = {"from": texts if len(texts) > 1 else texts[0]}
        if len(texts) > 1:
            spec["join"] = " | "
        f.decision.take("notes", spec, 0.85, "what was done, as written")
    ask_whose_amounts(f)
    ask_whose_places(f)
    if not _WHAT_WAS_DONE & {taken.column for taken in f.decision.columns}:
        f.decision.missing.append(
            "what was done: no column says it; map notes, action, codes or part_number"
        )


def _codes_of_order(f: Filling) -> None:
    profile = f.profile("code")
    in_cells = in_cell(profile.values, f.sight.words)
    spec: dict[str, object] = {"from": profile.heading}
    if in_cells.behind and not in_cells.each:
        spec |= {"pattern": in_cells.pattern, "otherwise": "keep"}
    else:
        spec |= with_letter_o(profile)
    f.decision.take("codes", spec, f.roles["code"].sure, f.roles["code"].reason)


def _fill_action(f: Filling) -> None:
    if f.has("action"):
        profile = f.profile("action")
        values = {v: o for v in profile.values if (o := f.sight.words.of_word("action", v))}
        f.plain("action", spec={"values": values, "otherwise": "empty"})


def _amount(profile: Profile) -> dict[str, object]:
    plain = all(re.fullmatch(r"[+-]?[\d.,'\u2396 \u00a0\u202f]+", v) for v in profile.values)
    return {} if plain else {"pattern": r"([+-]?\d[\d.,' \u00a0\u202f]*)", "otherwise": "empty"}


def _currency(f: Filling) -> None:
    if f.has("currency"):
        f.plain("currency")
        return
    costs = [f.profile(c) for c in ("part_cost", "labour_cost", "total_cost") if f.has(c)]
    text = " ".join(
        [*(p.heading for p in costs), *(v for p in costs for v in p.values[:50])]
    ).lower()
    found = {
        name
        for sign, name in _CURRENCIES.items()
        if re.search(rf"(?<![a-z]){re.escape(sign)}(?![a-z])", text)
    }
    if costs and len(found) == 1:
        f.decision.take("currency", {"value": found.pop()}, 0.85, "it stands with the amounts")


def fill_vehicles(f: Filling) -> None:
    """Fill a vehicle list."""
    if not f.has("vehicle_id") and f.has("plate") and not f.has("vin"):
        fill_plate_alone(f)
    f.plain("vehicle_id")
    f.plain("vin")
    if any(t.column in {"vehicle_id", "vin"} for t in f.decision.columns):
        f.plain("plate")
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
