"""Roles in sentences that can be read aloud to whoever owns the vehicle.  Pure."""

from collections.abc import Sequence
from typing import Final

from afterclear.findings.roles.role_facts import CodeFact, FactBook

_SAYS: Final = {
    "lost": "{code} says that the {ecu} unit gets no messages from the {target} unit",
    "invalid": "{code} says that data sent by the {target} unit are marked as bad",
    "software": "{code} says that software does not match that of the {target} unit",
    "pointer": "{code} only asks to look into the {target} unit",
    "consequence": "{code} is about a signal that usually comes from the {target} unit",
}
_NAMED: Final = 3  # echoes named in one sentence; more are counted


class RoleWords:
    """Writes the reason of a role."""

    def __init__(self, book: FactBook) -> None:
        self._book = book

    def _unit(self, fact: CodeFact) -> str:
        return self._book.label(fact.unit)

    def _named(self, fact: CodeFact) -> str:
        return f"{fact.seen.code} in the {self._unit(fact)} unit"

    def _says(self, fact: CodeFact) -> str:
        pointer = fact.pointer
        if pointer is None:
            return self._named(fact)
        target = self._book.label(pointer.ecu)
        return _SAYS[pointer.relation].format(
            code=self._named(fact), ecu=self._unit(fact), target=target
        )

    def echo(
        self,
        fact: CodeFact,
        primary: CodeFact,
        through: CodeFact | None,
        relation: str,
        fleet: str | None,
    ) -> str:
        """Say why a code follows from another."""
        cause = f"{self._named(primary)} ({primary.meaning})"
        if relation == "fleet":
            return f"{self._named(fact)} follows {cause}: in this fleet {fleet}."
        if relation in {"supply", "bus"}:
            what = "supply voltage" if relation == "supply" else "data bus"
            text = (
                f"{self._named(fact)} is a code that a {what} fault sets, in many units at once, "
                f"and this scan has one: {cause}"
            )
        elif relation == "harmed":
            why = fact.harm.why if fact.harm else ""
            text = (
                f"{self._named(fact)} can be harm done by {cause}: {why}. Put that right first, "
                f"then judge {fact.seen.code} anew before any part is replaced for it"
            )
        elif through is not None:
            heard = self._named(through)
            text = f"{self._says(fact)}, which has it from {heard}; behind it is {cause}"
        else:
            text = f"{self._says(fact)}, and this scan shows what is wrong there: {cause}"
        return f"{text}. In this fleet {fleet}." if fleet else f"{text}."

    def primary(self, fact: CodeFact, followers: Sequence[CodeFact]) -> str:
        """Say what follows from a code."""
        names = [self._named(follower) for follower in followers]
        listed = ", ".join(names[:_NAMED])
        if len(names) > _NAMED:
            listed += f" and {len(names) - _NAMED} more"
        follow = "follows" if len(names) == 1 else "follow"
        own = f"{self._named(fact)} ({fact.meaning})"
        return f"{own} is the fault to work on: {listed} {follow} from it."

    def alone(self, fact: CodeFact, n_codes: int) -> str:
        """Say that a code is a fault of its own."""
        if n_codes == 1:
            return f"{self._named(fact)} ({fact.meaning}) is the only code of this scan."
        return (
            f"{self._named(fact)} ({fact.meaning}) is a fault of its own: no other code of this "
            "scan explains it or follows from it."
        )

    def ring(self, fact: CodeFact) -> str:
        """Say that codes point at each other with nothing to choose between them."""
        return (
            f"{self._says(fact)}, and that unit reports the same the other way round: nothing "
            "tells which is first, so look at the wiring and supply between the two."
        )

    def unread(self, fact: CodeFact, n_pointing: int, *, silent: bool) -> str:
        """Say that the unit pointed at was not read, or did not answer."""
        target = self._book.label(fact.pointer.ecu) if fact.pointer else ""
        if silent:
            others = f" ({n_pointing} codes point at it)" if n_pointing > 1 else ""
            return (
                f"{self._says(fact)}; the {target} unit gave no answer to this scan{others}. Check "
                "its supply, ground and wiring first, then the unit itself."
            )
        return (
            f"{self._says(fact)}, but the {target} unit was not read in this scan. Read it before "
            f"any work on the {self._unit(fact)} unit."
        )

    def unexplained(self, fact: CodeFact, n_pointing: int) -> str:
        """Say that the unit pointed at was read and has nothing that would explain the code."""
        target = self._book.label(fact.pointer.ecu) if fact.pointer else ""
        both = f" {n_pointing} codes point at it." if n_pointing > 1 else ""
        return (
            f"{self._says(fact)}, but the {target} unit was read and has no code that would "
            f"explain it.{both} Look at the wiring and supply between the two."
        )
