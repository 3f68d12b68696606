"""Where a table's fault codes are: in one column or side by side, alone or with a word each."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from afterclear.catalogue.control_units import ControlUnits
from afterclear.errors import worded
from afterclear.readers.maps.heading_words import HeadingWords
from afterclear.readers.suggest.columns.profiles import (
    Profile,
    code_words,
    has_code,
    heading_meanings,
    is_bare_code,
    is_codes,
    is_none_word,
    is_silent_word,
)
from afterclear.readers.suggest.columns.questions import Asker, Choice, Question
from afterclear.readers.suggest.columns.role_tests import Sight

_FITS = 0.8
A_CODE = r"(?:[PCBU][0-3][0-9A-Fa-f]{3}(?:-[0-9A-Fa-f]{2})?|SPN\s*:?\s*\d+\s*/?\s*FMI\s*:?\s*\d+)"
# Tried in turn: the separators between the codes of one cell.
_BETWEEN = (r"\s*;\s*", r"\s*\|\s*", r"\n", r"\s*,\s*", r"\s*/\s*", r"\s*\+\s*", r"[,;|/\s]+",
            r"\s*[;|,\n/+]\s*")  # fmt: skip
# A word behind a code: in brackets, or behind a dash, a colon, a blank.
_BEHIND = rf"^{A_CODE}(?:\s*[:=(\[\u2013]+\s*|\s+[-(\[]?\s*)(.*?)[)\]\s]*$"
_END = r"[)\]\s]*$"
# The last words of a text, behind a mark that parts them: "(present)", " - stored".
_LAST = re.compile(r"(?:[,;/(\[\u2013]|\s-)\s*([^,;/()\[\]\u2013]+?)[)\]\s]*$")
_NUMBERED = re.compile(r"(?i)^(.+?)\s+(?:codes?|dtcs?|faults?|fehler|codigos?|kod)\s*\d{1,2}$")
_STEM = re.compile(r"^(.*?)[\s_#.-]*\d{1,2}$")
# Answer to what bare codes are -> what spells one.
PREFIXES = {"powertrain": "P{}", "j1939": "SPN {}", "maker": "unknown:{}", "refuse": ""}


@dataclass(frozen=True, slots=True)
class Wide:
    """Columns of codes side by side."""

    headings: tuple[str, ...]
    patterns: tuple[str, ...]  # for codes_from
    names_unit: str = ""  # pattern that takes the unit from a heading; empty: it has none
    beside: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  # role -> headings


def side_by_side(sight: Sight) -> Wide | None:
    """Find columns of codes side by side; None: there are none."""
    coded = [p for p in sight.profiles if is_code_column(p, sight.words)]
    units = [p for p in coded if _names_unit(p.heading, sight.units)]
    clean = [p for p in sight.profiles if p not in coded and _is_clean_unit(p, sight.units)]
    if len(units) + len(clean) > 1 and len(units) == len(coded):
        return _by_unit(sorted([*units, *clean], key=lambda p: p.at), sight)
    stems: dict[str, list[Profile]] = {}
    for profile in sight.profiles:
        stem = _stem(profile.heading)
        if stem and (not profile.values or is_code_column(profile, sight.words)):
            stems.setdefault(stem, []).append(profile)
    stems = {s: own for s, own in stems.items() if len(own) > 1 and any(p.values for p in own)}
    if len(stems) != 1:
        return None
    own = next(iter(stems.values()))
    if {p.heading for p in coded} - {p.heading for p in own}:
        return None
    headings = tuple(p.heading for p in own)
    return Wide(headings, _patterns(headings, sight), beside=_beside(own, sight))


def is_code_column(profile: Profile, words: HeadingWords) -> bool:
    """Recognise a column that holds codes, or says in words that there is none, or no answer."""
    none = [v for v in profile.values if is_none_word(v) or is_silent_word(v, words)]
    values = [v for v in profile.values if v not in none and not profile.says_empty(v)]
    if values:
        return sum(map(is_codes, values)) / len(values) >= _FITS
    return bool(profile.values) and profile.means("code") > 0.5


def _is_clean_unit(profile: Profile, units: ControlUnits) -> bool:
    """Recognise a column of a unit that never had a code: all its cells say so in words."""
    is_clean = bool(profile.values) and all(map(is_none_word, profile.values))
    return is_clean and _names_unit(profile.heading, units)


def _names_unit(heading: str, units: ControlUnits) -> bool:
    text = re.sub(
        r"(?i)\b(codes?|dtcs?|faults?|fehler(?:codes?)?|codigos?|defauts?|kody?)\b", " ", heading
    )
    return units.named(text) is not None


def _by_unit(columns: Sequence[Profile], sight: Sight) -> Wide:
    """Take the unit from the heading: without the word for codes that all of them share."""
    headings = [p.heading for p in columns]
    if all(map(_NUMBERED.match, headings)):  # Engine code 1, Engine code 2, Brakes code 1
        return Wide(tuple(headings), tuple(headings), _NUMBERED.pattern, _beside(columns, sight))
    split = [h.split() for h in headings]
    shared = ""
    if len({s[-1].casefold() for s in split}) == 1 and all(len(s) > 1 for s in split):
        shared = rf"\s+{re.escape(split[0][-1])}"
    lead = ""
    if len({s[0].casefold() for s in split}) == 1 and all(len(s) > 1 for s in split):
        lead = rf"{re.escape(split[0][0])}\s+"
    names = rf"(?i)^{lead}(.+?){shared}$"
    return Wide(tuple(headings), tuple(headings), names, _beside(columns, sight))


def families(profiles: Sequence[Profile]) -> list[list[Profile]]:
    """Give the columns that are headed alike but for a number: St. 1, St. 2."""
    found: dict[str, list[Profile]] = {}
    for profile in profiles:
        if stem := _stem(profile.heading):
            found.setdefault(stem, []).append(profile)
    return [own for own in found.values() if len(own) > 1]


def _stem(heading: str) -> str:
    base = heading.partition("#")[0] if re.search(r"#\d+$", heading) else heading
    found = _STEM.match(base)
    stem = found[1] if found else base
    return " ".join(stem.split()).casefold()


def _patterns(headings: Sequence[str], sight: Sight) -> tuple[str, ...]:
    """Write a file pattern that fits these headings and no others; otherwise list the headings."""
    begin = headings[0]
    while begin and not all(h.casefold().startswith(begin.casefold()) for h in headings):
        begin = begin[:-1]
    begin = re.sub(r"\d+$", "", begin)
    others = [p.heading for p in sight.profiles if p.heading not in headings]
    is_free = not any(h.casefold().startswith(begin.casefold()) for h in others)
    if len(begin.strip()) > 1 and is_free and not re.search(r"[\[\]*?]", begin):
        return (f"{begin}*",)
    return tuple(re.sub(r"([\[*?])", r"[\1]", h) for h in headings)


def _beside(columns: Sequence[Profile], sight: Sight) -> dict[str, tuple[str, ...]]:
    """Find columns in step with the codes: a unit each, a status each, a text each."""
    own = {p.heading for p in columns}
    found: dict[str, tuple[str, ...]] = {}
    for role in ("ecu", "status", "description"):
        more = [p for p in sight.profiles if p.heading not in own and _speaks_of(p, role, sight)]
        if len(more) == len(columns) and len(more) > 1:
            found[role] = tuple(p.heading for p in more)
            own |= set(found[role])
    return found


def _speaks_of(profile: Profile, role: str, sight: Sight) -> bool:
    """Whether a heading, or its last word under a group's, means a role."""
    last = re.sub(r"\s+\d{1,2}$", "", profile.heading.partition("#")[0]).split()[-1:]
    under_group = max((heading_meanings(w, sight.words).get(role, 0.0) for w in last), default=0.0)
    return max(profile.means(role), under_group) > 0.5


# --- within a cell ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class InCell:
    """How a cell holds codes: what separates several, what follows each."""

    each: str = ""
    pattern: str = ""  # takes the code
    behind: str = ""  # takes the text behind it
    behind_words: tuple[str, ...] = ()  # distinct ones
    is_status: bool = False  # they are words of a status
    at_end: tuple[str, ...] = ()  # words of a status that end a text
    prefix: str = ""  # put before a bare number: P{} or SPN {}


def in_cell(values: Sequence[str], words: HeadingWords) -> InCell:
    """Find out how the cells of a column of codes are written."""
    with_code = [v for v in values if not is_none_word(v) and has_code(v)]
    several = any(len(code_words(v)) > 1 for v in with_code)
    each = (
        next((b for b in _BETWEEN if all(_parts_well(v, b) for v in with_code)), "")
        if several
        else ""
    )
    if several and not each:
        return InCell()  # taking the first would lose the others: such cells are refused
    pieces = [piece for v in with_code for piece in (re.split(each, v) if each else [v])]
    behind = list(dict.fromkeys(t for p in pieces if (t := _text_behind(p))))
    if not behind:
        return InCell(each)
    is_status = all(_is_status(text, words) for text in behind)
    pattern = rf"^({A_CODE})"
    ends = [found[1] for text in behind if (found := _LAST.search(text))]
    at_end = () if is_status else tuple(dict.fromkeys(e for e in ends if _is_status(e, words)))
    return InCell(each, pattern, _BEHIND, tuple(behind), is_status, at_end)


def text_before(at_end: Sequence[str]) -> str:
    """Write the pattern that takes the text between a code and the status that may end it."""
    words = "|".join(map(re.escape, at_end))
    begin = _BEHIND.removesuffix(_END)
    return rf"{begin}(?:\s*[,;/(\[\u2013-]\s*(?i:{words}))?{_END}"


def status_at_end(at_end: Sequence[str]) -> str:
    """Write the pattern that takes the status at the end of a text behind a code."""
    words = "|".join(map(re.escape, at_end))
    return rf"^{A_CODE}.*[\s,;/(\[\u2013-]((?i:{words})){_END}"


def _is_status(text: str, words: HeadingWords) -> bool:
    return words.of_word("status", text) is not None


def _parts_well(value: str, between: str) -> bool:
    pieces = [p for p in re.split(between, value) if p.strip()]
    return all(len(code_words(p)) == 1 for p in pieces) and len(pieces) == len(code_words(value))


def _text_behind(piece: str) -> str:
    found = re.match(_BEHIND, piece.strip(), re.IGNORECASE)
    return found[1].strip() if found else ""


def decide_bare(profile: Profile, title: str, asker: Asker) -> InCell:
    """Decide what numbers without a letter are: makers' own, powertrain codes, SPN and FMI."""
    values = [v for v in profile.values if not is_none_word(v)]
    bare = [v for v in values if is_bare_code(v) and not is_codes(v)]
    if not bare or len(bare) != len(
        values
    ):  # mixed ones are refused one by one, with what they may be
        return InCell()
    says_j1939 = bool(re.search(r"j1939|\bspn\b", f"{title} {profile.heading}", re.IGNORECASE))
    pairs = all(re.fullmatch(r"\d{1,6}[-/.]\d{1,2}", v) for v in bare)
    if says_j1939:
        return InCell(prefix="SPN {}")
    choices = [
        Choice("maker", worded("the maker's own numbers: {bare} stays {bare}", bare=bare[0]))
    ]
    if all(re.fullmatch(r"[0-3][0-9A-Fa-f]{3}", v) for v in bare):
        choices.insert(
            0,
            Choice(
                "powertrain", worded("codes without their letter: {bare} is P{bare}", bare=bare[0])
            ),
        )
    if pairs:
        spn, fmi = re.split(r"[-/.]", bare[0])
        choices.insert(
            0,
            Choice(
                "j1939",
                worded("J1939: {bare} is SPN {spn} FMI {fmi}", bare=bare[0], spn=spn, fmi=fmi),
            ),
        )
    if len(choices) == 1:
        return InCell()
    rows = tuple(f"{profile.heading}: {v}" for v in bare[:3])
    choices.append(Choice("refuse", worded("nobody knows: rows with such codes are refused")))
    question = Question(
        "code-form",
        worded("What are codes such as {bare}?", bare=bare[0]),
        tuple(choices),
        rows,
        unasked="refuse",
    )
    return InCell(prefix=PREFIXES[asker.choose(question)])
