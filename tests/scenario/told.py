"""Writes STORIES.md: every planted story with the numbers of this very run."""

from collections.abc import Iterable
from datetime import datetime, timedelta

from tests.scenario.book import Book, Line
from tests.scenario.catalogue import EGR_VALVE, WEAK_BRAND, WHEEL_SENSOR
from tests.scenario.drive import END
from tests.scenario.fleet import Vehicle
from tests.scenario.sites import SITES
from tests.scenario.story import Story
from tests.scenario.trends import CHANGED_SITE, CHANGES_ON, RISES_ON, RISING, SOOTED

EARLY_KM = 15000
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
        parts.append(
            f"### {story.vehicle_id}: {story.title}\n\n{told}\n\nOught to find: {expect}.\n\n"
        )
    parts.append("## The whole fleet\n\n")
    parts += [f"### {title}\n\n{text}\n\n" for title, text in pooled(book)]
    return ("".join(parts).rstrip("\n") + "\n").encode()


def pooled(book: Book) -> list[tuple[str, str]]:
    """Tell what was planted in rates and habits, with the counts of this run."""
    return [
        *(_weak_brand(book), _bad_site(book), _bare_clears(book), _no_look(book)),
        *(_sooted(book), _changed(book), _rise(book), _coming(book)),
    ]


def _weak_brand(book: Book) -> tuple[str, str]:
    n_weak, n_other, died = sensor_counts(book)
    text = (
        f"Wheel speed sensors of {WEAK_BRAND}: {n_weak} fitted, {died[True]} of them replaced "
        f"again for failure within {EARLY_KM:,} km. Of the {n_other} of the other brands "
        f"{died[False]} were. The simulated life is about 4,500 km against about 220,000 km. "
        "Sites use the brand to different shares, Orrinby most.\n\nOught to find: the brand "
        "flagged short-lived, its effect told apart from Orrinby's."
    )
    return "A part brand that dies early", text


def _bad_site(book: Book) -> tuple[str, str]:
    repairs = [t for t in book.truths if t.kind == "repair"]
    own = [t.cured for t in repairs if t.site == "B"]
    others = [t.cured for t in repairs if t.site != "B"]
    text = (
        f"{own.count(False)} of {len(own)} repairs at {SITES['B'].name} did not cure, against "
        f"{others.count(False)} of {len(others)} at the three other sites. (Not all of them were "
        "seen to fail.)\n\nOught to find: Orrinby's come-backs above expectation."
    )
    return "A site whose fixes do not hold", text


def _bare_clears(book: Book) -> tuple[str, str]:
    sites = [t.site for t in book.truths if t.kind == "clear_only"]
    text = (
        f"{SITES['C'].name} cleared faults without a repair {sites.count('C')} times; the other "
        f"sites together {len(sites) - sites.count('C')} times.\n\nOught to find: Tessgarth's "
        "share of bare clears, few of which held."
    )
    return "Clears in place of repairs", text


def _no_look(book: Book) -> tuple[str, str]:
    sites = [scan.site for scan in book.scans if scan.reason == "post_repair"]
    others = ", ".join(f"{SITES[letter].name} {sites.count(letter)}" for letter in "ABC")
    text = (
        f"{SITES['D'].name} made {sites.count('D')} scans after a repair and its clear; {others}."
        "\n\nOught to find: Quarrowsend repairs without a post-repair scan."
    )
    return "Nobody looks after the repair", text


def _sooted(book: Book) -> tuple[str, str]:
    model, _ = SOOTED
    works = sooted_works(book)
    text = (
        f"The EGR valve of the {model} soots up. Cleaning it cured {sum(works['clean'])} of "
        f"{len(works['clean'])} times, a new one {sum(works['replace'])} of "
        f"{len(works['replace'])}.\n\nOught to find: cleaning holds less often than a new valve, "
        "in the same situation."
    )
    return "A work that rarely cures", text


def _changed(book: Book) -> tuple[str, str]:
    parts = []
    for is_since in (False, True):
        own = [
            t.cured
            for t in book.truths
            if t.kind == "repair"
            and t.site == CHANGED_SITE
            and (t.at.date() >= CHANGES_ON) == is_since
        ]
        parts.append(f"{own.count(False)} of {len(own)}")
    text = (
        f"From {CHANGES_ON} {SITES[CHANGED_SITE].name} measures before it fits a part "
        f"(`config/demo/interventions.toml`). Before, {parts[0]} of its repairs did not cure; "
        f"since then {parts[1]}. The other change of that file, an engine software, changed "
        "nothing.\n\nOught to find: the first helped; of the second nothing is told."
    )
    return "A change that helped", text


def _rise(book: Book) -> tuple[str, str]:
    model, fault = RISING
    text = (
        f"From {RISES_ON} the {fault} of the {model} fails many times as often as before: "
        f"{len(risen(book))} vehicles showed P0717 since then.\n\nOught to find: the rise, in this "
        "model, found in October 2026, with the vehicles that may be next."
    )
    return "Something begins", text


def _coming(book: Book) -> tuple[str, str]:
    n = len(fitted_since(book, WHEEL_SENSOR.family, END - timedelta(days=90)))
    text = (
        f"Wheel speed sensors are the part this fleet needs most: {n} were fitted in the last 90 "
        "days.\n\nOught to find: what to expect and to keep in the next 90 days, beside what past "
        "quarters' forecasts were worth."
    )
    return "What is coming", text


def sooted_works(book: Book) -> dict[str, list[bool]]:
    """Say of each repair of a sooted valve, by what was done, whether it cured."""
    done = {(o.vehicle_id, o.at): line.action for o in book.orders for line in o.lines
            if line.family == EGR_VALVE.family}  # fmt: skip
    works: dict[str, list[bool]] = {"clean": [], "replace": []}
    for truth in book.truths:
        if truth.kind == "repair" and truth.fault == SOOTED[1]:
            works[done[truth.vehicle_id, truth.at]].append(truth.cured)
    return works


def risen(book: Book) -> set[str]:
    """Name the vehicles that showed the rising code since it rises."""
    return {
        scan.vehicle_id
        for scan in book.scans
        if scan.at.date() >= RISES_ON
        and any(row.sign and row.sign.code == "P0717" for row in scan.rows)
    }


def unnamed_orders(vehicles: dict[str, Vehicle], book: Book) -> dict[str, str]:
    """Give for each order that names no code, and was for a fault, the code of that fault."""
    meant: dict[str, str] = {}
    mended = [truth for truth in book.truths if truth.kind == "repair"]
    for order in (order for order in book.orders if not order.codes):
        at = (order.vehicle_id, order.at)
        names = {t.fault for t in mended if (t.vehicle_id, t.at) == at}
        fitted = {(line.family, line.position) for line in order.lines}
        for fault in vehicles[order.vehicle_id].model.faults:
            if fault.name in names and (fault.part.family, fault.position) in fitted:
                meant[order.repair_id] = fault.sign.code
    return meant


def fitted_since(book: Book, family: str, since: datetime) -> list[Line]:
    """Give the parts of a family fitted since then."""
    lines = (line for o in book.orders if o.at >= since for line in o.lines)
    return [line for line in lines if line.family == family and line.number]


def sensor_counts(book: Book) -> tuple[int, int, dict[bool, int]]:
    """Count wheel speed sensors: weak brand fitted, others fitted, and what soon failed.

    The third value counts by "is of the weak brand" those replaced for failure within
    ``EARLY_KM``.
    """
    fitted: dict[tuple[str, str], tuple[bool, float]] = {}
    counts, died = {True: 0, False: 0}, {True: 0, False: 0}
    for order in book.orders:
        for line in order.lines:
            if line.family != WHEEL_SENSOR.family or not line.number:
                continue
            place, km = (order.vehicle_id, line.position), order.km or 0.0
            if place in fitted and line.removal == "failure":
                weak, since = fitted[place]
                died[weak] += km - since < EARLY_KM
            fitted[place] = (line.brand == WEAK_BRAND, km)
            counts[fitted[place][0]] += 1
    return counts[True], counts[False], died
