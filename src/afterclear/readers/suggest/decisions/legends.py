"""Legends: a line below or above a table that says what letters or a mark in its cells mean."""

import re
from collections.abc import Callable, Iterator, Sequence
from collections.abc import Set as AbstractSet

from afterclear.catalogue.codes import says_none
from afterclear.catalogue.folded_words import without_accents
from afterclear.errors import worded
from afterclear.readers.maps.heading_words import HeadingWords
from afterclear.readers.suggest.columns.profiles import Profile, is_none_word, is_silent_word
from afterclear.readers.suggest.columns.questions import Choice, Decided, Question
from afterclear.readers.suggest.decisions.unknown_words import choices_of, doubtful_lasting
from afterclear.readers.suggest.evidence.decision_draft import Filling

_MARK = re.compile(r"(\*{1,3}|[\u2020\u2021#\u00b9\u00b2\u00b3]|\d\))\s*[:=]?\s*(\S.*\S)")
_LETTERS = re.compile(r"(?:^|[\s,;:(])(\w{1,3})\s*=\s*([^=]+?)(?=[,;/\s]+\w{1,3}\s*=|$)")
# That a list is of active faults only, and that memories were not read (common practice).
_ONLY_ACTIVE = re.compile(
    r"\b(?:only|nur|seulement|uniquement|solo|solamente|unicamente|tylko|wylacznie)\b[^.;\n]{0,30}"
    r"\b(?:active|current|aktiv|aktuell|actif|activ|actuel|actual|aktywn|biezac)"
)
_FIRST_WORDS = 5
_LONGEST_MEANING = 12  # words
_OF_FAULTS = re.compile(r"fault|code|dtc|fehler|defaut|averia|codigo|usterk|bled|kody")
_NOT_READ = re.compile(
    r"memory (?:was |were )?not read|speicher (?:wurde )?nicht (?:aus)?gelesen"
    r"|memoire (?:des defauts |defauts )?non lue|memoria (?:de averias )?no leida"
    r"|pamiec (?:usterek |bledow )?(?:nie ?czytana|nie ?odczytana)"
)


def explaining(f: Filling) -> Iterator[str]:
    """Give the lines above the table, and those in it that fill one cell only."""
    yield from f.seen.title.splitlines()
    yield from f.seen.legend
    for at in range(f.n_rows):
        cells = [p.cells[at] for p in f.sight.profiles if p.cells[at]]
        if len(cells) == 1:
            yield cells[0]


def ask_marked_rows(f: Filling) -> None:
    """Ask whether rows count that have a mark, such as a star, which a line explains."""
    for line in explaining(f):
        found = _MARK.fullmatch(line.strip())
        if not found:
            continue
        for profile in f.sight.profiles:
            cells = [c for c in profile.values if c.endswith(found[1]) and c != line]
            if cells:
                f.seen.heard.append(line)
                _marked(f, profile, (found[1], found[2]), cells)
                return


def _marked(f: Filling, profile: Profile, legend: tuple[str, str], cells: list[str]) -> None:
    mark, meaning = legend
    if "rows" in f.asker.asked or "drop_where" in f.decision.table_keys:
        f.decision.missing.append(
            worded(
                "rows marked {mark!r} under {heading!r} ({meaning}): say in a map whether they "
                "count, others are left out already",
                mark=mark,
                heading=profile.heading,
                meaning=meaning,
            )
        )
        return
    question = Question(
        "rows",
        worded(
            "Some cells of {heading!r} end with {mark!r}, and a line says: {meaning}. Do such "
            "rows count?",
            heading=profile.heading,
            mark=mark,
            meaning=meaning,
        ),
        (
            Choice("leave", worded("no: such rows are left out")),
            Choice("take", worded("yes, as the other rows")),
        ),
        tuple(f.row_text(profile.cells.index(c)) for c in cells[:3]),
        unasked="leave",
        decided=_not_done(f, meaning),
    )
    if f.asker.choose(question) == "leave":
        f.decision.table_keys["drop_where"] = {profile.heading: rf"{re.escape(mark)}\s*$"}
        f.dropped |= set(cells)


def _not_done(f: Filling, meaning: str) -> Decided | None:
    """Recognise that work was only offered, or only planned, where a legend says so first."""
    if f.decision.into != "repairs":
        return None
    word, *rest = re.findall(r"[^\W\d_]+", meaning)[:_FIRST_WORDS] or [""]
    is_only = f.sight.words.of_word("only", word) is not None
    if is_only and f.sight.words.of_beginning("work_state", " ".join(rest)) == "undone":
        return Decided("leave", worded("the line says {meaning!r}", meaning=meaning))
    return None


def letters_of(f: Filling, met: Sequence[str]) -> dict[str, str]:
    """Say which status each letter means, as a line of the file says; empty text: none it knows."""
    told = _told_letters(f)
    return _with_answers(f, told, {x: _status_in(f, told.get(x, "")) for x in met})


def is_lettered(f: Filling, met: Sequence[str]) -> bool:
    """Whether a line of the file says of each letter which status it means."""
    told = _told_letters(f)
    return all(_status_in(f, told.get(letters, "")) for letters in met)


def _with_answers(f: Filling, told: dict[str, str], words: dict[str, str]) -> dict[str, str]:
    """Ask about words for *lasting* that may mean the code that no clearing takes away."""
    meant = [told[x] for x in words if x in told]
    if not all(words.values()) or not (doubtful := doubtful_lasting(f, meant)):
        return words
    asked = choices_of(f, "status", meant)
    return {
        x: asked.get(told[x], "") if told[x] in doubtful else own
        for x, own in words.items()
        if told[x] not in doubtful or told[x] in asked
    }


def _told_letters(f: Filling) -> dict[str, str]:
    return {letters: text for line in explaining(f) for letters, text in _LETTERS.findall(line)}


def status_letters(f: Filling) -> bool:
    """Take a column of letters for the status where a line says what they mean; False: none is."""
    told = _told_letters(f)
    for profile in f.sight.profiles if len(told) > 1 else ():
        values = [v for v in profile.values if v not in f.dropped]
        if not values or not set(values) <= set(told):
            continue
        words = {v: _status_in(f, told[v]) for v in values}
        if not any(words.values()):
            continue
        silent = {v for v in values if not words[v] and _says(f, told[v], is_silent_word)}
        clean = {v for v in values if not words[v] and _says(f, told[v], lambda t, _: says_none(t))}
        unknown = next((v for v, w in words.items() if not w and v not in silent ^ clean), None)
        unknown = unknown or _out_of_place(f, profile, silent | clean)
        if unknown is not None:
            f.decision.missing.append(
                worded(
                    "status: {unknown!r} under {heading!r} is said to mean {told!r}, which is not "
                    "understood; say in a map what status that is",
                    unknown=unknown,
                    heading=profile.heading,
                    told=told[unknown],
                )
            )
            return True
        f.seen.heard += list(explaining(f))
        known = {letters: word for letters, word in words.items() if word}
        # in the order of the file, so that the same file is suggested the same map
        unread = {letters: "" for letters in words if letters not in known}
        meant = unread | _with_answers(f, told, known)
        spec = {"from": profile.heading, "values": meant}
        reason = worded("a line of the file says what its letters mean")
        f.decision.take("status", spec, 0.9, reason)
        if silent:
            answers = {"values": dict.fromkeys(sorted(silent), "no_answer"), "otherwise": "empty"}
            f.decision.take("ecu_response", {"from": profile.heading, **answers}, 0.9, reason)
        return True
    return False


def _says(f: Filling, text: str, is_word: Callable[[str, HeadingWords], bool]) -> bool:
    """Whether some words of a text that follow each other say what a cell may say alone."""
    words = re.findall(r"[\w/]+", text)[:_LONGEST_MEANING]
    spans = ((a, b) for a in range(len(words)) for b in range(a + 2, len(words) + 1))
    return any(is_word(" ".join(words[a:b]), f.sight.words) for a, b in spans)


def _out_of_place(f: Filling, letters: Profile, clean: AbstractSet[str]) -> str | None:
    """Name a letter for a clean or silent unit unless just rows without a code have these."""
    if not clean or not f.has("code"):
        return min(clean, default=None)
    for mark, code in zip(letters.cells, f.profile("code").cells, strict=True):
        if mark and (mark in clean) != (not code or is_none_word(code)):
            return mark if mark in clean else min(clean)
    return None


def _status_in(f: Filling, text: str) -> str:
    """Give the one status that a text names, whole or between commas and brackets; empty: none."""
    pieces = [text, *re.split(r"[(),;/]", text)]
    found = {word for p in pieces if (word := f.sight.words.of_word("status", p.strip()))}
    for of_j1939, plain in (("active", "confirmed"), ("previously_active", "stored")):
        if found == {of_j1939, plain}:  # two words for one thing
            return of_j1939 if f.has("spn") else plain
    return found.pop() if len(found) == 1 else ""


def fill_memory(f: Filling) -> None:
    """Say that memories were not read, where a line above says so or lists active faults only."""
    text = without_accents(f.seen.title)
    is_active = any(
        _ONLY_ACTIVE.search(part) and _OF_FAULTS.search(part) for part in re.split(r"[.\n]", text)
    )
    if is_active or _NOT_READ.search(text):
        f.seen.heard.append(f.seen.title)
        spec = {"value": "active_only"}
        f.decision.take("memory", spec, 0.85, worded("a line above the table says so"))
