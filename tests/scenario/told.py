"""Writes STORIES.md: every planted story with the numbers of this very run."""

from collections.abc import Iterable

from tests.scenario.book import Book
from tests.scenario.catalogue import WEAK_BRAND, WHEEL_SENSOR
from tests.scenario.sites import SITES
from tests.scenario.story import Story

_HEAD = """\
# The stories in the sample data

Everything here is invented: makes, vehicles, sites, people, parts. The fleet was simulated, so
what is true is known; the stories below were planted on purpose, the rest is ordinary life with
the sites' habits. Written by `python -m tests.scenario.make` together with the data.

Each story names its vehicle, what happened, and what afterclear ought to find.

"""


def stories_text(stories: Iterable[Story], book: Book) -> bytes:
    """Write all stories, single vehicles first, then what only the whole fleet shows."""
    parts = [_HEAD, "## One vehicle each\n\n"]
    for story in stories:
        told = story.told.format(**story.facts)
        expect = story.expect.format(**story.facts)
        parts.append(f"### {story.vehicle_id}: {story.title}\n\n{told}\n\nOught to find: {expect}.\n\n")
    parts.append("## The whole fleet\n\n")
    parts += [f"### {title}\n\n{text}\n\n" for title, text in pooled(book)]
    return ("".join(parts).rstrip("\n") + "\n").encode()


def pooled(book: Book) -> list[tuple[str, str]]:
    """Tell what was planted in rates and habits, with the counts of this run."""
    repairs = {
        letter: [t for t in book.truths if t.kind == "repair" and t.site == letter]
        for letter in SITES
    }
    failed = {letter: sum(not t.cured for t in found) for letter, found in repairs.items()}
    bare = {
        letter: sum(t.kind == "clear_only" and t.site == letter for t in book.truths)
        for letter in SITES
    }
    scans_after = {letter: sum(s.site == letter and s.reason == "post_repair" for s in book.scans)
                   for letter in SITES}  # fmt: skip
    names = {letter: site.name for letter, site in SITES.items()}
    others = "".join(letter for letter in SITES if letter != "B")
    n_others = sum(len(repairs[letter]) for letter in others)
    n_weak, n_other, died = sensor_counts(book)
    return [
        ("A part brand that dies early",
         f"Wheel speed sensors of {WEAK_BRAND}: {n_weak} fitted, {died[True]} of them replaced "
         f"again for failure. Of the {n_other} of the other brands {died[False]} were. The "
         "simulated life is about 8,500 km against about 140,000 km. Sites use the brand to "
         "different shares, Orrinby most.\n\nOught to find: the brand flagged short-lived, its "
         "effect told apart from Orrinby's."),
        ("A site whose fixes do not hold",
         f"{failed['B']} of {len(repairs['B'])} repairs at {names['B']} did not cure, against "
         f"{sum(failed[letter] for letter in others)} of {n_others} at the three other sites. (Not "
         "all of them were seen to fail.)\n\nOught to find: Orrinby's come-backs above "
         "expectation."),
        ("Clears in place of repairs",
         f"{names['C']} cleared faults without a repair {bare['C']} times; the other sites "
         f"together {sum(bare[letter] for letter in others) + bare['B'] - bare['C']} times.\n\n"
         "Ought to find: Tessgarth's share of bare clears, few of which held."),
        ("Nobody looks after the repair",
         f"{names['D']} made {scans_after['D']} scans after a repair and its clear; "
         f"{names['A']} {scans_after['A']}, {names['B']} {scans_after['B']}, {names['C']} "
         f"{scans_after['C']}.\n\nOught to find: Quarrowsend repairs without a post-repair scan."),
    ]  # fmt: skip


def sensor_counts(book: Book) -> tuple[int, int, dict[bool, int]]:
    """Count wheel speed sensors: weak brand fitted, others fitted, replaced for failure by weak."""
    fitted: dict[tuple[str, str], bool] = {}
    counts, died = {True: 0, False: 0}, {True: 0, False: 0}
    for order in book.orders:
        for line in order.lines:
            if line.family != WHEEL_SENSOR.family or not line.number:
                continue
            place = (order.vehicle_id, line.position)
            if place in fitted and line.removal == "failure":
                died[fitted[place]] += 1
            fitted[place] = line.brand == WEAK_BRAND
            counts[fitted[place]] += 1
    return counts[True], counts[False], died
