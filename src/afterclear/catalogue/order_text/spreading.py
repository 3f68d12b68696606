"""Names of components whose words stand in two clauses: "glow plugs and relay"."""

from collections.abc import Iterator
from dataclasses import replace

from afterclear.catalogue.order_text.told import Clause, Part
from afterclear.catalogue.order_words.phrases import Found
from afterclear.catalogue.order_words.speech import Speech
from afterclear.catalogue.order_words.vocabulary import NO_STEMS, Word

_HEAD_FIRST = {"of", "before"}  # orders in which a name begins with the kind of thing
_OIL, _OIL_FILTER = "engine_oil", "oil_filter"
_LENT = 2  # words of a name before "and", without its last


def names_in(words: list[Word], passed: set[int], beside: set[int], speech: Speech) -> list[Found]:
    """Find names, without those made with a word of a place: "probe before the cat".

    ``beside``: the words of such places. "Pre cat" alone is a part, and "probe before the cat" may
    be a name; not so with "NOx" before it.
    """
    walls = _walls(words, speech)
    found = speech.components.scattered(words, passed, walls)
    near = [{*f.places} for f in found if not beside.isdisjoint(f.places)]
    if not near:
        return found
    bare = [replace(w, stems=NO_STEMS) if at in beside else w for at, w in enumerate(words)]
    again = speech.components.scattered(bare, passed, walls)
    parts = [{*f.places} for f in again if speech.is_part(f.meaning)]
    is_torn = any(not beside <= places for places in near)
    is_other = any(places - beside < part for places in near for part in parts)
    return again if is_torn or is_other else found


def _walls(words: list[Word], speech: Speech) -> frozenset[int]:
    """Words that no name lies across: "engine loom chafed on mount" is no engine mount."""
    return frozenset(
        at for at, w in enumerate(words) if w.stems & speech.looms or speech.begins("rubs", w)
    )


def shared_name(before: list[Word], run: list[Word], speech: Speech) -> Iterator[Part]:
    """Find a name that takes its first words from the one before: "glow plugs and relay"."""
    small = speech.fillers | speech.only
    passed = {
        at
        for at, w in enumerate([*before, *run])
        if w.text in small or (not w.stems and at < len(before))
    }
    yield from _across(before, run, passed, speech)


def shared_item(before: list[Word], run: list[Word], speech: Speech) -> Iterator[Part]:
    """Find a small part named by its kind after what it is of: "manifold, gasket renewed"."""
    size = len(before)
    passed = {at for at, w in enumerate([*before, *run]) if not w.stems} | set(range(size))
    for one in speech.components.scattered([*before, *run], passed):
        served = speech.served(one.meaning)
        if served and served.kind == "part" and one.start < size < one.end:
            own = [at - size for at in one.places if at >= size]
            stems = frozenset(s for at in own for s in run[at].stems)
            yield Part(served.component.key, "", own[0], stems, kind="part")


def _across(
    before: list[Word], run: list[Word], passed: set[int], speech: Speech
) -> Iterator[Part]:
    """Find names that begin in words before a run and end in it; ``passed`` do not count."""
    size = len(before)
    for one in speech.components.scattered([*before, *run], passed):
        if one.start < size < one.end and speech.is_part(one.meaning):
            own = [at - size for at in one.places if at >= size]
            stems = frozenset(s for at in own for s in run[at].stems)
            yield Part(one.meaning, "", own[0], stems)


def same_head(before: Clause, run: list[Word], speech: Speech) -> Iterator[Part]:
    """Find a name that takes the head of the one before: "filtr kabinowy i powietrza"."""
    if speech.head_order not in _HEAD_FIRST:
        return
    heads = [w for p in before.parts[-1:] for w in before.words if w.stems & p.head][:1]
    passed = {at for at, w in enumerate([*heads, *run]) if not w.stems}
    if heads:
        yield from _across(heads, run, passed, speech)


def shared_use(before: Clause, clause: Clause, speech: Speech) -> Iterator[Part]:
    """Find the filter that comes with an oil: "oil and filter changed"."""
    heads = speech.family.get(_OIL_FILTER, set())
    named = [at for at, w in enumerate(clause.words) if not w.stems.isdisjoint(heads)]
    is_alone = len(named) == 1 and clause.strange <= 1
    if is_alone and any(p.key == _OIL for p in before.used):
        stems = clause.words[named[0]].stems
        yield Part(_OIL_FILTER, "", named[0], stems, kind="item")


def lent_name(before: Clause, clause: Clause, speech: Speech) -> Iterator[Part]:
    """Find a name that lacks its last word, told after "and": "fuel and air filters"."""
    if before.parts or before.acts or len(before.words) > _LENT or not clause.parts:
        return
    head = [w for w in clause.words if w.stems & clause.parts[0].head][:1]
    size = len(before.words)
    for one in speech.components.scattered([*before.words, *head], set()):
        if one.start < size < one.end and speech.is_part(one.meaning):
            stems = frozenset(s for at in one.places if at < size for s in before.words[at].stems)
            yield Part(one.meaning, "", one.start, stems)
            before.loose = before.strange = 0


def spread_name(told: list[Clause], clause: Clause, speech: Speech) -> Iterator[Part]:
    """Find a name begun by a heading, or by words that name no part: "window slow, motor new"."""
    most = 1 + any(c.topic for c in told)
    if clause.strange > most or not any(w.stems for w in clause.words):
        return
    here = {s for w in clause.words for s in w.stems}
    own = {s for c in told if not c.topic for p in (*c.parts, *c.owners) for s in p.stems}
    if not own.isdisjoint(here):
        return  # "sensor battery dead, new sensor"
    before = [
        w
        for c in told
        if not c.said
        for w in c.words
        if own.isdisjoint(w.stems) and not (w.stems & speech.lights and not c.acts)  # "ABS lamp on"
    ]
    size = len(before)
    words = [*before, *clause.words]
    skipped = set(range(size)) | {size + at for at in clause.passed}
    for one in speech.components.scattered(words, skipped):
        if one.start < size < one.end and speech.is_part(one.meaning):
            kept = [at - size for at in one.places if at >= size]
            if {*kept} <= {a.start for a in clause.acts}:
                continue  # "masa motor oxidada, limpia": no "motor limpia"
            stems = frozenset(s for at in one.places for s in words[at].stems)
            yield Part(one.meaning, "", kept[0], stems, words=len(one.places))
            clause.loose, clause.strange, clause.heads = 0, 0, frozenset()
            clause.places = clause.places or next((c.places for c in told if c.places), {})
