"""A report in lines, read as a person would: facts, names of control units, a code a line.

What is found becomes the patterns of a map: ``begin``, ``section``, ``row``, ``ignore``.  They are
as narrow as the file allows: words of a status are those that were met, and so are names of units
that stand alone.  A line that none of them knows is refused when the file is read, not guessed.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from afterclear.catalogue.control_units import ControlUnits
from afterclear.catalogue.folded_words import without_accents
from afterclear.readers.maps.heading_words import HeadingWords
from afterclear.readers.suggest.columns.profiles import (
    heading_meanings,
    is_none_word,
)
from afterclear.readers.suggest.columns.readings import WHOSE
from afterclear.readers.suggest.evidence.footers import footer_word

_FACT = re.compile(r"\s*([^:=]{2,40}?)\s*[:=]\s*(\S.*?)\s*")
_BETWEEN = r"(?:\s{2,}|\t|\s*[|;]\s*)"  # two facts of one line
_PIECES = re.compile(_BETWEEN)
_CODE = r"[PCBU][0-3][0-9A-Fa-f]{3}(?:-[0-9A-Fa-f]{2})?|SPN\s*:?\s*\d+\s*/?\s*FMI\s*:?\s*\d+"
_LEAD = r"^\s*(?:[-*\u2022]\s*|\d{1,3}[.)]\s*)?"
_ROW = re.compile(rf"{_LEAD}({_CODE})(?![\w-])(.*)$")
_GAP = r"[\s:;,\u2013-]+"
_MARKED = re.compile(r"[\s=*#\u2013-]*\[?\s*(.*?)\s*\]?[\s:=*#\u2013-]*")
_RULE = re.compile(r"\s*([-=_~*\u2013])\1{2,}\s*")
# A failure type in words behind a code: "failure type byte 11"
_TYPED = re.compile(r"[\s:;,(-]*([^\W\d_][^\d:;,]*?)[\s:]*\b([0-9A-Fa-f]{2})h?(?![\w])")
# A count of faults behind a unit's name: "Engine control      2 faults"
_COUNT = r"(?:\s{2,}|\t|\s*[:(\u2013-]\s*)"
_COUNTED = re.compile(rf"(\S.*?){_COUNT}\d{{1,3}}\s+([^\W\d_]+)\W*")
# A page's number, at the end of its line or with that of all pages behind
_PAGE = re.compile(
    r"(?i)(.*?\b(?:p[áa]gina|p[áa]g\.|page|seite|blatt|hoja|strona|str\.))\s*(\d{1,4})"
    r"(\s*(?:(?:/|de|of|von|sur|z)\s*\d{1,4})?)"
)
# Behind a unit's name where it goes on on another page, in the languages served
_GOES_ON = (
    r"(?:\s*\((?i:continued|cont\.|fortsetzung|forts\.|suite|continuaci[óo]n|cd\."
    r"|ci[ąa]g dalszy)\))?"
)
_STATUS_WORDS = 3  # of one status
_LIKELY = 0.5
_UNIT_WORDS = 5
_WHEN = ("scanned_at",)
# Facts that may occur among codes: those of the next unit, or of the next vehicle.
_OF_A_READING = {
    *(*WHOSE, *_WHEN, "time_of_day", "odometer_km", "odometer_mi", "engine_hours", "ecu"),
}


@dataclass(slots=True)
class _Found:
    """Patterns by kind, each once in the order of lines; and the words they are made of."""

    page: list[str] = field(default_factory=list)
    begin: list[str] = field(default_factory=list)
    section: list[str] = field(default_factory=list)
    row: list[str] = field(default_factory=list)
    ignore: list[str] = field(default_factory=list)
    units: list[str] = field(default_factory=list)
    in_brackets: bool = False
    clean: list[str] = field(default_factory=list)
    clean_units: list[str] = field(default_factory=list)  # reported clean in a line of their own
    silent: list[str] = field(default_factory=list)
    typed: list[str] = field(default_factory=list)  # words before a code's failure type
    tails: list[tuple[str, str]] = field(default_factory=list)  # place and word of a status
    stated: list[str] = field(default_factory=list)  # statuses that lines say of the codes below
    of_codes: list[str] = field(default_factory=list)  # the words for codes in such lines
    meant: set[str] = field(default_factory=set)  # plain columns of the facts
    n_codes: int = 0
    counted: list[str] = field(default_factory=list)  # units with a count of faults behind
    nouns: list[str] = field(default_factory=list)  # what is counted there
    underlined: frozenset[str] = frozenset()  # lines that head a part, and so name its unit

    def add(self, kind: list[str], pattern: str) -> None:
        if pattern not in kind:
            kind.append(pattern)


def patterns_of_report(
    lines: Sequence[str], words: HeadingWords, units: ControlUnits
) -> dict[str, list[str]] | None:
    """Give a map's patterns for a report; None: it is none that could be understood."""
    found = _Found(underlined=_underlined(lines))
    for line in lines:
        if line.strip():
            _take(line, found, words, units)
    is_one = found.n_codes and (found.meant & {*WHOSE, *_WHEN})
    if not is_one:
        return None
    if found.units:
        names = "|".join(_loose(name) for name in found.units)
        found.add(found.section, rf"^[\s=*#\u2013-]*(?P<ecu>{names})[\s:=*#\u2013-]*$")
    if found.counted:
        names, nouns = ("|".join(map(_loose, own)) for own in (found.counted, found.nouns))
        found.add(found.section, rf"^\s*(?P<ecu>{names}){_COUNT}[1-9]\d*\s+(?:{nouns})\W*$")
        found.row.append(rf"^\s*(?P<ecu>{names}){_COUNT}(?P<code>0\s+(?:{nouns}))\W*$")
    if found.in_brackets:
        found.add(found.section, r"^\s*\[\s*(?P<ecu>[^\]]+?)\s*\]\s*$")
    found.section += _status_heads(found)
    found.row += _code_rows(found.tails, found.typed)
    clean = "|".join(map(_loose, found.clean))
    if found.clean:
        found.row.append(rf"^\s*(?P<code>{clean})[\s.]*$")
    if found.clean_units:
        names = "|".join(map(_loose, found.clean_units))
        found.row.append(rf"^\s*(?P<ecu>{names})\s*:\s*(?P<code>{clean})[\s.]*$")
    if found.silent:
        silent = "|".join(map(_loose, found.silent))
        found.row.append(rf"^\s*(?P<answer>{silent})[\s.]*$")
    found.add(found.ignore, r"^\W*$")
    made = {kind: getattr(found, kind) for kind in ("page", "begin", "section", "row", "ignore")}
    return {kind: each for kind, each in made.items() if each}


def _underlined(lines: Sequence[str]) -> frozenset[str]:
    """List the short lines with a rule below that head codes, or an answer that there are none.

    One alone may be the title; of several each heads the part of a control unit.
    """
    heads: dict[str, bool] = {}
    head = ""
    for line, below in pairwise([*lines, ""]):
        is_short = ":" not in line and len(line.split()) <= _UNIT_WORDS
        if is_short and _RULE.fullmatch(below) and any(map(str.isalpha, line)):
            head = line.strip()
            heads.setdefault(head, False)
        elif head and (_ROW.match(line) or _is_none(line.strip(" ."))):
            heads[head] = True
    found = [text for text, has_answer in heads.items() if has_answer]
    return frozenset(found) if len(found) > 1 else frozenset()


def _is_none(text: str) -> bool:
    """Recognise an answer that no code is stored; a rule of dashes says nothing."""
    return any(map(str.isalpha, text)) and is_none_word(text)


def _take(line: str, found: _Found, words: HeadingWords, units: ControlUnits) -> None:
    """Understand one line; what is not understood is left to be refused."""
    text = line.strip()
    own = text.rstrip(" .")
    if row := _ROW.match(line):
        found.n_codes += 1
        tail = row[2]
        if typed := _failure_type(tail, words):
            found.add(found.typed, typed[1])
            tail = tail[typed.end() :]
        found.tails.append(_status_in(tail, words))
    elif page := _PAGE.fullmatch(text):
        before, rest = (_any_number(_loose(part)) for part in (page[1], page[3]))
        found.add(found.page, rf"^\s*{before}\s*(?P<page>[0-9]+)\s*{rest}\s*$")
    elif _is_none(own):
        found.add(found.clean, own)
    elif words.of_word("ecu_response", own) == "no_answer":
        found.add(found.silent, own)
    elif (
        not _is_status_head(own, found, words)
        and not _is_unit(text, found, units)
        and not _is_fact(text, found, words)
    ):
        is_head = not (found.begin or found.n_codes)
        if is_head or footer_word(text):
            found.add(found.ignore, rf"^\s*{_any_number(_loose(text))}\s*$")


def _status_heads(found: _Found) -> Iterator[str]:
    """Write the pattern of lines that say a status of the codes below them."""
    if found.stated:
        said = "|".join(map(_loose, found.stated))
        nouns = "|".join(map(_loose, found.of_codes))
        yield rf"^\s*(?:(?:{nouns})\s+)*(?P<status>{said})(?:\s+(?:{nouns}))*[\s:.]*$"


def _is_status_head(text: str, found: _Found, words: HeadingWords) -> bool:
    """Take a line that says a status of the codes below it: *Pending codes:*."""
    said = text.rstrip(" :.").split()
    if not 1 < len(said) <= _STATUS_WORDS + 1:
        return False
    nouns = [word for word in said if heading_meanings(word, words).get("code", 0.0) >= _LIKELY]
    rest = " ".join(word for word in said if word not in nouns)
    if not nouns or words.of_word("status", rest) is None:
        return False
    found.add(found.stated, rest)
    for noun in nouns:
        found.add(found.of_codes, noun)
    return True


def _is_unit(text: str, found: _Found, units: ControlUnits) -> bool:
    """Take a line that is the name of a control unit, or names one that is clean."""
    if bracketed := re.fullmatch(r"\[\s*([^\]]+?)\s*\]", text):
        found.in_brackets = bool(bracketed[1])
        return True
    if text in found.underlined and found.begin:
        found.add(found.units, text)
        return True
    count = _COUNTED.fullmatch(text)
    if count and is_none_word(f"0 {count[2]}") and units.named(count[1]):
        found.add(found.counted, count[1])
        found.add(found.nouns, count[2])
        return True
    label, _, said = text.partition(":")
    if said.strip() and is_none_word(said.strip(" .")) and units.named(label):
        found.add(found.clean, said.strip(" ."))
        found.add(found.clean_units, label.strip())
        return True
    marked = _MARKED.fullmatch(text)
    name = marked[1] if marked else text
    if not name or ":" in name or len(name.split()) > _UNIT_WORDS or units.named(name) is None:
        return False
    found.add(found.units, name)
    return True


def _is_fact(text: str, found: _Found, words: HeadingWords) -> bool:
    """Take a line of one or several labels, each with its value."""
    pieces = [piece for piece in _PIECES.split(text) if piece]
    facts = [_FACT.fullmatch(piece) for piece in pieces]
    complete = [fact for fact in facts if fact]
    if len(complete) != len(pieces):
        whole = _FACT.fullmatch(text)
        complete = [whole] if whole else []
    meanings = [heading_meanings(fact[1], words) for fact in complete]
    roles = {max(m, key=lambda r: m[r]) for m in meanings if m and max(m.values()) >= _LIKELY}
    if not complete or (found.n_codes and not roles & _OF_A_READING):
        return False  # words with a colon among codes: their meaning is not known
    names = [
        "ecu" if m.get("ecu", 0.0) >= _LIKELY and m["ecu"] == max(m.values()) else _group(f[1])
        for f, m in zip(complete, meanings, strict=True)
    ]
    if len(set(names)) < len(names):
        return False  # one label twice in a line
    parts = [
        rf"{_loose(f[1])}\s*[:=]\s*(?P<{name}>\S.*?){_GOES_ON if name == 'ecu' else ''}"
        for f, name in zip(complete, names, strict=True)
    ]
    pattern = rf"^\s*{_BETWEEN.join(parts)}\s*$"
    is_first = not found.begin and bool(roles & {*WHOSE, *_WHEN})
    found.add(found.begin if is_first or pattern in found.begin else found.section, pattern)
    found.meant |= {name for m in meanings for name, sure in m.items() if sure >= _LIKELY}
    return True


def _group(label: str) -> str:
    """Give a name for a pattern's group that means what the label means."""
    name = re.sub(r"[^a-z0-9]+", "_", without_accents(label.casefold())).strip("_")
    return name if name[:1].isalpha() else f"x_{name}"


def _any_number(pattern: str) -> str:
    return re.sub(r"[0-9]+", r"[0-9]+", pattern)


def _loose(text: str) -> str:
    return r"\s+".join(map(re.escape, text.split()))


# --- lines of codes -----------------------------------------------------------------------------


def _failure_type(tail: str, words: HeadingWords) -> re.Match[str] | None:
    """Find a failure type that is told in words right behind its code."""
    found = _TYPED.match(tail)
    is_meant = found and heading_meanings(found[1], words).get("failure_type", 0.0) >= _LIKELY
    return found if is_meant else None


def _status_in(tail: str, words: HeadingWords) -> tuple[str, str]:
    """Find the place of a status behind a code: first, last, or nowhere; and its word."""
    texts = tail.strip(" \t:;,.)]\u2013-").split()
    for n in range(min(_STATUS_WORDS, len(texts)), 0, -1):
        for place, own in (("first", texts[:n]), ("last", texts[-n:])):
            word = " ".join(own).strip("()[],;:")
            if words.of_word("status", word) is not None:
                return place, word
    return ("none", "") if texts else ("alone", "")


def _code_rows(tails: Sequence[tuple[str, str]], typed: Sequence[str]) -> Iterator[str]:
    """Write a pattern for each way in which codes are placed in their lines."""
    places = {place for place, _ in tails}
    code = rf"{_LEAD}(?P<code>{_CODE})"
    if typed:
        told = "|".join(map(_loose, typed))
        code += rf"(?:{_GAP}(?:{told})[\s:]+(?P<failure_type>[0-9A-Fa-f]{{2}})h?)?"
    by_place = {
        place: "|".join(
            _loose(w)
            for w in sorted({w for p, w in tails if p == place}, key=lambda w: (-len(w), w))
        )
        for place in ("first", "last")
    }
    if "first" in places:
        state = rf"[(\[]?(?P<status>{by_place['first']})[)\]]?"
        yield rf"{code}{_GAP}{state}(?:{_GAP}(?P<description>.*?))?\s*$"
    if "last" in places:
        between = r"(?:(?P<description>.*?)[\s,;:(\[\u2013-]+)?"
        yield rf"{code}{_GAP}{between}[(\[]?(?P<status>{by_place['last']})[)\].]*\s*$"
    if places & {"none", "alone"}:
        yield rf"{code}(?:{_GAP}(?P<description>.*?))?\s*$"
