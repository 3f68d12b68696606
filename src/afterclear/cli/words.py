"""Words for results in the terminal."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from afterclear.errors import worded
from afterclear.records import Rejection

if TYPE_CHECKING:  # a command that judges nothing need not wait for the estimators
    from afterclear.findings.verdicts import Verdicts

_OUTCOMES = {
    "came_back": worded("came back"),
    "held": worded("held"),
    "on_watch": worded("on watch: clean so far, not proven yet"),
    "unchecked": worded("unchecked: no scan since says anything"),
}

_FOLLOWED = worded(
    "of these at codes that followed from another fault or are of its circuit; pages count them "
    "with its fix"
)


def counted(n: int, what: str) -> str:
    """Say how many.

    >>> counted(1, "scan"), counted(2, "scan")
    ('1 scan', '2 scans')
    """
    return f"{n} {what}" if n == 1 else f"{n} {what}s"


def read_again_line(n: int, n_depending: int = 0) -> str:
    """Say that loads were read again, and others that had built on them.

    >>> str(read_again_line(2, 1))
    "2 loads and 1 that built on them were read again; 'afterclear analyse' is due."
    """
    return worded(
        "{n} loads{more} were read again; 'afterclear analyse' is due.",
        n=n,
        more=worded(" and {n} that built on them", n=n_depending) if n_depending else "",
    )


def refused_line(refused: Rejection) -> str:
    """Say which row was refused, and what was expected."""
    place = f"line {refused.line}" if refused.line else "somewhere"
    value = "empty" if refused.value is None else repr(refused.value)
    return f"{place}, {refused.column or 'the row'} {value}: expected {refused.expected}"


def decision_line(row: Mapping[str, Any]) -> str:
    """Say what was decided, by whom and when, and whether it was undone; a row of the export.

    Times are UTC.
    """
    about = " in ".join(filter(None, (row["code"], row["ecu"]))) or row["attempt_id"]
    ends = [
        f"until {row['until_at']:%d %b %Y}" if row["until_at"] else "",
        f"until {row['until_km']:,.0f} km" if row["until_km"] is not None else "",
    ]
    said = " ".join((row["word"].replace("_", " "), " or ".join(filter(None, ends)))).strip()
    undone = (
        f" (undone on {row['undone_at']:%d %b %Y} by {row['undone_by']})"
        if row["undone_at"]
        else ""
    )
    note = f": {row['note']}" if row["note"] else ""
    return (
        f"{row['decision_id']}  {row['decided_at']:%d %b %Y}  {row['vehicle_id']}"
        f"{f' {about}' if about else ''}: {said}, by {row['decided_by']}{note}{undone}"
    )


def verdict_lines(verdicts: "Verdicts") -> list[str]:
    """Count the fix attempts by what became of them."""
    n_all = verdicts.n_attempts
    of_all = (
        worded("{n} fix attempt", n=n_all) if n_all == 1 else worded("{n} fix attempts", n=n_all)
    )
    counts = {words: verdicts.by_outcome.get(outcome, 0) for outcome, words in _OUTCOMES.items()}
    if verdicts.n_echoes:
        counts[_FOLLOWED] = verdicts.n_echoes
    return [of_all, *(worded("{n:>6}  {what}", n=n, what=words) for words, n in counts.items())]
