"""Reasons with their facts as sentences: each fact written by its kind.  Pure."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from string import Formatter
from typing import Final

from afterclear.reasons import Fact, Facts, Kind
from afterclear.wording.cells import Cells
from afterclear.wording.code_words import code_text
from afterclear.wording.language import mark
from afterclear.wording.units import control_unit_words, unit_words

# self-tests whose name in the plain layout is not a common word
SELF_TESTS: Final[dict[str, str]] = {
    "ac_refrigerant": mark("air conditioning refrigerant"),
    "boost_pressure": mark("boost pressure"),
    "catalyst": mark("catalyst"),
    "cold_start_aid": mark("cold start aid"),
    "component": mark("comprehensive components"),
    "egr_vvt": mark("exhaust gas recirculation or valve timing"),
    "evaporative": mark("fuel vapour system"),
    "exhaust_gas_sensor": mark("exhaust gas sensor"),
    "fuel_system": mark("fuel system"),
    "heated_catalyst": mark("heated catalyst"),
    "misfire": mark("misfire"),
    "nmhc_catalyst": mark("hydrocarbon catalyst"),
    "nox_scr": mark("NOx aftertreatment"),
    "oxygen_sensor": mark("oxygen sensor"),
    "oxygen_sensor_heater": mark("oxygen sensor heater"),
    "pm_filter": mark("particulate filter"),
    "secondary_air": mark("secondary air"),
}
DEEDS: Final[dict[str, str]] = {
    "repair": mark("repaired"),
    "clear_only": mark("cleared without a repair"),
    "clear_beside": mark("cleared with other work"),
}
ASIDE_WORDS: Final[dict[str, str]] = {
    "single": mark("one reading off the line"),
    "units": mark("miles taken for km, or km for miles"),
    "decimal": mark("a digit too many or too few"),
    "jump": mark("a jump no vehicle could drive"),
    "lasting_drop": mark("lower from here on: instrument replaced or turned back"),
}
_WORDS: Final[dict[str, dict[str, str]]] = {"deed": DEEDS, "aside": ASIDE_WORDS}

_NAMED: Final = 3  # codes named in one sentence; more are counted


def filled(
    messages: Sequence[str],
    kinds: Mapping[str, Kind],
    facts: Facts,
    cells: Cells,
    **more: str,
) -> str:
    """Return the first message whose facts are all known, otherwise the last one.

    ``messages``: the fullest first.  ``more``: placeholders that are filled already.
    """
    known = {name for name in kinds if facts.get(name) not in (None, [])} | set(more)
    message = next((text for text in messages if _asks(text) <= known), messages[-1])
    asked = _asks(message) - set(more)
    values = {name: written(facts.get(name), kinds[name], cells) for name in asked}
    return cells.t(message, **values, **{name: more[name] for name in _asks(message) & set(more)})


def _asks(message: str) -> set[str]:
    return {name for _, name, _, _ in Formatter().parse(message) if name}


def written(value: Fact, kind: Kind, cells: Cells) -> str:
    """Write one fact for the reader."""
    if kind == "km" and isinstance(value, int | float):
        return cells.distance(value)
    if kind == "km_to_drive" and isinstance(value, int | float):
        return cells.to_drive(value)
    if kind == "count" and isinstance(value, int | float):
        return cells.number(value)
    if kind == "day" and isinstance(value, str):
        return cells.day(datetime.fromisoformat(value))
    if isinstance(value, Sequence) and not isinstance(value, str):
        return _listed(value, kind, cells)
    return _word(str(value), kind, cells)


def _word(said: str, kind: Kind, cells: Cells) -> str:
    if kind == "unit":
        return control_unit_words(said, cells.words)
    if kind == "meaning":
        return _within(code_text(said, cells.words), cells)
    if kind == "component":
        return said.removeprefix("code:").replace("_", " ")
    words = _WORDS.get(kind, {})
    return cells.t(words[said]) if said in words else said


def _within(text: str, cells: Cells) -> str:
    """Fit a code's text into a sentence: tools begin theirs with a capital letter."""
    is_word = text[1:2].islower()  # not an abbreviation
    return text[:1].lower() + text[1:] if cells.language == "en" and is_word else text


def code_at(code: str, unit: str, cells: Cells) -> str:
    """Name a code with its control unit, given by its label."""
    return cells.t("{code} in the {unit}", code=code, unit=control_unit_words(unit, cells.words))


def _listed(values: Sequence[str] | Sequence[Sequence[str]], kind: Kind, cells: Cells) -> str:
    if kind == "codes":
        named = [code_at(str(code), str(unit), cells) for code, unit in values]
        listed = ", ".join(named[:_NAMED])
        if len(named) <= _NAMED:
            return listed
        return cells.t("{listed} and {n} more", listed=listed, n=len(named) - _NAMED)
    words = {"monitors": self_test_words, "units": _unit, "texts": _as_it_is}[kind]
    return ", ".join(words(str(value), cells) for value in values)


def _unit(label: str, cells: Cells) -> str:
    return unit_words(label, cells.words)


def _as_it_is(text: str, _: Cells) -> str:
    return text


def self_test_words(name: str, cells: Cells) -> str:
    """Name a self-test by its word in the plain layout."""
    return cells.t(SELF_TESTS[name]) if name in SELF_TESTS else name.replace("_", " ")
