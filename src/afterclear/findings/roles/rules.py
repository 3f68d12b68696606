"""Which code of one scan is the fault and which the echo.  Pure.

Every code chooses at most one cause among the other codes of its scan: by what the tables say it
points at, by a supply or bus fault that explains many, or by what the fleet's own data say
(``roles_data``).  Rings of causes are broken at their weakest link; what is left are trees, and
the root of a tree is its primary.  A code that points at a unit nobody read stays a consequence
of it without a named code: it is never dropped.  The rules are own judgement, told as reasoning.
"""

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from afterclear.catalogue.knock_on import Pointer
from afterclear.findings.roles.role_facts import CodeFact, FactBook, SeenCode
from afterclear.findings.roles.role_words import RoleWords

Key = tuple[str, str]  # control unit, code
RoleName = Literal["primary", "consequential", "stands_alone"]
Basis = Literal["rule", "fleet", "rule_and_fleet", "none"]

# How far a rule is trusted by itself: own judgement, held against simulated fleets in the tests.
_TRUST: Final = {
    "pointer": 0.95,
    "invalid": 0.9,
    "lost": 0.8,
    "software": 0.75,
    "consequence": 0.85,
    "supply": 0.85,
    "bus": 0.85,
}
_SIGN_FACTOR: Final = 0.9  # either end is only pending
_DOUBT_FACTOR: Final = 0.85  # more than one code would fit as well
_CHAIN_FACTOR: Final = 0.8  # the cause is itself a report about another unit
_UNNAMED: Final = 0.6  # a unit is pointed at, but none of its codes is known
_ALONE: Final = 0.6
# codes a supply or bus fault must explain before it is held to explain any; a second unit that
# says the same is enough (own judgement)
_MANY: Final = {"supply": 3, "bus": 2}
_MOST_FLEET: Final = 2.0  # of ln odds that the fleet's data may add to a rule or take from it
_NO_TIE: Final = 1e-9


@dataclass(frozen=True, slots=True)
class FleetPair:
    """What the fleet's own data say of a cause and its echo."""

    score: float  # ln odds, above 0, that the cause is the cause
    n_both: int
    words: str  # the reason, to be read aloud after "in this fleet"


@dataclass(frozen=True, slots=True)
class Look:
    """One scan: its codes, and which control units (functions) it read."""

    codes: tuple[SeenCode, ...]
    read: frozenset[str]
    silent: frozenset[str] = frozenset()  # asked, no answer


@dataclass(frozen=True, slots=True)
class Role:
    """One code's part in its scan."""

    ecu: str
    code: str
    role: RoleName
    primary_ecu: str | None
    primary_code: str | None
    confidence: float
    basis: Basis
    source: str | None
    to_scan: str | None  # a unit that should be read before any work
    why: str


@dataclass(frozen=True, slots=True)
class Link:
    """A code's chosen cause: another code of the scan, by number."""

    cause: int
    confidence: float
    basis: Basis
    relation: str  # of knock_on.csv; fleet: the fleet's data alone
    source: str


class RoleRules:
    """Roles of scans."""

    def __init__(self, book: FactBook, pairs: Mapping[tuple[Key, Key], FleetPair]) -> None:
        self._book = book
        self._pairs = pairs
        self._words = RoleWords(book)

    def roles(self, look: Look) -> tuple[Role, ...]:
        """Give the role of each code, in the order of ``look.codes``."""
        facts = [self._book.fact(seen) for seen in look.codes]
        links = self._links(facts)
        in_ring = break_rings(links)
        roots = {i: _root(links, i) for i in range(len(facts))}
        echoes = Counter(root for i, (root, _) in roots.items() if root != i)
        roles = []
        for i, fact in enumerate(facts):
            link = links[i]
            if link is not None:
                roles.append(self._echo(facts, i, link, roots[i]))
            elif echoes[i]:
                followers = [facts[j] for j, (root, _) in roots.items() if root == i and j != i]
                sure = max(roots[j][1] for j, (root, _) in roots.items() if root == i and j != i)
                roles.append(self._primary(fact, followers, sure, links, i))
            else:
                roles.append(self._alone(fact, look, facts, ring=i in in_ring))
        return tuple(roles)

    # --- choosing causes ---------------------------------------------------------------------

    def _links(self, facts: Sequence[CodeFact]) -> list[Link | None]:
        links: list[Link | None] = [self._pointed_cause(facts, i) for i in range(len(facts))]
        # a unit goes silent by its own failure, its supply or the bus; a fault of one of its
        # sensors is a guess that comes after these
        guesses = {i: link for i, link in enumerate(links) if link and _is_guess(facts, link)}
        for i in guesses:
            links[i] = None
        for relation in ("supply", "bus"):
            _link_to_common_cause(facts, links, relation)
        for i in range(len(facts)):
            if links[i] is None:
                links[i] = (
                    guesses.get(i) or self._fleet_cause(facts, i) or self._chained_cause(facts, i)
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
            if j != i and f.unit in fact.targets and f.can_spoil(fact)
        ]
        # the unit itself before boxes its function may share; another box before the own
        for wanted in (pointer.ecu, None):
            near = [j for j in fitting if wanted in (None, facts[j].unit)]
            others = [j for j in near if facts[j].unit != fact.unit] or near
            if others:
                return self._best(facts, i, pointer, others)
        return None

    def _best(
        self, facts: Sequence[CodeFact], i: int, pointer: Pointer, fitting: Sequence[int]
    ) -> Link:
        fact = facts[i]

        def fit(j: int) -> tuple[float, ...]:
            cause = facts[j]
            pair = self._pairs.get((cause.key, fact.key))
            return (
                pair.score if pair else 0.0,
                cause.relevance(pointer.relation),
                cause.is_circuit,
                not cause.seen.is_sign,
            )

        ranked = sorted(fitting, key=lambda j: (*(-x for x in fit(j)), facts[j].key))
        best = ranked[0]
        sure = _TRUST[pointer.relation]
        if len(ranked) > 1 and fit(ranked[1]) == fit(best):
            sure *= _DOUBT_FACTOR
        if fact.seen.is_sign or facts[best].seen.is_sign:
            sure *= _SIGN_FACTOR
        confidence, basis = self._with_fleet(sure, facts[best].key, fact.key)
        return Link(best, confidence, basis, pointer.relation, pointer.source)

    def _with_fleet(self, sure: float, cause: Key, effect: Key) -> tuple[float, Basis]:
        """Let the fleet's data raise or lower the trust in a rule."""
        for pair, sign in (
            (self._pairs.get((cause, effect)), 1),
            (self._pairs.get((effect, cause)), -1),
        ):
            if pair is not None:
                shift = sign * min(pair.score, _MOST_FLEET)
                return _expit(_logit(sure) + shift), "rule_and_fleet"
        return sure, "rule"

    def _fleet_cause(self, facts: Sequence[CodeFact], i: int) -> Link | None:
        """Find the cause the fleet's data name; they overrule no circuit fault (rule 1)."""
        fact = facts[i]
        if fact.is_circuit:
            return None
        found = [
            (pair.score, j)
            for j, other in enumerate(facts)
            if j != i and (pair := self._pairs.get((other.key, fact.key))) is not None
        ]
        if not found:
            return None
        score, best = max(found, key=lambda x: (x[0], facts[x[1]].key))
        sure = _expit(score) * (
            _SIGN_FACTOR if fact.seen.is_sign or facts[best].seen.is_sign else 1
        )
        return Link(best, sure, "fleet", "fleet", "this fleet's own scans and repairs")

    def _chained_cause(self, facts: Sequence[CodeFact], i: int) -> Link | None:
        """Find a report in the unit pointed at: it hears the fault from a third unit."""
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

    # --- telling it --------------------------------------------------------------------------

    def _echo(self, facts: Sequence[CodeFact], i: int, link: Link, root: tuple[int, float]) -> Role:
        fact, primary = facts[i], facts[root[0]]
        through = None if root[0] == link.cause else facts[link.cause]
        pair = self._pairs.get((facts[link.cause].key, fact.key))
        fleet = pair.words if pair and link.basis != "rule" else None
        why = self._words.echo(fact, primary, through, link.relation, fleet)
        return Role(
            fact.seen.ecu,
            fact.seen.code,
            "consequential",
            primary.seen.ecu,
            primary.seen.code,
            round(root[1], 3),
            link.basis,
            link.source,
            None,
            why,
        )

    def _primary(
        self,
        fact: CodeFact,
        followers: Sequence[CodeFact],
        sure: float,
        links: Sequence[Link | None],
        i: int,
    ) -> Role:
        near = [link for link in links if link is not None and link.cause == i]
        best = max(near, key=lambda link: link.confidence)
        return Role(
            fact.seen.ecu,
            fact.seen.code,
            "primary",
            None,
            None,
            round(sure, 3),
            best.basis,
            best.source,
            None,
            self._words.primary(fact, followers),
        )

    def _alone(self, fact: CodeFact, look: Look, facts: Sequence[CodeFact], *, ring: bool) -> Role:
        pointer = fact.pointer
        if pointer is None or ring:
            why = self._words.ring(fact) if ring else self._words.alone(fact, len(facts))
            return Role(
                fact.seen.ecu,
                fact.seen.code,
                "stands_alone",
                None,
                None,
                _ALONE,
                "none",
                None,
                None,
                why,
            )
        same = sum(f.pointer is not None and f.pointer.ecu == pointer.ecu for f in facts)
        others = set(fact.targets) - {fact.unit}
        if look.read.isdisjoint(others or fact.targets):
            silent = not look.silent.isdisjoint(fact.targets)
            return Role(
                fact.seen.ecu,
                fact.seen.code,
                "consequential",
                pointer.ecu,
                None,
                _UNNAMED,
                "rule",
                pointer.source,
                pointer.ecu,
                self._words.unread(fact, same, silent=silent),
            )
        return Role(
            fact.seen.ecu,
            fact.seen.code,
            "stands_alone",
            None,
            None,
            _ALONE,
            "rule",
            pointer.source,
            None,
            self._words.unexplained(fact, same),
        )


def break_rings(links: list[Link | None]) -> set[int]:
    """Cut every ring of causes at its weakest link; of equals, cut all.  Give those all cut.

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
    """Follow causes from a code; the codes of the ring it runs into, none if it ends."""
    path: list[int] = []
    at = start
    while at not in path:
        path.append(at)
        link = links[at]
        if link is None:
            return []
        at = link.cause
    return path[path.index(at) :]


def _root(links: Sequence[Link | None], i: int) -> tuple[int, float]:
    """Follow causes to the end: the primary, and the confidence of the whole way."""
    sure = 1.0
    while (link := links[i]) is not None:
        sure *= link.confidence
        i = link.cause
    return i, sure


def _link_to_common_cause(
    facts: Sequence[CodeFact], links: list[Link | None], relation: Literal["supply", "bus"]
) -> None:
    """Link reports that nothing explains yet to a supply or bus fault, if they are many.

    Low voltage makes units complain of it, miss each other and send bad data; tests of lost
    messages run only in a window of voltage (makers' published conditions of codes).  A fault of
    a bus makes units lose each other.  A component's own circuit fault is explained by neither.
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
    in_other_units = any(
        facts[i].common == relation and facts[i].unit != facts[first].unit for i in explained
    )
    if len(explained) < _MANY[relation] and not in_other_units:
        return
    for i in explained:
        sure = _TRUST[relation]
        pointer = facts[i].pointer
        source = pointer.source if pointer else "own judgement; supply and bus rows of the table"
        links[i] = Link(first, sure, "rule", relation, source)


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
