"""A work order's text cut into words and sentences, whatever punctuation a workshop uses."""

import re
from typing import Final

from afterclear.catalogue.order_words.in_plain import in_plain
from afterclear.catalogue.order_words.letters import ELISION, folded_word
from afterclear.catalogue.order_words.separable import joined_verbs
from afterclear.catalogue.order_words.vocabulary import (
    ASKED,
    BOTH_SIDES,
    GERMAN,
    NO_SENSE,
    SENTENCE,
    TYPO_FROM,
    Vocabulary,
    Word,
)

_R_AND_R = re.compile(r"\br\s*[&+]\s*r\b", re.IGNORECASE)
# letters apart by full stops or strokes: v.l., N/S/F
_INITIALS = re.compile(r"\b([^\W\d_])(?:[./]([^\W\d_]))(?:[./]([^\W\d_]))?\b(?![./]?\w)\.?")
# both sides of an axle
_LEFT = "l|li|lh|links|left|g|gauche|izq|izda|izdo|i|lewy|lewa|lewe|lewego|ns|n/s"
_RIGHT = "r|re|rh|rechts|right|d|droit|droite|dcha|dcho|der|p|prawy|prawa|prawe|prawego|os|o/s"
_AND = r"\s*(?:\.?\s*[+&]|\.?\s+(?:u\.?|und|and|y|et|i|oraz))\s*"
_BOTH = re.compile(
    rf"\b(?:(?:{_LEFT}){_AND}(?:{_RIGHT})|(?:{_RIGHT}){_AND}(?:{_LEFT}))\b", re.IGNORECASE
)
_DEPTH: Final = {"(": 1, "[": 1, ")": -1, "]": -1}
_JOINS: Final = "&+"
_TOPIC: Final = ":"  # after what a text is about
_DASHES: Final = ("-", "\u2013", "\u2014")  # the same, after a few words
_SHOUTED_FROM: Final = 4  # letters of a word that may end a sentence in capitals
_KNOWN_FROM: Final = 4  # letters of a word known as written: no short form
_TITLE: Final = 3  # words
# cylinders one after the other: "cyl 1, 2 and 4", "Zyl. 1-4"; no measure after the last
_CYLINDERS = re.compile(
    r"\b((?:inj|iny|einspr|wtrysk|coil|bobin|zünds|spule|cew|glüh|glow|buj|boug|świec|kerz|calent"
    r"|plug)[^\W\d_]*(?:\s(?:de|d['\u2019])\s?[^\W\d_]+|\s(?:żarow|zapłon)[^\W\d_]+)?"
    r"|c[yi]l[^\W\d_]*\.?|zyl[^\W\d_]*\.?)\s*(?:(?:na|auf|an|on|sur|en)\s)?(?:n[or°º]\.?\s*)?(\d{1,2}"
    r"(?:\s*(?:[,;+&/-]|\b(?:and|und|et|y|i|e|to|bis|al|do|a)\b|\bà\b|\bu\.)\s*\d{1,2})+)"
    r"(?!\d|[.,]\d|\s*(?:kerz|zündk|plug|spark|świec|boug|buj|glow|glüh|inj|wtrysk|iny|new|nou"
    r"|neu)|\s*(?:%|\u00b0|nm\b|km\b|std\b|h\b|hrs\b|aw\b|x\b|bar\b|v\b|ohm|szt|uds|st\b|stk\b))",
    re.IGNORECASE,
)
_TWICE = re.compile(r"\b([^\W\d_]{2})[/-]\1\b", re.IGNORECASE)  # DC/DC
_NUMBER_SIGN = re.compile(r"[n№][°º](?=\s*\d)|#(?=\d{1,2}\b)", re.IGNORECASE)
_ADBLUE = re.compile(r"\bad[- ]blue\b", re.IGNORECASE)
_PRE = re.compile(r"\bpré-(?!cat)", re.IGNORECASE)  # "pré-chauffage" is one word
_BANK_SENSOR = re.compile(r"\bb\s?(\d)\s?[-/.,]?\s?s\s?(\d)\b", re.IGNORECASE)  # B1S2 (SAE J2012)
# how a thing was looked at, and no part: the ignition was on
_IGNITION_ON = re.compile(
    r"\b(?:key[- ]?on(?:[ ,/]+eng(?:ine)?[- ]off)?|koeo|koer|ign(?:ition)? on|con (?:el )?contacto"
    r"(?: dado| puesto)?|contacto (?:dado|puesto)|contact mis|sous contact|bei zündung (?:ein|an)"
    r"|zündung (?:ein|an)|na zapłonie|przy włączonym zapłonie)\b",
    re.IGNORECASE,
)
_OXYGEN = re.compile(r"\bo2\b(?=[\s-]*[^\W\d_])", re.IGNORECASE)  # no number of a sensor
_DEGREE = re.compile(r"\bt\s?°(?!\s?c\b)\.?", re.IGNORECASE)  # T°: temperature
_BUTTON_CELL = re.compile(r"\bcr[ -]?[12]\d{3}\b", re.IGNORECASE)  # IEC 60086-3: CR2032
# grades of gear oils (SAE J306); engine oils have 0W to 60 (SAE J300)
_GEAR_OIL = re.compile(r"\b(?:7[05]|8[05])\s?w[- /]?(?:8[05]|90|110|140|190|250)\b", re.IGNORECASE)
_AFTER_SIGN = re.compile(r"([%€°])\s*\.(?=\s|$)")  # "rear 50 %. Hoses ..."
# a first letter for a word: w/pump
_FIRST_LETTER = re.compile(r"\b([^\W\d_])/(?=[^\W\d_]{3})")
_TOKEN = re.compile(r"[^\W\d_]+|\d+|[.,;:!?|+&/()\[\]\n]|\s[-–—]+\s")  # noqa: RUF001
_WORD = re.compile(r"\s+([^\W\d_]+)")
_CLAUSE_ENDS = re.compile(r"\.\s*(?:[,;)]|$)")
_LONGEST_TEXT: Final = 1000
# after a number these measure: "12 km" is no "Kühlmittel"
_MEASURED: Final = {
    "km",
    "mm",
    "cm",
    "nm",
    "v",
    "a",
    "ah",
    "w",
    "bar",
    "mbar",
    "amps",
    "amp",
    "tkm",
    "l",
}
_LENGTHS: Final = {"mm", "cm", "nm", "km", "k", "v", "mi"}
_SPELLED: Final = {"mit", "nach"}  # for "m.", "n."
_SHORT_PLACE: Final = 4  # letters of a place, or of a name, cut short
_NO_ORDINALS: Final = {"en", "fr", "es"}  # languages in which no ordinal has a full stop
_ENDS_OF_SPAN: Final = 2
_SPAN = re.compile(r"-|\b(?:to|bis|à|al?|do)\b", re.IGNORECASE)  # between its ends


def words_in(text: str, vocabulary: Vocabulary) -> list[Word]:
    """Cut a text into words, with the breaks before them."""
    text = _spelled_out(text[:_LONGEST_TEXT], vocabulary)
    is_shouted = text.isupper()
    found = list(_TOKEN.finditer(text))
    words: list[Word] = []
    breaks, depth, begun, colon = 0, 0, 0, False
    for at, match in enumerate(found):
        token = match.group()
        if not token[0].isalnum():
            if token in _JOINS:
                words.append(Word(token, frozenset(), sure=True, breaks=breaks, aside=depth > 0))
                breaks = 0
                continue
            depth = max(0, depth + _DEPTH.get(token, 0))
            is_title = token.strip() in _DASHES and len(words) - begun <= _TITLE
            colon = colon or token in _TOPIC or is_title
            if token == ASKED and words[begun:]:
                words.append(Word(ASKED, frozenset(), sure=True))
            sign, after = token.strip(), text[match.end() :]
            after = after.lower() if is_shouted else after  # a capital begins no sentence
            breaks = max(breaks, _break(sign, after, words[begun:], vocabulary))
            if _closes(token, after, words[begun:], vocabulary):
                breaks = SENTENCE
            continue
        if breaks == SENTENCE:
            begun = len(words)
        dotted = at + 1 < len(found) and found[at + 1].group() == "."
        dotted = dotted and not (_is_acronym(token, text[match.end() + 1 :]) and not is_shouted)
        small = token.casefold()
        is_counted = bool(words) and words[-1].text.isdecimal()  # "5 l."
        small = vocabulary.dotted.get(small, small) if dotted and not is_counted else small
        if dotted and _CLAUSE_ENDS.match(text, match.end()):
            small = vocabulary.dotted.get(f"{small}.", small)
        if small in vocabulary.numerals and words and vocabulary.counts(words[-1].text):
            small = vocabulary.numerals[small]  # "cylinder three"
        is_measure = small in _MEASURED and bool(words) and words[-1].text.isdecimal()
        senses = [NO_SENSE] if is_measure else vocabulary.resolve(small, dotted=dotted)
        for stems, sure in senses:
            words.append(Word(small, stems, sure, breaks, depth > 0, token, colon))
            breaks, colon = 0, False
    return words


def _spelled_out(text: str, vocabulary: Vocabulary) -> str:
    """Write out what signs and single letters stand for."""
    text = ELISION.sub("", text)
    text = joined_verbs(text) if vocabulary.language == GERMAN else text
    text = in_plain(text, vocabulary.language)
    text = vocabulary.without_refitting(_R_AND_R.sub("replace", text))
    text = _DEGREE.sub(" temp ", _IGNITION_ON.sub(" ", _BUTTON_CELL.sub(" coincell ", text)))
    text = _GEAR_OIL.sub(" gearoil ", _ADBLUE.sub("adblue", text))
    text = _AFTER_SIGN.sub(r"\1;", text)
    text = _TWICE.sub(r"\1 \1", text)
    text = _PRE.sub("pré", _OXYGEN.sub(" lambda ", text))
    text = _BANK_SENSOR.sub(r"bank \1 sensor \2", text)
    text = _BOTH.sub(BOTH_SIDES, text)
    text = _NUMBER_SIGN.sub(" nr ", _CYLINDERS.sub(_each_cylinder, text))
    text = _INITIALS.sub(lambda m: "".join(g for g in m.groups() if g), text)
    return _FIRST_LETTER.sub(r"\1 ", text)


def _each_cylinder(told: re.Match[str]) -> str:
    """Write the word before each number: "cyl 1 cyl 2"; both ends of a span and what is between."""
    numbers = [int(n) for n in re.findall(r"\d+", told[2])]
    is_span = len(numbers) == _ENDS_OF_SPAN and bool(_SPAN.search(told[2]))
    is_span &= numbers[0] < numbers[-1]
    counted = range(numbers[0], numbers[1] + 1) if is_span else numbers
    is_axis = told[1][:3].casefold() in {"cyl", "cil", "zyl"}
    name, axis = ("", told[1]) if is_axis else (f"{told[1]} ", "cyl")
    return name + " ".join(f"{axis} {n}" for n in counted)


def _break(sign: str, after: str, sentence: list[Word], vocabulary: Vocabulary) -> int:
    """Say what a sign divides; a full stop may only cut a word short or follow a number."""
    before = sentence[-1].text if sentence else ""
    if sign != ".":
        is_decimal = sign == "," and before.isdecimal() and after[:1].isdecimal()  # "14,4 V"
        return SENTENCE if sign in ";!?|" or not sign else int(not is_decimal)
    if not sentence:
        return 0  # dots before the first word
    is_spelled = before in _SPELLED and sentence[-1].written.casefold() != before
    is_and = before == "u" and vocabulary.has_ordinals  # "Scheiben u. Beläge"
    if is_and or is_spelled or _goes_on_in_place(before, after, sentence, vocabulary):
        return 0  # "Ölwechsel m. Filter"
    if before.isdecimal():
        return _break_after_number(after, sentence, vocabulary)
    is_end = _is_acronym(sentence[-1].written, after) or _ends_plainly(sentence, after, vocabulary)
    if not after.strip() or is_end or _ends_in_place(before, after, vocabulary):
        return SENTENCE
    is_shouted = sentence[-1].written.isupper() and len(before) >= _SHOUTED_FROM
    is_capital = after.lstrip()[:1].isupper() or (is_shouted and after[:1].isspace())
    is_written_out = before != BOTH_SIDES and _is_written_out(sentence[-1], vocabulary)
    ends = is_capital or (is_written_out and after[:1].isspace())
    return SENTENCE if ends and vocabulary.is_whole(before) else 0


def _break_after_number(after: str, sentence: list[Word], vocabulary: Vocabulary) -> int:
    """Say what a full stop after a number divides: "cyl 4. Coil", not "3. Bremsleuchte"."""
    is_capital = after.lstrip()[:1].isupper() or vocabulary.language in _NO_ORDINALS
    if len(sentence) == 1 or not (after[:1].isspace() and is_capital):
        return 0
    is_ordinal = vocabulary.has_ordinals and not vocabulary.counts(sentence[-2].text)
    return 0 if is_ordinal else SENTENCE


def _goes_on_in_place(
    before: str, after: str, sentence: list[Word], vocabulary: Vocabulary
) -> bool:
    """Whether a place goes on or begins after a short form: "Bremslicht li. Birne", "dir. AVG"."""
    begun = _WORD.match(after)
    if begun is None:
        return False
    after_word = folded_word(begun[1].casefold())
    is_place = vocabulary.has_ordinals and begun[1].islower() and after_word in vocabulary.places
    if (after_word in vocabulary.corners or is_place) and sentence[-1].stems:
        is_name = before not in vocabulary.plain and before not in vocabulary.places
        if is_name and not _tells_work(sentence, vocabulary):
            return True  # "Raddrehzahlsens. vl gewechselt"
    if len(before) > _SHORT_PLACE or sentence[-1].written.isupper():
        return False
    if begun[1].isupper() and folded_word(begun[1].casefold()) in vocabulary.corners:
        return not (vocabulary.is_written(before) or before in vocabulary.plain)
    if len(begun[1]) == 1 and begun[1].isupper() and not vocabulary.has_ordinals:
        is_side = folded_word(begun[1].casefold()) in vocabulary.places  # "rotule inf. D"
        return is_side and before not in vocabulary.plain and not _tells_work(sentence, vocabulary)
    place = folded_word(before)
    is_side = place in vocabulary.places and place not in vocabulary.corners
    return vocabulary.has_ordinals and is_side and not _tells_work(sentence, vocabulary)


def _tells_work(sentence: list[Word], vocabulary: Vocabulary) -> bool:
    """Whether the last clause says what was done already, or how a thing is."""
    told = vocabulary.is_told
    begins = next((at for at in reversed(range(len(sentence))) if sentence[at].breaks), 0)
    words = [folded_word(w.text) for w in sentence[begins:]]
    return told is not None and any(told(w) or w in vocabulary.closers for w in words)


def _is_acronym(written: str, after: str) -> bool:
    """Whether capitals end a sentence: "ohne BEM. Danach", not "v. R. gereinigt".

    >>> _is_acronym("DPF", " Neu"), _is_acronym("DPF", " neu"), _is_acronym("Bel", " Neu")
    (True, False, False)
    """
    begun = _WORD.match(after)
    is_short = 1 < len(written) < _SHOUTED_FROM and written.isupper()
    return is_short and begun is not None and begun[1][0].isupper() and not begun[1].isupper()


def _ends_plainly(sentence: list[Word], after: str, vocabulary: Vocabulary) -> bool:
    """Whether a small word or a measure ends a sentence, however it goes on: "light on. plug"."""
    if not after[:1].isspace() or vocabulary.has_ordinals:
        return False
    word = sentence[-1]
    is_counted = len(sentence) > 1 and sentence[-2].text.isdecimal()
    is_whole = len(word.text) >= _KNOWN_FROM and vocabulary.is_whole(word.text)
    is_unit = word.text in _LENGTHS or is_whole
    is_measure = is_counted and is_unit  # "to 5 clicks. shoes 40 %"
    return is_measure or (word.text in vocabulary.plain and len(word.text) > 1)


def _is_written_out(word: Word, vocabulary: Vocabulary) -> bool:
    """Whether a word is no short form: long, or of four letters and known so."""
    size = len(word.written)
    is_long = size >= TYPO_FROM and vocabulary.is_whole(word.text)
    is_long = is_long and not vocabulary.is_cut(word.text)
    return is_long or (size >= _KNOWN_FROM and vocabulary.is_written(word.text))


def _ends_in_place(before: str, after: str, vocabulary: Vocabulary) -> bool:
    """Whether a place ends a sentence: "renewed lf. rf checked", not "v. li."."""
    begun = _WORD.match(after)
    if begun is None:
        return False
    place, after = folded_word(before), folded_word(begun[1].casefold())
    is_plain = begun[1][0].isupper() and not vocabulary.has_ordinals and len(place) > 1
    is_place = is_plain and place in vocabulary.places and after not in vocabulary.places
    return place in vocabulary.corners or is_place


def _closes(sign: str, after: str, sentence: list[Word], vocabulary: Vocabulary) -> bool:
    """Whether a short word for work ends its sentence: "Turbo ern. Ladedruck geprüft"."""
    return (
        sign == "."
        and len(sentence) > 1
        and folded_word(sentence[-1].text) in vocabulary.closers
        and after.lstrip()[:1].isupper()
    )
