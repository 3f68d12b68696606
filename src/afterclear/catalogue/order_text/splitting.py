"""Words cut into statements: at commas, at "and" and "because", and at a second part with its verb.

"Pads renewed discs measured" is told like two clauses.
"""

from collections.abc import Iterator
from typing import Final

from afterclear.catalogue.order_words.meanings import SYMPTOM
from afterclear.catalogue.order_words.speech import Speech
from afterclear.catalogue.order_words.vocabulary import SENTENCE, Word

WITH: Final = {"with", "w", "mit", "avec", "con", "z", "ze"}
AIM: Final = "aim"  # before work that a part was taken off for
_UNDONE: Final = {"not_done", "advised", "elsewhere"}
_PLACE_FIRST: Final = {"after", "hyphen"}  # orders in which a place stands before its part


def statements(words: list[Word], speech: Speech) -> Iterator[tuple[list[Word], int, str]]:
    """Cut words into statements, with the number of their sentence and the word before them."""
    for run, sentence, join in _runs(words, speech):
        for at, one in enumerate(_told_apart(run, speech)):
            yield one, sentence, "" if at else join


def _runs(words: list[Word], speech: Speech) -> Iterator[tuple[list[Word], int, str]]:
    run: list[Word] = []
    sentence, joined, begun = 0, "", ""
    for at, word in enumerate(words):
        is_rubbed = bool(run) and speech.begins("rubs", run[-1])  # "chafed with the driveshaft"
        after = words[at + 1].text if at + 1 < len(words) else ""
        is_between = bool(run) and run[-1].text in speech.beyond and after in speech.beyond
        is_bound = word.text == "had" and after == "to"  # "had to replace": it was done
        is_name = word.text in speech.joins and _is_name(words[at : at + 2], speech)  # "w/pump"
        is_between = is_between or _is_in_place(words, at, speech)
        is_join = word.text in speech.joins and not (is_rubbed or is_between or is_name or is_bound)
        is_last = at + 1 == len(words) or bool(words[at + 1].breaks)
        is_join = is_join and not (is_last and run and word.text == "mit")  # "Riemen gleich mit"
        is_join = is_join and not (word.text in WITH and _is_means(run, words[at + 1 :], speech))
        is_aim = word.text in speech.aims and _is_taken_off(words[:at], speech)
        is_cause = word.text in speech.causes and after not in speech.genitives  # "because of"
        is_new = bool(word.breaks) or is_join or is_aim or is_cause
        is_new = is_new or word.text in speech.conditions
        if is_new and run:
            yield run, sentence, begun
            run, joined = [], ""
        sentence += word.breaks == SENTENCE
        joined = "" if word.breaks == SENTENCE else joined
        if is_join or is_aim:
            joined = AIM if is_aim else word.text
            continue
        if not run:
            begun, joined = joined, ""
        run.append(word)
    if run:
        yield run, sentence, begun


def _is_in_place(words: list[Word], at: int, speech: Speech) -> bool:
    """Whether a word stands within the name of one place: "before and after the cat"."""
    if not at or words[at].text not in speech.joins:
        return False
    begin = at - 1
    return any(at - begin in f.places for f in speech.positions.in_order(words[begin : at + 4]))


def _is_means(run: list[Word], after: list[Word], speech: Speech) -> bool:
    """Whether "with" only says how: "sensor with scope measured"; no part follows."""
    end = next((i for i, w in enumerate(after) if w.breaks or w.text in speech.joins), len(after))
    rest = after[:end]
    is_told_after = _is_work(rest, speech) and not _is_work(run, speech)
    named = speech.components.scattered(rest, set())
    return is_told_after and not named and not speech.beside.in_order(rest)


def _is_work(words: list[Word], speech: Speech) -> bool:
    return bool(speech.actions.in_order(words)) or any(speech.action_of(w) for w in words)


def _is_taken_off(before: list[Word], speech: Speech) -> bool:
    """Whether the clause before says that a part was taken off: "removed bumper to ..."."""
    begins = next((at for at in reversed(range(len(before))) if before[at].breaks), 0)
    if begins and before[-1].breaks:  # "bumper removed, to renew the radar"
        begins = next((at for at in reversed(range(begins)) if before[at].breaks), 0)
    return any(speech.begins("removed", word) for word in before[begins:])


def _is_name(two: list[Word], speech: Speech) -> bool:
    named = speech.components.in_order(two)
    return two[0].sure and any(len(f.places) > 1 for f in named)


def _told_apart(run: list[Word], speech: Speech) -> list[list[Word]]:
    """Cut a run before the second part, if each of both has words for work after it."""
    verbs = _verbs(run, speech)
    for verb in verbs[:-1]:
        if not _parts(run[: verb + 1], speech):
            continue
        for start, end in _parts(run[verb + 1 :], speech):
            first, last = verb + 1 + start, verb + 1 + end
            if any(v >= last for v in verbs) and not _is_bound(run, first, speech):
                at = _begin(run, first, verb, speech)
                return [run[:at], *_told_apart(run[at:], speech)]
        break
    return [run]


def _parts(words: list[Word], speech: Speech) -> list[tuple[int, int]]:
    """First word of each part named, and the one after its last."""
    idle = {at for at, word in enumerate(words) if word.text in speech.fillers}
    found = speech.components.scattered(words, idle)
    return [(f.start, f.end) for f in found if f.meaning != SYMPTOM]


def _verbs(run: list[Word], speech: Speech) -> list[int]:
    """Places of words that say what was done, or that it was not."""
    spots = {at for f in speech.positions.in_order(run) for at in f.places}
    done = {
        act.end - 1
        for act in speech.actions.in_order(run)
        if not all(speech.is_weak(run[at].text) or at in spots for at in act.places)
    }  # "RR" is a place, too
    bent = {
        at
        for at, word in enumerate(run)
        if not word.stems and speech.action_of(word) and not speech.is_weak(word.text)
    }
    idle = {at for at, word in enumerate(run) if word.text in speech.fillers}
    named = {
        at
        for f in speech.components.scattered(run, idle)
        if len(f.places) > 1
        for at in f.places
        if speech.is_of_names(run[at].text)
    }  # "sensor de nivel de aceite"
    undone = {s.start for s in speech.said.in_order(run) if s.meaning in _UNDONE}
    return sorted((done | bent) - named | undone)


def _is_bound(run: list[Word], start: int, speech: Speech) -> bool:
    """Whether a part is only where, with what or for what the work before it was done."""
    at = start - 1
    while at > 0 and run[at].text in speech.fillers and run[at].text not in speech.toward:
        at -= 1
    binding = speech.toward | speech.beyond | speech.genitives | speech.tools | speech.purposes
    return run[at].text in binding | speech.conditions | speech.contrasts


def _begin(run: list[Word], start: int, verb: int, speech: Speech) -> int:
    """Where the second statement begins: with "new", or a place before its part."""
    is_place_first = speech.head_order in _PLACE_FIRST
    told = {at for f in speech.positions.in_order(run) for at in f.places} if is_place_first else ()
    at = start
    while at - 1 > verb and (at - 1 in told or run[at - 1].text in speech.attributes):
        at -= 1
    return at
