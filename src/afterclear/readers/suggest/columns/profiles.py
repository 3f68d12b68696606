"""One column's profile: what its heading may mean, its distinct values, what they fit."""

import re
from collections import defaultdict
from collections.abc import Callable, Mapping
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from functools import cached_property
from types import MappingProxyType

import polars as pl

from afterclear.catalogue.codes import NormalCode, normal_code, says_none, split_codes
from afterclear.catalogue.folded_words import words_of
from afterclear.catalogue.names_in_text import plain_id, without_country
from afterclear.readers.maps.heading_words import HeadingWords
from afterclear.readers.maps.source_table import LINE

MOST_VALUES = 2000  # distinct ones that are examined
_SHORTEST = 6  # characters of a plate or VIN that is sought anywhere in a text
_VIN = re.compile(r"[A-HJ-NPR-Z0-9]{17}", re.IGNORECASE)
_VIN_LIKE = re.compile(r"(?=.*\d)(?=.*[A-Z])[A-Z0-9]{16,18}", re.IGNORECASE)
# Plates of the countries whose languages are served (registration rules, from memory): letters
# and digits in two to four groups, seven or eight characters at most.
_PLATES = tuple(
    re.compile(shape)
    for shape in (
        r"[A-ZÄÖÜ]{1,3}[- ][A-Z]{1,2}[- ]?\d{1,4}[EH]?",  # de
        r"[A-Z]{2}-\d{3}-[A-Z]{2}",  # fr
        r"\d{1,4} [A-Z]{2,3} \d{2}",  # fr, before 2009
        r"\d{4}[ -]?[BCDFGHJKLMNPRSTVWXYZ]{3}",  # es
        r"[A-Z]{2,3} [A-Z0-9]{4,5}",  # pl
        r"[A-Z]{2}\d{2} ?[A-Z]{3}",  # gb
    )
)
_CODE_WORD = re.compile(r"[PCBU][0-3][0-9A-F]{3}(?:[-:][0-9A-F]{2}|[0-9A-F]{2})?", re.IGNORECASE)
_PARTED = re.compile(r"\s*[;|\n]\s*|\s+[/+]\s+")
_SPN_WORD = re.compile(r"SPN\s*:?\s*\d+", re.IGNORECASE)
_BARE_CODE = re.compile(r"[0-9A-F]{3,6}(?:[-/.]\d{1,2})?", re.IGNORECASE)
_UNIT_MARKS = re.compile(r"[(\[][^)\]]*[)\]]")
# What is said of a memory under a heading that names one: Fehlerspeicher, leer.
_MEMORY = re.compile(r"(?i)speicher|memor|m[ée]moire|pami[eę]|pamiec")
_EMPTY = {"empty", "leer", "vide", "vacío", "vacía", "vacio", "vacia", "pusta", "pusty"}
_GENERIC = {
    "id", "name", "value", "text", "number", "code", "#text", "no", "nr", "@id", "@name", "*",
}  # fmt: skip
WORDS_OF_TEXT = 2.0  # words of a cell on average from which a column is free text


@dataclass(frozen=True)
class Known:
    """What the store knows: vehicles' numbers, VINs and plates as they are compared."""

    numbers: AbstractSet[str] = frozenset()
    vins: AbstractSet[str] = frozenset()
    plates: AbstractSet[str] = frozenset()
    # VIN or plate -> the numbers of the vehicles that have or had it
    owners: Mapping[str, AbstractSet[str]] = field(default_factory=dict)
    # number as it is compared -> as the vehicle list writes it, where it is one vehicle's only
    written: Mapping[str, str] = field(default_factory=dict)

    def role_of(self, text: str) -> str:
        """Say as what a text names a known vehicle: vehicle_id, vin, plate; empty: it does not."""
        plain = plain_id(text)
        named = {"vehicle_id": self.numbers, "vin": self.vins, "plate": self.plates}
        return next((role for role, own in named.items() if plain and plain in own), "")

    def names_of(self, name: str) -> set[str]:
        """List every name of the vehicles that have a name, itself among them."""
        vehicles = {name, *self.owners.get(name, ())}
        return vehicles.union(*(self._names_of_number.get(each, ()) for each in vehicles))

    def named_within(self, text: str) -> set[str]:
        """List the VINs and plates that stand anywhere in a text, all written as compared."""
        return {
            piece
            for n, names in self._by_length.items()
            for at in range(len(text) - n + 1)
            if (piece := text[at : at + n]) in names
        }

    @cached_property
    def _names_of_number(self) -> Mapping[str, set[str]]:
        found: defaultdict[str, set[str]] = defaultdict(set)
        for name, numbers in self.owners.items():
            for number in numbers:
                found[number].add(name)
        return found

    @cached_property
    def _by_length(self) -> Mapping[int, set[str]]:
        found: defaultdict[int, set[str]] = defaultdict(set)
        for name in (*self.vins, *self.plates):
            if len(name) >= _SHORTEST:
                found[len(name)].add(name)
        return found


@dataclass
class Profile:
    """One column of a file."""

    heading: str
    at: int  # place from the left
    cells: list[str]  # of the first rows, '' where empty
    meant: Mapping[str, float]  # plain column or helper -> how strongly the heading points to it
    unit_below: str = ""  # a unit that stands below the heading, in a row of units
    # how an odometer's cells were written, where that was in two ways; its cells here are plain
    about: tuple[str, ...] = ()  # cells that say about so much
    marks: str = ""  # marks that part its thousands, one as good as another

    @cached_property
    def values(self) -> list[str]:
        """Distinct values that are not blank, in the order they come."""
        return list(dict.fromkeys(c for c in self.cells if c))[:MOST_VALUES]

    @cached_property
    def filled(self) -> float:
        """Share of rows that have a value."""
        return sum(map(bool, self.cells)) / len(self.cells) if self.cells else 0.0

    @cached_property
    def words_each(self) -> float:
        """Words of a value on average."""
        return sum(len(v.split()) for v in self.values) / len(self.values) if self.values else 0.0

    def share(self, fits: Callable[[str], object]) -> float:
        """Give the share of distinct values that fit."""
        return sum(bool(fits(v)) for v in self.values) / len(self.values) if self.values else 0.0

    def says_empty(self, value: str) -> bool:
        """Whether a value says that a memory is empty, under a heading that names a memory."""
        return self.names_memory and value.casefold() in _EMPTY

    @property
    def names_memory(self) -> bool:
        """Whether the heading names a fault memory."""
        return bool(_MEMORY.search(self.heading))

    def means(self, *names: str) -> float:
        """How strongly the heading points to one of these."""
        return max((self.meant.get(name, 0.0) for name in names), default=0.0)

    @property
    def is_text(self) -> bool:
        """Whether it holds sentences."""
        return self.words_each >= WORDS_OF_TEXT


_WITH_LETTER_O = re.compile(r"[PCBU][0-3O][0-9A-FO]{3}")


def profiles_of(
    frame: pl.DataFrame, words: HeadingWords, units: Mapping[str, str] = MappingProxyType({})
) -> list[Profile]:
    """Look at each column of a table; ``units``: heading -> the unit below it."""
    return [
        Profile(
            name,
            at,
            [(c or "").strip() for c in frame[name]],
            heading_meanings(name, words),
            units.get(name, ""),
        )
        for at, name in enumerate(n for n in frame.columns if n != LINE)
    ]


def heading_meanings(heading: str, words: HeadingWords) -> dict[str, float]:
    """Give a heading's possible meanings: whole, without its unit in brackets, or a path's end."""
    found: dict[str, float] = {}
    for spelled, weight in _spellings(heading):
        for name, sure in words.of_heading(spelled).items():
            found[name] = max(found.get(name, 0.0), sure * weight)
    return found


def _spellings(heading: str) -> list[tuple[str, float]]:
    parts = [p.lstrip("@") for p in heading.split(".") if p]
    last = parts[-1] if parts else heading
    plain = _UNIT_MARKS.sub(" ", last).strip() or last
    no_number = re.sub(r"[\s_#.-]*\d+$", "", plain)
    apart = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", plain)  # isActive
    spelled = [(last, 1.0), (plain, 1.0), (no_number, 0.95), (apart, 1.0)]
    if len(parts) > 1:
        spelled += [(f"{parts[-2]} {last}", 1.0), (heading, 1.0)]  # a path, or Auftr.-Nr.
        if last.casefold() in _GENERIC:
            # the generic end means nothing by itself; its parent's name does
            parent = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", parts[-2])
            return [(f"{parts[-2]} {last}", 1.0), (parts[-2], 1.0), (parent, 1.0)]
    return [(s, w) for s, w in spelled if s]


# --- what values look like ----------------------------------------------------------------------


def is_vin(value: str) -> bool:
    """Recognise 17 characters of a VIN with letters and digits."""
    text = plain_id(value)
    return bool(_VIN.fullmatch(text)) and any(c.isdigit() for c in text) and not text.isdigit()


def is_vin_like(value: str) -> bool:
    """Recognise a VIN, with or without a typing error."""
    return is_vin(value) or bool(_VIN_LIKE.fullmatch(plain_id(value)))


def is_plate(value: str) -> bool:
    """Recognise a text in the form of a registration plate."""
    return any(shape.fullmatch(value.strip().upper()) for shape in _PLATES)


def is_codes(value: str) -> bool:
    """Recognise codes known by their letters or words, with or without a word behind each."""
    alone = normal_code(value)
    if isinstance(alone, NormalCode) and alone.space != "maker":
        return True  # P 0301, too, which as a list would be two words
    words = code_words(value)
    pieces = [piece for piece in _PARTED.split(value.strip()) if piece]  # each a code and its text
    begin = len(words) == len(pieces) and all(map(_CODE_WORD.match, pieces))
    return begin or (bool(words) and not _left_over(value))


def with_figure_0(value: str) -> str:
    """Spell a code that has the letter O for the figure 0; empty: it is none.

    O is no hex digit, so such a text has one reading; a word without any figure is a word.

    >>> with_figure_0("PO3O1"), with_figure_0("COCOA")
    ('P0301', '')
    """
    text = value.strip().upper()
    if "O" not in text or not _WITH_LETTER_O.fullmatch(text) or not any(map(str.isdigit, text)):
        return ""
    return text.replace("O", "0")


def is_a_code(value: str) -> bool:
    """Recognise one two-byte code and nothing else."""
    return bool(re.fullmatch(r"[PCBU][0-3][0-9A-F]{3}(?:-[0-9A-F]{2})?", value.strip()))


def has_code(value: str) -> bool:
    """Recognise a text with a fault code somewhere in it."""
    return bool(code_words(value))


def code_words(value: str) -> list[str]:
    """List the fault codes of a text that are unmistakable by themselves."""
    found = []
    for word in split_codes(re.sub(r"[()\[\]]", " ", value)):
        spelled = normal_code(word)
        if isinstance(spelled, NormalCode) and spelled.space != "maker":
            found.append(word)
    return found


def _left_over(value: str) -> bool:
    """Whether there are more words beside the codes than a status each."""
    rest = _SPN_WORD.sub(" ", _CODE_WORD.sub(" ", value))
    words = re.findall(r"[^\W\d_]{2,}", rest)
    return len(words) > 2 * len(code_words(value)) + 1


def is_bare_code(value: str) -> bool:
    """Recognise a number that may be a code, under a heading that says so."""
    return bool(_BARE_CODE.fullmatch(value.strip())) and any(c.isdigit() for c in value)


def is_silent_word(value: str, words: HeadingWords) -> bool:
    """Recognise words for a unit that did not answer; one alone, as *no*, may deny anything."""
    is_told = words.of_word("ecu_response", value) == "no_answer" or says_silence(value, words)
    return is_told and len(words_of(value)) > 1 and not is_none_word(value)


def says_silence(value: str, words: HeadingWords) -> bool:
    """Whether a text says anywhere that something did not answer."""
    return bool(words.of_beginning("silence", value, anywhere=True)) and not has_code(value)


def is_none_word(value: str) -> bool:
    """Recognise a word for "no code is stored"."""
    return says_none(value)


def names_places(profile: Profile, words: HeadingWords) -> float:
    """Give the share of values that are places on a vehicle: front right, cyl. 3, both."""

    def is_place(value: str) -> bool:
        named = [word for word in words_of(value) if not word.isdecimal()]
        return bool(named) and all(words.of_beginning("place", word) for word in named)

    return profile.share(is_place)


def id_shape(value: str) -> str:
    """Give the pattern of a short identifier: V-014 is A-9; empty: it is none."""
    if not re.fullmatch(r"[\w./ #-]{1,20}", value) or not any(c.isdigit() for c in value):
        return ""
    return re.sub(r"9+", "9", re.sub(r"[^\W\d_]", "A", re.sub(r"\d", "9", value)))


def known_plates(profile: Profile, known: AbstractSet[str]) -> float:
    """Give the share of values that are plates the store knows, a country's sign before or not."""
    if not known:
        return 0.0
    return profile.share(lambda v: plain_id(v) in known or without_country(v) in known)


def known_share(profile: Profile, known: AbstractSet[str]) -> float:
    """Give the share of values that the store knows."""
    return profile.share(lambda v: plain_id(v) in known) if known else 0.0
