"""Which code of one scan is primary and which consequential.  Pure.

Every code has at most one cause among the other codes of its scan: by what the tables say it points
at, by a supply or bus fault that explains many, or by the fleet's own data (``pair_evidence``).
Rings of causes are cut at their weakest link; the result is trees, and the root of a tree is its
primary. A code that points at a unit nobody read stays a consequence of that unit without a named
code: it is never dropped. The rules are own judgement, and pages present them as reasoning.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from afterclear.findings.roles.role_facts import CodeFact, FactBook, SeenCode
from afterclear.findings.roles.role_links import (
    Basis,
    CauseRules,
    FleetPair,
    Key,
    Link,
    break_rings,
    root_of,
)
from afterclear.findings.roles.role_reasons import ExplainedRole, RoleReasons

RoleName = Literal["primary", "consequential", "stands_alone"]

_UNNAMED: Final = 0.6  # the code points at a unit, but none of that unit's codes is known
_ALONE: Final = 0.6


@dataclass(frozen=True, slots=True)
class Look:
    """One scan: its codes, and which control units (functions) it read."""

    codes: tuple[SeenCode, ...]
    read: frozenset[str]
    silent: frozenset[str] = frozenset()  # did not answer


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
    explained: ExplainedRole


class RoleRules:
    """Roles of scans."""

    def __init__(self, book: FactBook, pairs: Mapping[tuple[Key, Key], FleetPair]) -> None:
        self._book = book
        self._pairs = pairs
        self._causes = CauseRules(pairs)
        self._reasons = RoleReasons(book)

    def roles(self, look: Look) -> tuple[Role, ...]:
        """Return the role of each code, in the order of ``look.codes``."""
        facts = [self._book.fact(seen) for seen in look.codes]
        links = self._causes.links(facts)
        in_ring = break_rings(links)
        roots = {i: root_of(links, i) for i in range(len(facts))}
        n_followers = Counter(root for i, (root, _) in roots.items() if root != i)
        roles = []
        for i, fact in enumerate(facts):
            link = links[i]
            if link is not None:
                roles.append(self._consequential(facts, i, link, roots[i]))
            elif n_followers[i]:
                followers = [facts[j] for j, (root, _) in roots.items() if root == i and j != i]
                sure = max(roots[j][1] for j, (root, _) in roots.items() if root == i and j != i)
                roles.append(self._primary(fact, followers, sure, links, i))
            else:
                roles.append(self._alone(fact, look, facts, ring=i in in_ring))
        return tuple(roles)

    # --- reasons and records -----------------------------------------------------------------

    def _consequential(
        self, facts: Sequence[CodeFact], i: int, link: Link, root: tuple[int, float]
    ) -> Role:
        fact, primary = facts[i], facts[root[0]]
        through = None if root[0] == link.cause else facts[link.cause]
        pair = self._pairs.get((facts[link.cause].key, fact.key))
        fleet = pair if link.basis != "rule" else None
        explained = self._reasons.follows(fact, primary, through, link.relation, fleet)
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
            explained,
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
            self._reasons.primary(fact, followers),
        )

    def _alone(self, fact: CodeFact, look: Look, facts: Sequence[CodeFact], *, ring: bool) -> Role:
        pointer = fact.pointer
        if pointer is None or ring:
            explained = (
                self._reasons.mutual(fact) if ring else self._reasons.alone(fact, len(facts))
            )
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
                explained,
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
                self._reasons.unread(fact, same, silent=silent),
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
            self._reasons.unexplained(fact, same),
        )
