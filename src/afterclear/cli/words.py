"""Words for results in the terminal."""

from afterclear.findings.verdicts import Verdicts

_OUTCOMES = {
    "came_back": "came back",
    "held": "held",
    "on_watch": "on watch: clean so far, not proven yet",
    "unchecked": "unchecked: no scan since says anything",
}


def verdict_lines(verdicts: Verdicts) -> list[str]:
    """Count the fix attempts by what became of them."""
    n = verdicts.n_attempts
    lines = [f"{n} fix attempt" if n == 1 else f"{n} fix attempts"]
    for outcome, words in _OUTCOMES.items():
        lines.append(f"{verdicts.by_outcome.get(outcome, 0):>6}  {words}")
    if verdicts.n_echoes:
        lines.append(
            f"{verdicts.n_echoes:>6}  of these at codes that only followed from another fault; "
            "pages count them with its fix"
        )
    return lines
