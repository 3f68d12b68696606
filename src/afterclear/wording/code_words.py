"""What codes and components mean, in the reader's language: the tables' texts, part by part.  Pure.

The texts of the tables under ``config`` consist of a few hundred parts between colons and commas,
with numbers and letters in them. Each part is a message of the catalogues;
``tests/digest/messages.py`` gathers them. If a text has a part that is in no catalogue, such as a
scan tool's own description, all of it stays as it is: half a text in each language helps nobody.
"""

import re
from typing import Final

from afterclear.wording.language import Language, mark

_BETWEEN: Final = re.compile(r"([:,;] )")
_NAMES_A_UNIT: Final = re.compile(r"\b(from|that of): ")  # what follows is read on, not set apart
_COUNTED: Final = re.compile(r"(?<![\w/-])(?:[A-L]|\d+)(?![\w/-])")  # bank 1, solenoid A

# the text for a code or failure type that is in no table
_AROUND: Final = (
    mark("standard code ({inner}), meaning not in the tables"),
    mark("maker-specific {inner} code"),
    mark("reserved {inner} code"),
    mark("failure type {inner}"),
    mark("maker's sub-code {inner}"),
)
_PATTERNS: Final = tuple(
    (message, re.compile(re.escape(message).replace(r"\{inner\}", "(.+)"))) for message in _AROUND
)
_SAY_NO_MORE: Final = _PATTERNS[:3]  # than that the code is in no table
# a place is described by several of these
_PLACES: Final = frozenset(
    (
        mark("front"),
        mark("rear"),
        mark("middle"),
        mark("left"),
        mark("right"),
        mark("driver"),
        mark("passenger"),
        mark("intake"),
        mark("exhaust"),
        mark("positive"),
        mark("negative"),
        mark("precharge"),
        mark("bank {a}"),
        mark("sensor {a}"),
        mark("cylinder {a}"),
        mark("row {a}"),
        mark("axle {a}"),
        mark("gear {a}"),
        mark("number {a}"),
    )
)
_WORDS: Final = re.compile(r"[\w ]+")
_PLACE: Final = re.compile(r"(?:bank|sensor|cylinder|row|axle|gear|number) \w+|\w+")


def code_text(text: str, language: Language) -> str:
    """Return what a code or component means in the reader's language, otherwise unchanged."""
    return code_words(text, language) or text


def code_words(text: str, language: Language) -> str | None:
    """Return what a code or component means; None if the reader's language lacks a part of it.

    >>> code_words("wheel speed sensor, front left: circuit open", Language("de"))
    'Raddrehzahlsensor, vorn links: Stromkreis unterbrochen'
    >>> code_words("invalid data from: gateway: network signal invalid", Language("en"))
    'invalid data from gateway: network signal invalid'
    """
    if language.tag == "en":
        return _NAMES_A_UNIT.sub(r"\1 ", text)
    if "{" in text:
        return None
    return _around(text, language) or _parted(text, language)


def _parted(text: str, language: Language, *, inside: bool = False) -> str | None:
    """Translate a text part by part; ``inside``: it is inside another text."""
    said, rest = [], text
    while rest:
        part, mark_after, rest = _first_part(rest, language)
        words = _part_words(part, language)
        if words is None and not inside:
            words = _around(part, language)
        if words is None:
            return None
        said += [words, mark_after]
    return "".join(said) or None


def _first_part(text: str, language: Language) -> tuple[str, str, str]:
    """Split off a text's first part, the mark after it, and the rest; some units have a comma."""
    part, mark_after, rest = (*_BETWEEN.split(text, maxsplit=1), "", "")[:3]
    if mark_after == ", ":
        second, next_mark, others = (*_BETWEEN.split(rest, maxsplit=1), "", "")[:3]
        if language.known(both := f"{part}, {second}"):
            return both, next_mark, others
    return part, mark_after, rest


def _part_words(part: str, language: Language) -> str | None:
    message, values = _message(part)
    if message == "{a}":
        return part
    said = language.known(message, **values)
    if said is None and _WORDS.fullmatch(part) and len(places := _PLACE.findall(part)) > 1:
        each = [_place_words(place, language) for place in places]
        said = " ".join(word for word in each if word) if all(each) else None
    return said


def _place_words(place: str, language: Language) -> str | None:
    message, values = _message(place)
    if message == "{a}":
        return place
    return language.known(message, **values) if message in _PLACES else None


def _around(text: str, language: Language) -> str | None:
    for message, pattern in _PATTERNS:
        if found := pattern.fullmatch(text):
            inner = _parted(found[1], language, inside=True)
            if inner is None and found[1].isupper():  # a number in the standard's own spelling
                inner = found[1]
            return None if inner is None else language.known(message, inner=inner)
    return None


def _message(part: str) -> tuple[str, dict[str, str]]:
    """Replace the numbers and letters of a part by placeholders."""
    values: dict[str, str] = {}

    def place(found: re.Match[str]) -> str:
        name = chr(ord("a") + len(values))  # a text of the tables has few
        values[name] = found[0]
        return f"{{{name}}}"

    return _COUNTED.sub(place, part), values


def says_what_failed(meaning: str) -> bool:
    """Whether a code's text is about a component, and not only about what kind of code it is.

    >>> says_what_failed("maker-specific body code"), says_what_failed("misfire, cylinder 1")
    (False, True)
    """
    return not any(pattern.fullmatch(meaning) for _, pattern in _SAY_NO_MORE)
