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
    lines = [f"{verdicts.n_attempts} fix attempts"]
    for outcome, words in _OUTCOMES.items():
        lines.append(f"{verdicts.by_outcome.get(outcome, 0):>6}  {words}")
    return lines
