"""Why a code has its role: reasons with their facts, for ``wording/roles.py``.  Pure."""

from collections.abc import Sequence
from dataclasses import dataclass

from afterclear.findings.roles.role_facts import CodeFact, FactBook
from afterclear.findings.roles.role_links import FleetPair
from afterclear.reasons import Fact, RoleReason

R = RoleReason
_COMMON = {"supply": R.FOLLOWS_SUPPLY, "bus": R.FOLLOWS_BUS, "fleet": R.FOLLOWS_BY_FLEET}


@dataclass(frozen=True, slots=True)
class ExplainedRole:
    """A reason with its facts."""

    reason: RoleReason
    facts: dict[str, Fact]


class RoleReasons:
    """Builds the reason of a role."""

    def __init__(self, book: FactBook) -> None:
        self._book = book

    def follows(
        self,
        fact: CodeFact,
        primary: CodeFact,
        through: CodeFact | None,
        relation: str,
        pair: FleetPair | None,
    ) -> ExplainedRole:
        """Build the reason why a code follows from another; ``pair``: the fleet's data about it."""
        facts = self._own(fact) | self._cause(primary) | dict(pair.counts if pair else {})
        if relation in _COMMON:
            return ExplainedRole(_COMMON[relation], facts)
        if relation == "harmed":
            harm = fact.harm.why if fact.harm else ""
            return ExplainedRole(R.FOLLOWS_HARM, facts | {"harm": harm})
        facts |= self._points(fact)
        if through is None:
            return ExplainedRole(R.FOLLOWS_FAULT, facts)
        heard = {"through_code": through.seen.code, "through_unit": self._label(through)}
        return ExplainedRole(R.FOLLOWS_THROUGH, facts | heard)

    def primary(self, fact: CodeFact, followers: Sequence[CodeFact]) -> ExplainedRole:
        """Build the reason with what follows from a code."""
        named = [(other.seen.code, self._label(other)) for other in followers]
        return ExplainedRole(R.HAS_FOLLOWERS, self._meant(fact) | {"followers": named})

    def alone(self, fact: CodeFact, n_codes: int) -> ExplainedRole:
        """Build the reason of a separate fault."""
        return ExplainedRole(R.ONLY_CODE if n_codes == 1 else R.UNRELATED, self._meant(fact))

    def mutual(self, fact: CodeFact) -> ExplainedRole:
        """Build the reason of codes that point at each other with nothing to choose by."""
        if fact.pointer is None:
            return self.alone(fact, 0)
        return ExplainedRole(R.MUTUAL, self._points(fact))

    def unread(self, fact: CodeFact, n_pointing: int, *, silent: bool) -> ExplainedRole:
        """Build the reason that the unit pointed at was not read, or did not answer."""
        if not silent:
            return ExplainedRole(R.TARGET_UNREAD, self._points(fact))
        return ExplainedRole(R.TARGET_SILENT, self._points(fact) | {"n_pointing": n_pointing})

    def unexplained(self, fact: CodeFact, n_pointing: int) -> ExplainedRole:
        """Build the reason that the unit pointed at was read and does not explain the code."""
        return ExplainedRole(R.TARGET_CLEAN, self._points(fact) | {"n_pointing": n_pointing})

    def _label(self, fact: CodeFact) -> str:
        return self._book.label(fact.unit)

    def _own(self, fact: CodeFact) -> dict[str, Fact]:
        return {"code": fact.seen.code, "unit": self._label(fact)}

    def _meant(self, fact: CodeFact) -> dict[str, Fact]:
        return self._own(fact) | {"meaning": fact.meaning}

    def _cause(self, fact: CodeFact) -> dict[str, Fact]:
        return {
            "cause_code": fact.seen.code,
            "cause_unit": self._label(fact),
            "cause_meaning": fact.meaning,
        }

    def _points(self, fact: CodeFact) -> dict[str, Fact]:
        pointer = fact.pointer
        if pointer is None:
            return self._own(fact)
        said: dict[str, Fact] = {
            "relation": pointer.relation,
            "target": self._book.label(pointer.ecu),
        }
        return self._own(fact) | said
