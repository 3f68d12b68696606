"""Spellings of one code brought to a single normal form.

What belongs here: how a code may be *written*.  What it *means* is in ``catalogue``.

Normal forms::

    P0301            two-byte code (SAE J2012); second character 0-3, then three hex digits
    C0034-11         the same with a failure type byte
    C0200/31         the same with a sub-code of the maker that is kept, not decoded
    C0200-11/31      both
    SPN 100 FMI 4    J1939-73; ``SPN 100`` where the source names no FMI
    acme:40417       a maker's own numbering, ``unknown:40417`` where the make is not known

Traps, and what is decided:

* Third to fifth character are hex: ``P0A7F`` and ``C003A`` are codes.
* Failure type 00 says "no sub-type" and is dropped: one tool prints ``P0301-00`` where another
  prints ``P0301`` for the same fault.  A sub-code 00 is dropped likewise.
* Only ``-``, ``:``, the joined three-byte form (``C003411``) and an explicit failure type
  column are read as a failure type.  ``C0200/31`` is a blink code and ``C0035 0F`` an older
  symptom byte with other meanings, so ``/``, a space or brackets make a *sub-code*, spelled
  with ``/`` in the normal form.
* ``P0000``, ``SPN 0 FMI 0``, ``none``, ``kein Fehler`` and the like say that nothing is stored.
* ``100/4`` is SPN 100 FMI 4 only if the text or the make says J1939; so is ``3216-31``.
* ``0301`` is P0301 without its letter, or a maker's number: nothing decides, so it is refused.
* A decimal number loses leading zeros, as spreadsheets drop them anyway.
"""

import re
import unicodedata
from dataclasses import dataclass
from typing import Literal, TypeAlias

from afterclear.catalogue.folded_words import without_accents
from afterclear.errors import Worded, worded

Space: TypeAlias = Literal["standard", "j1939", "maker"]

MAX_SPN = (1 << 19) - 1  # 19 bits, SAE J1939-73
MAX_FMI = (1 << 5) - 1  # 5 bits, SAE J1939-73


@dataclass(frozen=True, slots=True)
class NormalCode:
    """One code in its normal spelling, and its parts."""

    code: str  # the normal spelling
    space: Space  # standard: letter and four digits, whoever owns the number
    base: str  # the code without failure type, FMI and sub-code: P0301, SPN 100, acme:40417
    failure_type: str | None = None  # two hex digits, upper case; None: no sub-type given
    sub_code: str | None = None  # blink code or symptom byte of the maker, not decoded
    spn: int | None = None  # J1939 only
    fmi: int | None = None  # J1939 only; None: the source names none
    make: str | None = None  # namespace of a maker's number, lower case; unknown if not known


@dataclass(frozen=True, slots=True)
class Refusal:
    """A text that is no code."""

    text: str
    expected: str  # one sentence a person can act on
    says_none: bool = False  # it is filler, or words for "no code is stored"


_A_CODE = worded("a code such as P0301, C0034-11, SPN 100 FMI 4 or make:40417")
_NONE_STORED = worded(
    "a code such as P0301, C0034-11, SPN 100 FMI 4 or make:40417; leave the cell empty where no "
    "code is stored"
)
_FAILURE_TYPE = worded("a failure type of two hex digits such as 11 or 1F")
_FMI = worded("an FMI from 0 to {most}", most=MAX_FMI)


def _filler(what: str) -> Worded:
    return worded("{none_stored} ({what} is filler)", none_stored=_NONE_STORED, what=what)


def _in_its_column(what: Worded, found: str) -> Worded:
    return worded("{what} in the failure type column, not {found!r}", what=what, found=found)


_LONGEST = 100  # characters; the longest spelling we know has about 40


def _set_of(words: str) -> frozenset[str]:
    return frozenset(words.split())


_DASHES = dict.fromkeys(map(ord, "\u2010\u2011\u2012\u2013\u2014\u2212\uff0d"), "-")
_FORMAT_ONLY = dict.fromkeys(map(ord, "\u200b\u200c\u200d\u2060\ufeff\u00ad"), None)
_LEAD_WORDS = re.compile(
    r"^(?:DTC|(?:FAULT |TROUBLE |ERROR )?CODE|FAULT|FEHLER(?:CODE)?)\b[ :#.]*(?=.)"
)
# How an empty memory is put into words (common practice, no source): a word that denies, alone or
# before words for what there is none of; or a word that says it all.  "n/a" may mean "not read".
# Words are folded less than elsewhere: "brake" is no "brak", which is Polish for none.
_DENIES = _set_of(
    "no none nil zero kein keine keiner keinerlei ohne sin ningun ninguno ninguna aucun aucune "
    "pas sans neant brak bez 0"
)
_OF_THESE = _set_of(
    "code codes dtc dtcs fault faults trouble error errors stored found present detected active "
    "fehler fehlercode fehlercodes fehlereintrag eintrag eintrage eintragen gespeichert vorhanden "
    "befund falla fallas fallo fallos averia averias codigo codigos errores almacenado almacenados "
    "defaut defauts erreur erreurs enregistre memorise panne de d blad bledy bledow kod kody kodow "
    "usterka usterki usterek zapisanych in memory im speicher"
)
_ALL_IS_WELL = frozenset(
    {
        *("ok", "o k", "pass", "passed", "clean", "i o", "io", "in ordnung", "fehlerfrei", "ras"),
        *("fehlerspeicher leer", "speicher leer", "r a s", "memory empty", "sin novedad"),
        *("memoria vacia", "memoire vide", "pamiec pusta", "o b"),
    }
)
_MARKS_NONE = re.compile(r"[-\u2013\u2014_./*]{1,10}|0+")  # dashes of any length

_STANDARD = re.compile(r"([PCBU])[ ._-]?([0-3][0-9A-F]{3})(?![G-Z])(.*)", re.ASCII | re.DOTALL)
_HEX_BYTES = re.compile(r"(?:0X|\$)([0-9A-F]{4})([0-9A-F]{2})?", re.ASCII)
_SUFFIX = re.compile(
    r"""(?:
        (?P<joined>[0-9A-F]{2})
      | [ ]?[-:][ ]?(?P<marked>[0-9A-F]{2})
      | [ ]?(?:FTB|FT|FAILURE[ ]TYPE)[ :=]?(?P<named>[0-9A-F]{2})
    )?
    (?:
        [ ]?/[ ]?(?P<blink>[0-9A-F]{1,3})
      | [ ](?:SYM(?:PTOM)?[ ])?(?P<spaced>[0-9A-F]{2})
      | [ ]?\((?P<bracketed>[0-9A-F]{2})\)
    )?""",
    re.ASCII | re.VERBOSE,
)

_GAP = r"[ :=#]*"
_BETWEEN = r"[ ,;:/_.+-]*"
_TAIL = r"(?:[ ,;/]*(?:OC|CM|COUNT)[ :=#]*\d{1,3})*"
_LEAD = rf"(?:J1939{_BETWEEN})?"
_SPN = rf"SPN{_GAP}(?P<spn>\d{{1,8}})"
_FMI_WORD = rf"FMI{_GAP}(?P<fmi>\d{{1,3}})"
_SPN_FORMS = tuple(
    re.compile(form, re.ASCII)
    for form in (
        rf"{_LEAD}{_SPN}(?:{_BETWEEN}{_FMI_WORD})?{_TAIL}",
        rf"{_LEAD}{_FMI_WORD}{_BETWEEN}{_SPN}{_TAIL}",
        rf"{_LEAD}{_SPN} ?[/.,:-] ?(?P<fmi>\d{{1,2}})",
        r"J1939[ :-]*(?P<spn>\d{1,8})(?: ?[/.,:-] ?| )(?P<fmi>\d{1,2})",
    )
)
_SPN_BARE = re.compile(r"(?P<spn>\d{1,8})(?:(?: ?[/.,:-] ?| )(?P<fmi>\d{1,2}))?", re.ASCII)

_NUMBER = re.compile(
    r"([A-Z]{0,4}[0-9][0-9A-Z]{0,9})(?:\.0)?(?:[-:]([0-9A-F]{2}))?(?:/([0-9A-Z]{1,4}))?", re.ASCII
)
_NUMBER_OF_MAKE = re.compile(
    r"([0-9A-Z]{1,14})(?:\.0)?(?:[-:]([0-9A-F]{2}))?(?:/([0-9A-Z]{1,4}))?", re.ASCII
)
_WORDS_OF_LIST = re.compile(
    r"SPN[ :=#]*\d+(?:[ ,:/_.+-]*FMI[ :=#]*\d+|[/.-]\d{1,2}\b)?"
    r"|(?:[^\s,;|+/]|[+/](?![PCBU][0-3][0-9A-F]{3}))+",  # P0171+P0174
    re.ASCII | re.IGNORECASE,
)
_RESERVED_MAKES = {"spn", "fmi", "dtc", "code", "fault"}
_LOOKS_STANDARD = re.compile(
    r"[PCBU][ ._-]?(?:[0-3OI][0-9A-FOIQ]{3}.*|[0-9A-FOIQ]{3,8}(?:\W.*)?)", re.ASCII | re.DOTALL
)
_LOOKS_J1939 = re.compile(r"\d{1,6} ?/ ?\d{1,2}", re.ASCII)
_J1939_WITH_DASH = re.compile(r"(\d{2,6})-(\d{1,2})", re.ASCII)
_STANDARD_WITHOUT_LETTER = re.compile(r"0[0-9A-F]{3}", re.ASCII)
_DIGITS_FOR_LETTERS = str.maketrans("OIQ", "010")


def normal_code(
    text: str, failure_type: str | None = None, make: str | None = None
) -> NormalCode | Refusal:
    """Spell a code in its normal form, or say what was expected.  Never raises.

    ``failure_type`` is an explicit column: two hex digits for a two-byte code, the decimal FMI
    for an SPN.  ``make`` is the vehicle's make, the namespace of a maker's own numbers; the
    word ``j1939`` there lets a bare ``100/4`` be read as SPN and FMI.

    >>> normal_code("p0301-00").code
    'P0301'
    >>> normal_code("C0034:11").code, normal_code("C0034 11").code
    ('C0034-11', 'C0034/11')
    >>> normal_code("spn:100,fmi:4").code
    'SPN 100 FMI 4'
    >>> normal_code("40417", make="Acme").code
    'acme:40417'
    """
    if len(text) > _LONGEST:
        return Refusal(
            text, worded("{a_code}, not a text of {n} characters", a_code=_A_CODE, n=len(text))
        )
    cleaned = _cleaned(text)
    upper = _LEAD_WORDS.sub("", cleaned.upper()).strip()
    type_text = _cleaned(failure_type or "").upper()
    if not upper or says_none(cleaned):
        return Refusal(text, _NONE_STORED, says_none=True)
    if (found := _STANDARD.fullmatch(upper)) and (suffix := _SUFFIX.fullmatch(found[3])):
        return _standard(text, f"{found[1]}{found[2]}", suffix, type_text)
    if found := _HEX_BYTES.fullmatch(upper):
        suffix = _SUFFIX.fullmatch(found[2] or "")
        return _standard(text, code_of_word(int(found[1], 16)), suffix, type_text)
    for form in (*_SPN_FORMS, *((_SPN_BARE,) if (make or "").casefold() == "j1939" else ())):
        if found := form.fullmatch(upper):
            return _j1939(text, found, type_text)
    return _maker(text, cleaned, type_text, make)


def says_none(text: str) -> bool:
    """Whether a text says that no code is stored, in one of the languages served.

    >>> says_none("kein Fehler"), says_none("---"), says_none("0000"), says_none("n/a")
    (True, True, True, False)
    """
    if _MARKS_NONE.fullmatch(text.strip()):
        return True
    words = re.findall(r"\w+", without_accents(text[:_LONGEST]))
    if " ".join(words) in _ALL_IS_WELL:
        return True
    return bool(words) and words[0] in _DENIES and _OF_THESE.issuperset(words[1:])


def split_codes(cell: str) -> tuple[str, ...]:
    """Split a cell with several codes at spaces, commas and the like; SPN and FMI stay together.

    A failure type must touch its code here: ``C0034 11`` in a list is two words.

    >>> split_codes("P0301, C0034-11;SPN 100 FMI 4")
    ('P0301', 'C0034-11', 'SPN 100 FMI 4')
    >>> split_codes("P0171+P0174")
    ('P0171', 'P0174')
    """
    return tuple(found[0] for found in _WORDS_OF_LIST.finditer(cell))


def code_of_word(word: int) -> str:
    """Spell the 16 bits of a two-byte code (SAE J2012): letter, 0-3, three hex digits.

    >>> code_of_word(0x0133), code_of_word(0xC100)
    ('P0133', 'U0100')
    """
    return f"{'PCBU'[word >> 14 & 3]}{word >> 12 & 3}{word & 0xFFF:03X}"


def _cleaned(text: str) -> str:
    """Text with one kind of dash and space, without wrapping marks."""
    plain = unicodedata.normalize("NFKC", text).translate(_FORMAT_ONLY).translate(_DASHES)
    plain = " ".join(plain.split())
    if plain[:1] in "([" and plain[-1:] in ")]":
        plain = plain[1:-1]
    return plain.strip(" \"'`*.,;")


def _standard(
    text: str, base: str, suffix: re.Match[str] | None, type_text: str
) -> NormalCode | Refusal:
    """Join base, failure type and sub-code of a two-byte code."""
    if base == "P0000":
        return Refusal(text, _filler("P0000"), says_none=True)
    parts = suffix.groupdict() if suffix else {}
    written = parts.get("joined") or parts.get("marked") or parts.get("named")
    sub_code = parts.get("blink") or parts.get("spaced") or parts.get("bracketed")
    explicit = _hex_pair(type_text)
    if explicit is None:
        return Refusal(text, _in_its_column(_FAILURE_TYPE, type_text))
    if explicit and written and explicit != written:
        said = worded(
            "the same failure type in code and column, not {other} as well", other=explicit
        )
        return Refusal(text, said)
    if explicit and sub_code == explicit:
        sub_code = None  # the column says what the suffix is
    kind = explicit or written
    kind = None if kind == "00" else kind
    sub_code = None if sub_code in {"0", "00", "000"} else sub_code
    return NormalCode(
        code=base + (f"-{kind}" if kind else "") + (f"/{sub_code}" if sub_code else ""),
        space="standard",
        base=base,
        failure_type=kind,
        sub_code=sub_code,
    )


def _hex_pair(type_text: str) -> str | None:
    """Two hex digits of a failure type cell; empty for an empty cell; None for junk."""
    if not type_text:
        return ""
    digits = re.fullmatch(r"(?:0X|\$)?([0-9A-F]{1,2})(?:H|\.0)?", type_text, re.ASCII)
    return digits[1].rjust(2, "0") if digits else None


def _j1939(text: str, found: re.Match[str], type_text: str) -> NormalCode | Refusal:
    """Join SPN and FMI and check both against their bit lengths."""
    spn = int(found["spn"])
    written = found["fmi"]
    if type_text and not re.fullmatch(r"\d{1,3}(?:\.0)?", type_text, re.ASCII):
        return Refusal(text, _in_its_column(_FMI, type_text))
    explicit = type_text.removesuffix(".0")
    if explicit and written is not None and int(explicit) != int(written):
        return Refusal(
            text, worded("the same FMI in code and column, not {other} as well", other=explicit)
        )
    fmi_text = written if written is not None else explicit
    fmi = int(fmi_text) if fmi_text else None
    if spn > MAX_SPN:
        return Refusal(text, worded("an SPN from 1 to {most}", most=MAX_SPN))
    if fmi is not None and fmi > MAX_FMI:
        return Refusal(text, _FMI)
    if spn == 0 or (spn == MAX_SPN and fmi in {None, MAX_FMI}):
        return Refusal(text, _filler(f"SPN {spn}"), says_none=True)
    base = f"SPN {spn}"
    code = base if fmi is None else f"{base} FMI {fmi}"
    return NormalCode(code=code, space="j1939", base=base, spn=spn, fmi=fmi)


def _maker(text: str, cleaned: str, type_text: str, make: str | None) -> NormalCode | Refusal:
    """Read a number of a maker's own, with the namespace written before it or given."""
    head, colon, rest = cleaned.partition(":")
    namespace = _namespace(head) if colon else ""
    own_words = namespace and not re.search(r"\d", head)
    if namespace and (own_words or head.startswith("make-") or namespace == _namespace(make or "")):
        number, pattern = rest.strip(), _NUMBER_OF_MAKE
        if _STANDARD.fullmatch(number.upper()):
            return normal_code(number, type_text)  # the make precedes a code that needs none
    else:
        number, pattern = cleaned, _NUMBER
        namespace = _namespace(make or "") or "unknown"
    upper = _LEAD_WORDS.sub("", number.upper()).strip()
    if pattern is _NUMBER and _LOOKS_STANDARD.fullmatch(upper):
        return Refusal(text, _near_miss(upper))
    if pattern is _NUMBER and _LOOKS_J1939.fullmatch(upper):
        spelled = f"SPN {upper.replace('/', ' FMI ')}"
        said = worded(
            "{a_code}; if it is J1939, say so: {spelled}", a_code=_A_CODE, spelled=spelled
        )
        return Refusal(text, said)
    found = pattern.fullmatch(upper)
    is_bare = namespace == "unknown" and not colon
    doubt = _doubt_of_number(upper) if found and is_bare else ""
    if not found or doubt:
        return Refusal(text, doubt or _A_CODE)
    explicit = _hex_pair(type_text)
    if explicit is None or (explicit and found[2] and explicit != found[2]):
        said = worded(
            "{what}, the same in code and column, not {found!r}",
            what=_FAILURE_TYPE,
            found=type_text,
        )
        return Refusal(text, said)
    return _maker_code(text, namespace, found, explicit)


def _doubt_of_number(upper: str) -> str:
    """Say what else a number without a namespace may be; empty: nothing else."""
    if found := _J1939_WITH_DASH.fullmatch(upper):
        spn, fmi = found.groups()
        if 0 < int(spn) <= MAX_SPN and int(fmi) <= MAX_FMI:
            return worded(
                "{a_code}; if it is J1939, say so: {spelled}; if it is a maker's number, "
                "make:{number}",
                a_code=_A_CODE,
                spelled=f"SPN {int(spn)} FMI {int(fmi)}",
                number=upper,
            )
    if _STANDARD_WITHOUT_LETTER.fullmatch(upper):
        return worded(
            "{a_code}; perhaps P{number} is meant; if it is a maker's number, make:{number}",
            a_code=_A_CODE,
            number=upper,
        )
    return ""


def _maker_code(
    text: str, namespace: str, found: re.Match[str], explicit: str
) -> NormalCode | Refusal:
    """Join namespace, number, failure type and sub-code."""
    number = found[1]
    if number.isdecimal():
        number = number.lstrip("0")
    if not number:
        return Refusal(text, _filler("0"), says_none=True)
    kind: str | None = explicit or found[2] or ""
    kind = None if kind in {"", "00"} else kind
    base = f"{namespace}:{number}"
    code = base + (f"-{kind}" if kind else "") + (f"/{found[3]}" if found[3] else "")
    return NormalCode(
        code=code, space="maker", base=base, failure_type=kind, sub_code=found[3], make=namespace
    )


def _namespace(make: str) -> str:
    """Lower-case word for a make; empty if it has no letter or digit.

    A make with a digit, or named like a word of a spelling, gets ``make-`` before it, so that
    its codes are never read as anything else: ``make-4x:123``.
    """
    folded = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", make).casefold())
    word = re.sub(r"[\W_]+", "-", folded).strip("-")
    if not word or word.startswith("make-"):
        return word
    risky = bool(re.search(r"\d", word)) or word in _RESERVED_MAKES
    return f"make-{word}" if risky else word


def _near_miss(upper: str) -> str:
    """Say what is wrong with a text that begins like a two-byte code."""
    repaired = upper[0] + upper[1:].lstrip(" ._-")[:4].translate(_DIGITS_FOR_LETTERS)
    if _STANDARD.fullmatch(repaired) and not upper.startswith(repaired):
        return worded(
            "{a_code}; perhaps {repaired} is meant, with digits for the letters O, I or Q",
            a_code=_A_CODE,
            repaired=repaired,
        )
    return worded(
        "one of the letters P, C, B, U, then 0-3, three hex digits and at most a failure type, "
        "such as P0301 or C0034-11; a description or status belongs in its own column"
    )
