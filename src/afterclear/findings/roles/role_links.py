"""Which code of a scan is the cause of which other, by rules and the fleet's data.  Pure.

A rule says where to search, and the scan must show it: a report about another unit follows from a
fault of that unit or of its supply, damage from what causes it, silence and bad data from low
voltage. The trust in each rule is own judgement; the tests check it on simulated fleets.

Each analysis finds the roles of the whole fleet again: new data about a pair may change a code's
role anywhere. Each code has at most one cause, rings are cut at their weakest link, and the result
is trees with one primary fault each.

Codes belong together by how they begin, not because both are there: of two unrelated faults the
longer-lasting is nearly always first, and codes cleared without a repair come back at once, all
together (``findings/sql/role_pairs.sql``, ``estimators/codes/onset_exposure.py``).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from afterclear.catalogue.knock_on import Harm, Pointer
from afterclear.findings.roles.role_facts import CodeFact

Key = tuple[str, str]  # control unit, code
Basis = Literal["rule", "fleet", "rule_and_fleet", "none"]

_TRUST: Final = {
    "pointer": 0.95,
    "invalid": 0.9,
    "lost": 0.8,
    "software": 0.75,
    "consequence": 0.85,
    "supply": 0.85,
    "bus": 0.85,
    "harmed": 0.75,
}
_SIGN_FACTOR: Final = 0.9  # either code is only pending
_DOUBT_FACTOR: Final = 0.85  # more than one code would fit as well
_CHAIN_FACTOR: Final = 0.8  # the cause is itself a report about another unit
_FEW_FACTOR: Final = 0.85  # low voltage beside one or two silent units, and no other sign of it
# codes that a supply or bus fault must explain before it counts as the cause of any; one more unit
# that reports it is enough (own judgement)
_MANY: Final = {"supply": 3, "bus": 2}
_MOST_FLEET: Final = 2.0  # ln odds that the fleet's data may add to a rule or subtract from it
_HARM_IS_LIKELY: Final = 0.5  # below, the fleet's data speak against it
_NO_TIE: Final = 1e-9


@dataclass(frozen=True, slots=True)
class FleetPair:
    """What the fleet's own data show about a cause and its consequential code."""

    score: float  # ln odds, above 0, that this is the cause
    n_both: int
    counts: Mapping[str, float]  # its basis, with the names of ``reasons.FLEET_COUNTS``


@dataclass(frozen=True, slots=True)
class Link:
    """A code's chosen cause: another code of the scan, by index."""

    cause: int
    confidence: float
    basis: Basis
    relation: str  # of knock_on.csv; fleet: the fleet's data alone
    source: str


class CauseRules:
    """Chooses at most one cause for each code of a scan."""

    def __init__(self, pairs: Mapping[tuple[Key, Key], FleetPair]) -> None:
        self._pairs = pairs

    def links(self, facts: Sequence[CodeFact]) -> list[Link | None]:
        """Return each code's cause, in the order of the codes; rings are not broken yet."""
        links: list[Link | None] = [self._pointed_cause(facts, i) for i in range(len(facts))]
        # a unit goes silent by its own failure, its supply or the bus; a fault of one of its
        # sensors is only a guess, so it comes last
        guesses = {i: link for i, link in enumerate(links) if link and _is_guess(facts, link)}
        for i in guesses:
            links[i] = None
        for relation in ("supply", "bus"):
            _link_to_common_cause(facts, links, relation)
        for i in range(len(facts)):
            if links[i] is None:
                links[i] = (
                    guesses.get(i)
                    or self._harming_cause(facts, i)
                    or self._fleet_cause(facts, i)
                    or self._chained_cause(facts, i)
                )
        return links

    def _pointed_cause(self, facts: Sequence[CodeFact], i: int) -> Link | None:
        """Find the code in the unit pointed at that can be what this one reports."""
        fact = facts[i]
        pointer = fact.pointer
        if pointer is None:
            return None
        fitting = [
            j
            for j, f in enumerate(facts)
            if j != i and f.unit in fact.targets and (f.can_spoil(fact) or f.can_silence(fact))
        ]
        # first the unit itself, then units that may contain its function; another unit before the
        # own
        for wanted in (pointer.ecu, None):
            near = [j for j in fitting if wanted in (None, facts[j].unit)]
            others = [j for j in near if facts[j].unit != fact.unit] or near
            if others:
                return self._best(facts, i, pointer, others)
        return None

    def _harming_cause(self, facts: Sequence[CodeFact], i: int) -> Link | None:
        """Find the code that can cause this damage; a circuit fault is not damage."""
        fact, harm = facts[i], facts[i].harm
        if harm is None or fact.is_circuit:
            return None
        fitting = [
            j
            for j, f in enumerate(facts)
            if j != i
            and f.unit == harm.ecu
            and f.is_about(harm.by)
            and not (f.is_circuit or fact.is_older_than(f))
        ]
        if not fitting:
            return None
        link = self._best(facts, i, harm, fitting)
        return link if link.confidence >= _HARM_IS_LIKELY else None

    def _best(
        self, facts: Sequence[CodeFact], i: int, said: Pointer | Harm, fitting: Sequence[int]
    ) -> Link:
        fact = facts[i]

        def fit(j: int) -> tuple[float, ...]:
            cause = facts[j]
            pair = self._pairs.get((cause.key, fact.key))
            return (
                pair.score if pair else 0.0,
                cause.relevance(said.relation),
                cause.is_circuit,
                not cause.seen.is_sign,
            )

        ranked = sorted(fitting, key=lambda j: (*(-x for x in fit(j)), facts[j].key))
        best = ranked[0]
        sure = _TRUST[said.relation]
        if len(ranked) > 1 and fit(ranked[1]) == fit(best):
            sure *= _DOUBT_FACTOR
        if fact.seen.is_sign or facts[best].seen.is_sign:
            sure *= _SIGN_FACTOR
        confidence, basis = self._with_fleet(sure, facts[best].key, fact.key)
        return Link(best, confidence, basis, said.relation, said.source)

    def _with_fleet(self, sure: float, cause: Key, effect: Key) -> tuple[float, Basis]:
        """Raise or lower the trust in a rule by the fleet's data."""
        for pair, sign in (
            (self._pairs.get((cause, effect)), 1),
            (self._pairs.get((effect, cause)), -1),
        ):
            if pair is not None:
                shift = sign * min(pair.score, _MOST_FLEET)
                return _expit(_logit(sure) + shift), "rule_and_fleet"
        return sure, "rule"

    def _fleet_cause(self, facts: Sequence[CodeFact], i: int) -> Link | None:
        """Find the cause in the fleet's data; they do not overrule a circuit fault (rule 1)."""
        fact = facts[i]
        if fact.is_circuit:
            return None
        found = [
            (pair.score, j)
            for j, other in enumerate(facts)
            if j != i
            and not fact.is_older_than(other)
            and (pair := self._pairs.get((other.key, fact.key))) is not None
        ]
        if not found:
            return None
        score, best = max(found, key=lambda x: (x[0], facts[x[1]].key))
        sure = _expit(score) * (
            _SIGN_FACTOR if fact.seen.is_sign or facts[best].seen.is_sign else 1
        )
        return Link(best, sure, "fleet", "fleet", "this fleet's own scans and repairs")

    def _chained_cause(self, facts: Sequence[CodeFact], i: int) -> Link | None:
        """Find a report in the unit pointed at: it reports a fault of a third unit."""
        fact = facts[i]
        pointer = fact.pointer
        if pointer is None or pointer.relation == "software":
            return None
        fitting = [
            j
            for j, f in enumerate(facts)
            if j != i and f.unit in fact.targets and f.unit != fact.unit and f.pointer is not None
        ]
        if not fitting:
            return None
        best = min(fitting, key=lambda j: (-_TRUST[_relation(facts[j])], facts[j].key))
        sure = _TRUST[pointer.relation] * _CHAIN_FACTOR
        return Link(best, sure, "rule", pointer.relation, pointer.source)


def break_rings(links: list[Link | None]) -> set[int]:
    """Cut every ring of causes at its weakest link; cut all equals. Returns those all cut.

    ``links`` is changed in place.  The code whose link was cut becomes the root of the others.
    """
    undecided: set[int] = set()
    for start in range(len(links)):
        ring = _ring_from(links, start)
        if not ring:
            continue
        strength = {i: link.confidence for i in ring if (link := links[i]) is not None}
        weakest = min(strength.values())
        cut = [i for i in ring if strength[i] <= weakest + _NO_TIE]
        if len(cut) > 1:
            cut = ring
            undecided.update(ring)
        for i in cut:
            links[i] = None
    return undecided


def _ring_from(links: Sequence[Link | None], start: int) -> list[int]:
    """Follow causes from a code; return the ring it runs into, empty if it ends."""
    path: list[int] = []
    at = start
    while at not in path:
        path.append(at)
        link = links[at]
        if link is None:
            return []
        at = link.cause
    return path[path.index(at) :]


def root_of(links: Sequence[Link | None], i: int) -> tuple[int, float]:
    """Follow causes to the end: the primary, and the confidence of the whole chain."""
    sure = 1.0
    while (link := links[i]) is not None:
        sure *= link.confidence
        i = link.cause
    return i, sure


def _link_to_common_cause(
    facts: Sequence[CodeFact], links: list[Link | None], relation: Literal["supply", "bus"]
) -> None:
    """Link reports without a cause so far to a supply or bus fault.

    There must be many of them; fewer are enough for missing or bad messages while the whole
    vehicle's voltage is low.

    Low voltage makes units report it, lose each other's messages and send bad data; tests of lost
    messages run only in a window of voltage (makers' published conditions of codes).  A fault of a
    bus makes units lose each other.  Neither explains a component's own circuit fault.
    """
    causes = [i for i, f in enumerate(facts) if f.common == relation and links[i] is None]
    if not causes:
        return
    first = min(causes, key=lambda i: (facts[i].seen.is_sign, facts[i].supply_rank, facts[i].key))
    explained = [
        i
        for i, fact in enumerate(facts)
        if i != first
        and (fact.common is not None or (links[i] is None and _is_report(fact, relation)))
    ]
    if relation == "bus":
        explained = [i for i in explained if facts[i].common != "supply"]
    sure = _TRUST[relation]
    if not _is_many(facts, links, first, explained, relation):
        # the vehicle's own voltage is low: that explains one silent unit as well as many
        explained = [i for i in explained if facts[first].is_system_voltage and facts[i].is_hearsay]
        sure *= _FEW_FACTOR
    for i in explained:
        pointer = facts[i].pointer
        source = pointer.source if pointer else "own judgement; supply and bus rows of the table"
        links[i] = Link(first, sure, "rule", relation, source)


def _is_many(
    facts: Sequence[CodeFact],
    links: Sequence[Link | None],
    first: int,
    explained: Sequence[int],
    relation: Literal["supply", "bus"],
) -> bool:
    in_other_units = any(
        facts[i].common == relation and facts[i].unit != facts[first].unit for i in explained
    )
    pointed = sum(link is not None and link.cause == first for link in links)
    return in_other_units or len(explained) + pointed >= _MANY[relation]


def _is_guess(facts: Sequence[CodeFact], link: Link) -> bool:
    return link.relation == "lost" and not facts[link.cause].relevance("lost")


def _is_report(fact: CodeFact, relation: str) -> bool:
    wanted = {"lost", "invalid", "software", "consequence"} if relation == "supply" else {"lost"}
    return fact.pointer is not None and fact.pointer.relation in wanted


def _relation(fact: CodeFact) -> str:
    return fact.pointer.relation if fact.pointer else "pointer"


def _logit(p: float) -> float:
    return math.log(p / (1 - p))


def _expit(x: float) -> float:
    return 1 / (1 + math.exp(-x))
