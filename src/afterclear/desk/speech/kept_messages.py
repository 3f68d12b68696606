"""Messages that were kept as text, said in another language.

The store keeps notes on loads, and what was expected of a cell, as English text.  Such a text is
found again among a catalogue's messages: it is the message that gives the text when its places are
filled with parts of it; of several the one with most words of its own.
"""

import ast
import re
from dataclasses import dataclass
from functools import cache
from string import Formatter
from typing import Final

from afterclear.wording.language import Language, messages_of

# A message with fewer letters of its own fits too much; one that begins with any text needs more,
# or another message there.
_LETTERS: Final = 10
_LETTERS_WITHIN: Final = 20
_NUMBER: Final = r"-?\d[\d,]*(?:\.\d+)?"
_QUOTED: Final = r"'[^']*'|\"[^\"]*\""


_Part = tuple[str, str | None, str | None, str | None]  # as ``Formatter.parse`` gives it


@dataclass(frozen=True, slots=True)
class _Message:
    """A message with places, and how it is looked for."""

    text: str
    rarest: str  # its longest words between two places
    pattern: str
    numbers: frozenset[str]  # places of numbers, and of quoted texts
    quoted: frozenset[str]
    said_first: str  # the place that another message stands in; empty: it may be any text


def said_again(text: str, language: Language) -> str | None:
    """Say a message that was kept as text; None: the catalogue has none like it."""
    if known := language.known(text):
        return known
    plain = " ".join(text.split())
    for message in _messages(language.tag):
        if message.rarest in plain and (found := _regex(message.pattern).fullmatch(plain)):
            parts = found.groupdict()
            if message.said_first and not said_again(parts[message.said_first], language):
                continue
            values = {name: _value(message, name, part, language) for name, part in parts.items()}
            return language.known(message.text, **values)
    return None


def _value(message: _Message, name: str, part: str, language: Language) -> object:
    if name in message.numbers:
        number = float(part.replace(",", ""))
        return language.written(int(number) if number.is_integer() else number)
    if name in message.quoted:
        return ast.literal_eval(part)
    return said_again(part, language) or part


@cache
def _messages(tag: str) -> list[_Message]:
    """Give a catalogue's messages with places, those with most words of their own first."""
    found = []
    for text in messages_of(tag):
        parts = list(Formatter().parse(text)) if "{" in text else []
        own = [" ".join(f"|{literal}|".split())[1:-1] for literal, *_ in parts]
        n_letters = sum(map(str.isalpha, "".join(own)))
        side_by_side = any(not literal for literal in own[1:])  # nothing says where one ends
        if n_letters >= _LETTERS and not side_by_side:
            is_any = not own[0] and not parts[0][2] and n_letters < _LETTERS_WITHIN
            said_first = (is_any and parts[0][1]) or ""
            order = -n_letters, -sum(map(len, own))
            found.append((order, _message(text, parts, own, said_first)))
    return [message for _, message in sorted(found, key=lambda each: each[0])]


def _message(text: str, parts: list[_Part], own: list[str], said_first: str) -> _Message:
    pattern, seen = "", set[str]()
    numbers, quoted = set[str](), set[str]()
    for (_, name, form, conversion), literal in zip(parts, own, strict=True):
        pattern += re.escape(literal)
        if name is None:
            continue
        if name in seen:
            pattern += f"(?P={name})"
            continue
        seen.add(name)
        if conversion == "r":
            quoted.add(name)
        elif form and form[-1] in ",fd":
            numbers.add(name)
        shape = _QUOTED if name in quoted else _NUMBER if name in numbers else ".+?"
        pattern += f"(?P<{name}>{shape})"
    return _Message(
        text, max(own, key=len), pattern, frozenset(numbers), frozenset(quoted), said_first
    )


@cache
def _regex(pattern: str) -> re.Pattern[str]:
    return re.compile(pattern)
