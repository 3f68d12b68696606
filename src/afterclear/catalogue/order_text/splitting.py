"""Two statements in one run of words: "pads renewed discs measured" is told like two clauses."""

from typing import Final

from afterclear.catalogue.order_words.speech import SYMPTOM, Speech
from afterclear.catalogue.order_words.vocabulary import Word

_UNDONE: Final = {"not_done", "advised", "elsewhere"}
_PLACE_FIRST: Final = {"after", "hyphen"}  # orders in which a place stands before its part


def statements(run: list[Word], speech: Speech) -> list[list[Word]]:
    """Cut a run before the second part, if each of both has words for work after it."""
    verbs = _verbs(run, speech)
    if not verbs:
        return [run]
    idle = {at for at, word in enumerate(run) if word.text in speech.fillers}
    parts = [f for f in speech.components.scattered(run, idle) if f.meaning != SYMPTOM]
    first = next((p for p in parts), None)
    verb = next((v for v in verbs if first and v >= first.end), None)
    if verb is None or not any(v > verb for v in verbs):
        return [run]
    for part in parts:
        is_told = any(v >= part.end for v in verbs)
        if part.start > verb and is_told and not _is_bound(run, part.start, speech):
            at = _begin(run, part.start, verb, speech)
            return [run[:at], *statements(run[at:], speech)]
    return [run]


def _verbs(run: list[Word], speech: Speech) -> list[int]:
    """Places of words that say what was done, or that it was not."""
    done = {
        act.end - 1
        for act in speech.actions.in_order(run)
        if not all(speech.is_weak(run[at].text) for at in act.places)
    }
    bent = {
        at
        for at, word in enumerate(run)
        if not word.stems and speech.action_of(word) and not speech.is_weak(word.text)
    }
    undone = {s.start for s in speech.said.in_order(run) if s.meaning in _UNDONE}
    return sorted(done | bent | undone)


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
