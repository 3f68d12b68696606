"""How the five languages inflect verbs and order words, as far as short notes of work need it.

Source: school grammars of the languages, from memory; own selection.  Words are folded (see
``folded_word``): no accents, small letters.
"""

import re
from dataclasses import dataclass
from typing import Final

_BARE_FROM: Final = 5  # letters of a verb without what is put before it


@dataclass(frozen=True, slots=True)
class Grammar:
    """One language."""

    fillers: frozenset[str]  # words that carry no meaning for a name
    verb_ends: re.Pattern[str]  # ends of a verb's stem, of its participles and of its noun
    weak: re.Pattern[str]  # forms of a verb that do not say it is done: infinitives
    no_noun: re.Pattern[str]  # ends by which an unknown word is no part
    nouns_are_capital: bool
    head_order: str  # position of the word that names a part of something: "after", "before"
    genitives: frozenset[str]  # words between such a part and its thing: "of"
    prefixes: re.Pattern[str]  # before a verb, changing its meaning slightly: "re-", "ausge-"
    toward: frozenset[str]  # words between work and the unit a part is registered with: "to"
    apart: frozenset[str]  # words before a part that only says where another was: "behind"
    plural: re.Pattern[str]  # ends of names that may be of several
    done: re.Pattern[str]  # participles that end as infinitives do: "gemessen"
    participle: re.Pattern[str]  # ends by which a word says how a thing is, and names none
    shifts: tuple[tuple[str, str], ...]  # ends of bent words whose stem changes, and the plain ends


def _grammar(  # noqa: PLR0913 - one line of a table each
    fillers: str,
    ends: str,
    weak: str,
    no_noun: str,
    order: str,
    genitives: str = "",
    *,
    prefixes: str,
    toward: str,
    apart: str,
    plural: str,
    done: str = "(?!)",
    participle: str = "(?!)",
    shifts: str = "",
) -> Grammar:
    return Grammar(
        frozenset(fillers.split()),
        re.compile(f"(?:{ends})?"),
        re.compile(f".*(?:{weak})"),
        re.compile(f".*(?:{no_noun})"),
        order == "hyphen",
        order,
        frozenset(genitives.split()),
        re.compile(f"(?:{prefixes})"),
        frozenset(toward.split()),
        frozenset(apart.split()),
        re.compile(f".*(?:{plural})"),
        re.compile(f".*(?:{done})"),
        re.compile(f".*(?:{participle})"),
        tuple((bent, plain) for bent, _, plain in (s.partition(":") for s in shifts.split())),
    )


GRAMMARS: Final = {
    "en": _grammar(
        "the of for a an to on in at",
        "e|s|es|d|ed|t|ing|ment|ments|al|er|ation|ations|or",
        "(?!)",
        "ed|ing|y|ly|en|al|ic|ive|less|ous|ful|ish|er than",
        "after",
        "of",
        prefixes="re|pre|un",
        toward="to with on in at into",
        apart="behind near under beside above inside against below onto",
        plural="s",
        participle="[a-z]{3,}ed",
    ),
    "de": _grammar(
        "der die das den dem des im am vom von zum zur für am bei",
        "t|en|n|e|te|ten|tem|ter|tes|ung|ungen|end|et|ete|eten|st|s",
        "en|ung",
        "t|en|ig|lich|isch|bar|los|haft|ern",
        "hyphen",
        "vom von des der am",
        prefixes="(?:ab|an|auf|aus|durch|ein|fest|frei|heraus|hinein|nach|neu|ver|vor|weg|wieder"
        "|zurück|zuruck|zusammen|um|über|uber|be|ent|er)?(?:zu|ge)?",
        toward="am an im zum mit beim ans in",
        apart="hinter neben unter unterm zwischen über gegen unterhalb oberhalb",
        plural="n|s",
        done="ge[a-z]{3,}en",
    ),
    "fr": _grammar(
        "de du des la le les à au aux en d l que",
        "e|ee|es|ees|er|ement|ements|ment|age|ages|ait|ent|ons|ez|ation|ations|i|is|ie|ies|ir|it|u"
        "|ue|us|ues|ai|te|tes|t|tion|s",
        "er|ir|re|ement|age|ation",
        "e|ee|es|ees|er|ir|ant|ante|eux|euse|if|ive|al|ale|ique|i|is",
        "of",
        "de du des d",
        prefixes="re|de|des|pre",
        toward="au à dans sur avec aux",
        apart="derrière sous près contre entre vers",
        plural="s|x",
        participle="é|ée|és|ées",
        shifts="eaux:eau aux:al",
    ),
    "es": _grammar(
        "de la el los las del al en a",
        "o|a|os|as|e|an|en|ado|ada|ados|adas|ar|amos|ido|ida|idos|idas|ir|er|ion|iones|cion|ciones"
        "|acion|aciones|amiento|imiento|aje|ajes|aron|io|imos|ieron|ando|iendo|uye|uyen|ye|je|emos",
        "ar|er|ir|cion|aje|amiento|imiento",
        "ado|ada|ados|adas|ido|ida|idos|idas|ar|er|ir|oso|osa|ante|ente|al|ico|ica|ble|ando|iendo",
        "of",
        "de del",
        prefixes="re|des|pre",
        toward="en a al con",
        apart="detrás bajo junto cerca entre contra tras",
        plural="s",
        participle="[ai]d[oa]s?",
    ),
    "pl": _grammar(
        "w we z ze do na od dla przy",
        "y|a|e|o|i|u|ow|om|ami|ach|em|ie|ny|na|ne|no|nej|nego|nych|nym|ony|ona|one|ono|onej|onego"
        "|onych|iony|iona|ione|iono|ioną|any|ana|ane|ano|anej|anego|anych|ty|ta|te|to|l|la|lo|li"
        "|lem|lam|lismy|il|ila|ili|ilem|ilam|ilismy|al|ala|ali|alem|alam|alismy|ic|ac|yc|c|enie"
        "|enia|eniu|anie|ania|aniu|ienie|ienia|cie|cia|my|imy|amy|emy|ij|aj|iam|am|iany|iana|iane"
        "|iano|ja|ji|je|cja|cji|cje|ł|nieto|nieta|niety|niete|eto|eta|ety|ete",
        r"ic|ac|yc|c|enie|anie|wymian[ay]|(?<!wymian)(?<!on)(?<!an)(?<!et)(?<!it)[ay]",
        "y|a|e|i|ony|ona|one|ono|any|ana|ane|ano|ty|ta|te|to|ic|ac|l|la|lo|li|ego|ej|ych|ym|uje|a",
        "before",
        prefixes="wy|prze|z|s|o|od|do|na|po|pod|za|u|roz|ob|wz|ze",
        toward="do w ze z na",
        apart="za obok pod nad między koło przed",
        plural="i|y|e|ow|ami|ach",
        # softened before "-e", and an "e" that comes and goes: przewodzie, wtyczce, drążka
        shifts="dzie:d scie:st cie:t rze:r dze:g sze:ch ce:k le:l nie:n mie:m wie:w bie:b pie:p"
        " sie:s zie:z ek:k ka:ek ki:ek ku:ek kow:ek kiem:ek kami:ek kach:ek"
        " nia:en nie:en ni:en niem:en ca:ec ce:ec cow:ec cach:ec cami:ec",
    ),
}


class Beginnings:
    """Words known by how they begin, whatever end the language gives them."""

    def __init__(self, ends: re.Pattern[str], prefixes: re.Pattern[str] | None = None) -> None:
        self._ends = ends
        self._whole: set[str] = set()  # short words that are no beginning: "ok"
        self._prefixes = prefixes
        self._meanings: dict[str, str] = {}

    def add(self, beginning: str, meaning: str, *, whole: bool = False) -> None:
        """Take a folded beginning, or a ``whole`` word; the first meaning stays."""
        self._meanings.setdefault(beginning, meaning)
        if whole:
            self._whole.add(beginning)

    def meaning(self, folded: str) -> str:
        """Give what a word means by its longest beginning; empty: nothing.

        An unknown verb is looked up without its prefix.
        """
        if (told := self._begun(folded)) or self._prefixes is None:
            return told
        before = self._prefixes.match(folded)
        rest = folded[before.end() :] if before else ""
        told = self._begun(rest) if _BARE_FROM <= len(rest) < len(folded) else ""
        return "" if told == "replace" else told  # "ausgebaut" is no "eingebaut"

    def _begun(self, folded: str) -> str:
        for size in range(len(folded), 1, -1):
            known = self._meanings.get(folded[:size])
            is_cut = folded[:size] in self._whole and size < len(folded)
            if known is not None and not is_cut and self._ends.fullmatch(folded[size:]):
                return known
        return ""
