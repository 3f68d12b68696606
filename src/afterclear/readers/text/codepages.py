"""Which codepage bytes are in that are no UTF-8: several are compared on the letters they give.

A codepage is right if its letters beyond a to z belong to one language and are where letters
belong. Codepages that give the same text count as one. If two give different texts that are equally
good, the file's plain words decide; otherwise the encoding must be stated.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass

from afterclear.readers.text.languages import LETTERS, language_of

# Those of the languages served, in the order in which they are met; of equal ones the first.
USUAL = (
    *("cp1252", "cp1250", "iso8859-15", "iso8859-2", "cp850", "cp852", "mac-roman", "mac-latin2"),
    *("cp437", "cp858"),
)
_HEAD = 1 << 18  # bytes that the detection library examines
_MOST = 200_000  # characters that are weighed
_BEYOND = re.compile(r"[^\x00-\x7f]")
# Signs beside letters that people write.
_SIGNS = frozenset("€£§°µ²³½¼¾«»„“”‚‘’–—…·•¿¡ªº©®™№\u00a0\u00ad\u202f")  # noqa: RUF001
_BETWEEN_LETTERS = frozenset("\u2019\u00ad\u00a0·")
_NEAR = 0.02  # scores nearer than this are the same


@dataclass(frozen=True, slots=True)
class Codepage:
    """A codepage, the text it gives, and others that give another text as good."""

    name: str
    text: str
    rivals: tuple[str, ...] = ()


def codepage_of(raw: bytes) -> Codepage:
    """Find the codepage of bytes that are no UTF-8."""
    texts: dict[str, str] = {}
    for name in _candidates(raw):
        try:
            texts.setdefault(raw.decode(name), name)
        except (UnicodeDecodeError, LookupError):
            continue
    if not texts:
        return Codepage("latin-1", raw.decode("latin-1"))
    scored = {text: _best_language(text) for text in texts}
    best = max(texts, key=lambda text: scored[text][0])
    near = [t for t in texts if scored[best][0] - scored[t][0] < _NEAR]
    if len(near) > 1:
        own = {t: language_of([_plain(t)]) for t in near}
        fitting = [t for t in near if own[t] and own[t] == scored[t][1]]
        near = fitting or [t for t in texts if own.get(near[0]) and _has_signs_only(t)] or near
        # nobody writes one of these languages in a codepage made for another
        near = [t for t in near if texts[t] in USUAL] or near
        best = near[0]
    rivals = tuple(texts[t] for t in near if t != best)
    return Codepage(texts[best], best, rivals)


def _has_signs_only(text: str) -> bool:
    """Whether all that is no letter of English is a sign by itself, as a price's, and no letter."""
    found = [at.start() for at in _BEYOND.finditer(text[:_MOST])]
    return all(
        text[at] in _SIGNS and not (text[max(at - 1, 0) : at] + text[at + 1 : at + 2]).isalpha()
        and not text[at + 1 : at + 2].isalpha() and not text[max(at - 1, 0) : at].isalpha()
        for at in found
    )  # fmt: skip


def _candidates(raw: bytes) -> Iterator[str]:
    yield from USUAL
    # slow to start, and few files need it
    from charset_normalizer import from_bytes  # noqa: PLC0415

    for match in from_bytes(raw[:_HEAD]):
        if not match.encoding.startswith(("utf", "ascii")):
            yield match.encoding


def _plain(text: str) -> str:
    """Give the words of a text that any codepage reads alike."""
    words = re.findall(r"[^\W\d_]+", text[:_MOST])
    return " ".join(word for word in words if word.isascii())


def _best_language(text: str) -> tuple[float, str]:
    """Score a reading by the language its letters fit best."""
    beyond = [found.start() for found in _BEYOND.finditer(text[:_MOST])]
    if not beyond:
        return 1.0, ""
    return max((sum(_weight(text, at, own) for at in beyond) / len(beyond), language)
               for language, own in LETTERS.items())  # fmt: skip


def _weight(text: str, at: int, letters: frozenset[str]) -> float:
    letter = text[at]
    if letter in letters:  # a capital behind a small letter is none that a person wrote
        return -1.0 if letter.isupper() and text[max(at - 1, 0)].islower() else 1.0
    beside = text[max(at - 1, 0) : at] + text[at + 1 : at + 2]
    is_within = len(beside) == 2 and beside.isalpha()  # noqa: PLR2004 - one on each side
    if letter in _SIGNS and (not is_within or letter in _BETWEEN_LETTERS):
        return 0.9
    return -1.0
