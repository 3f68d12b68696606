"""How well texts of work orders are read: ``python -m tests.catalogue.notes_table [--misses]``.

``notes/<language>.tsv``: a text, a tab, what a person reads in it: ``action component place``,
``wiring@component`` where its wiring was worked on, ``wiring@*`` where the writer did not say
whose; several between semicolons, ``-`` for none.
``fresh_``, ``blind_``, ``unseen_``, ``late_`` and ``last_`` are lines of people who had not seen
the words; all but ``fresh_`` were read once before anything was changed for them.  Of ``new_``,
60 lines a language of people who had seen nothing of this, the last 30 were not looked at until the
rules made for the first 30 were measured on them; components that their writer did not list at all
(belts, tyres, refrigerant) were added after it was read.  Where such a
line told "-" of a part the catalogue knows (pollen filter, refrigerant), or a place finer than it
tells apart, what is meant was put right.

``same_`` are our own: the same 69 notes in each language, made to find what one language lacks.

``later_`` are 40 lines a language of the same kind of writers, in pairs: of the first of each pair
rules were made, the second nobody has read.  A program, not a person, wrote their components as the
catalogue's: ``headlight_bulb`` is a headlamp, and what the catalogue has no component for (engine
oil, oil filter, brake fluid, seals, hoses, alignment: 88 of 398 works) is left out.

``fourth_`` (40 lines a language), ``fifth_`` (20) and ``sixth_`` (10) tell consumables, too. They
are our own, each written before the rules made for it, by one who knew part of the words; many
lines of a language say what those of another say. What a person would call otherwise was put right
after the first reading: a charge air hose is ``charge_air_cooler``, calibrating a camera is
``adjust``, and a key that was
synchronised again is work on the key.

``seventh_`` are 50 lines a language of a person who had seen neither words nor rules: of the first
of each pair rules were made, the second nobody has read. The writer's names were turned into the
catalogue's by a table; what it has no component for is left out, and by the line's words alone
calibrating is ``adjust``, freeing and greasing are ``clean``, what was checked is ``inspect``, a
cleaned hub is no work.

``eighth_`` are 40 lines a language by a person who had seen neither words nor rules, the same notes
in all five: of the first of each pair rules were made, then the second were measured, then rules
were made of them, too. Names were turned as before; bled brakes and a clutch pedal, for which the
catalogue has nothing, and parts swapped for a test are left out; a part told to be good is
``inspect``; "r&r" is replaced.

``ninth_`` are 50 lines a language by another such person: of the first of each pair rules were
made, then the second were measured, and nothing was made of them. Names were turned as before;
what the catalogue has no component for (gaskets, a fuse, a fan's relay, a condenser) was left out,
and put in where it has one since.

``tenth_`` are 33 lines a language of our own, of the kind of 300 by a sixth such person: written
after the rules made for the odd ones of these (30) and for all of them (3).
"""

import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Final

from afterclear.catalogue.lexicon import Lexicon, parts_of
from afterclear.catalogue.order_text.reading import Work, WorkReader

NOTES: Final = Path(__file__).parent / "notes"
CONFIG: Final = Path(__file__).parents[2] / "config"
LANGUAGES: Final = ("en", "de", "fr", "es", "pl")
USED: Final = ("fourth", "fifth", "sixth", "eighth", "tenth")  # sets that tell consumables
_ANY: Final = "*"  # whose wiring is not said


def lexicon() -> Lexicon:
    """Load the shipped names."""
    return Lexicon.load(CONFIG)


def reader() -> WorkReader:
    """Make a reader with the shipped words."""
    return WorkReader(CONFIG, lexicon())


def lines(name: str) -> list[tuple[str, list[Work]]]:
    """Texts with what a person reads in them."""
    found = []
    for line in (NOTES / f"{name}.tsv").read_text(encoding="utf-8").splitlines():
        text, _, meant = line.partition("\t")
        found.append((text, [] if meant == "-" else [_work(m) for m in meant.split("; ")]))
    return found


def _work(meant: str) -> Work:
    action, part, *place = meant.split()
    key, _, of = part.partition("@")
    return Work(key, place[0] if place else "", action, of)


def counted(
    reader: WorkReader, texts: list[tuple[str, list[Work]]], *, tell: bool, used: bool = False
) -> Counter[str]:
    """Count components, places and actions read right, wrong and not at all.

    ``used``: consumables count, too; only some lines tell them.
    """
    n: Counter[str] = Counter()
    for text, meant in texts:
        loose = {w.component for w in meant if w.of == _ANY}
        text_read = reader.read(text)
        read = [replace(w, of=_ANY) if w.component in loose else w for w in text_read.works]
        read += [replace(w, of="") for w in text_read.used if used]
        told = {(w.component, w.of) for w in read}
        want = {(w.component, w.of) for w in meant}
        n["wrong"] += len(told - want)
        n["right"] += len(told & want)
        n["missed"] += len(want - told)
        bad = told != want
        for work in meant:
            same = [w for w in read if (w.component, w.of) == (work.component, work.of)]
            is_done = any(w.action == work.action for w in same)
            is_at = any(parts_of(work.position) <= parts_of(w.position) for w in same)
            n["actions"] += 1
            n["actions_right"] += is_done
            n["places"] += bool(work.position)
            n["places_right"] += bool(work.position) and is_at
            n["places_wrong"] += bool(same) and any(w.position for w in same) and not is_at
            bad |= not is_done or not is_at
        if bad and tell:
            print(f"  {text}\n    meant {meant}\n    read  {reader.read(text)}")
    return n


def main(asked: list[str]) -> None:
    """Print one table."""
    told = reader()
    names = [a for a in asked if not a.startswith("-")] or [
        *LANGUAGES,
        *(f"fresh_{language}" for language in LANGUAGES),
        *(f"blind_{language}" for language in LANGUAGES),
        *(f"unseen_{language}" for language in LANGUAGES),
        *(f"late_{language}" for language in LANGUAGES),
        *(f"last_{language}" for language in LANGUAGES),
        *(f"new_{language}" for language in LANGUAGES),
        *(f"later_{language}" for language in LANGUAGES),
        *(f"same_{language}" for language in LANGUAGES),
        *(
            f"{kind}_{language}"
            for kind in (*USED[:3], "seventh", "eighth", "ninth", "tenth")
            for language in LANGUAGES
        ),
    ]
    print("texts          n  precision  recall  place  action")
    for name in names:
        for half, texts in (("tuned", lines(name)[::2]), ("held out", lines(name)[1::2])):
            used = name.startswith((*USED, "ninth"))
            n = counted(told, texts, tell="--misses" in asked and half == "tuned", used=used)
            print(
                f"{name} {half:9} {len(texts):3}"
                f"  {n['right'] / max(1, n['right'] + n['wrong']):8.0%}"
                f"  {n['right'] / max(1, n['right'] + n['missed']):6.0%}"
                f"  {n['places_right'] / max(1, n['places']):5.0%}"
                f"  {n['actions_right'] / max(1, n['actions']):6.0%}"
            )


if __name__ == "__main__":
    main(sys.argv[1:])
