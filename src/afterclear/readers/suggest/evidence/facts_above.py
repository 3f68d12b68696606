"""A fact in a line above a table: a label and its value, as a pattern of a map."""

import re
from collections.abc import Sequence

from afterclear.readers.suggest.columns.column_choice import BLANKS
from afterclear.readers.suggest.columns.profiles import heading_meanings
from afterclear.readers.suggest.evidence.decision_draft import Filling
from afterclear.readers.suggest.evidence.table_seen import Fact

_LIKELY = 0.5


def fact_of(f: Filling, roles: Sequence[str]) -> tuple[str, Fact] | None:
    """Find the value of a label above the table for one of these roles."""
    for role in roles:
        for fact in f.seen.facts:
            meant = heading_meanings(fact.label, f.sight.words)
            if meant.get(role, 0.0) >= _LIKELY and fact.text.lower() not in BLANKS:
                best = max(meant.get(r, 0.0) for r in roles)
                if meant[role] >= best:
                    return role, fact
    return None


def above(_: Filling, fact: Fact, taken: str = r"(\S.*?)") -> str:
    """Write the pattern that takes a fact from the text above."""
    label = r"\s+".join(map(re.escape, fact.label.split()))
    return rf"(?m){label}\s*[:=]?\s*{taken}\s*$"
