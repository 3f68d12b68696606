"""The dictionary of ``afterclear help tables``: every finding with its columns, as Markdown."""

from datetime import datetime
from typing import Final

from afterclear.finding_tables.declaration import Column, Finding, columns_of
from afterclear.finding_tables.registry import FINDINGS

_KINDS: Final = {
    str: "text",
    int: "whole number",
    float: "number",
    bool: "yes or no",
    datetime: "instant",
}


def dictionary() -> str:
    """Write the tables of findings that can be exported, a section each."""
    head = (
        "# Tables of findings\n\n"
        "`afterclear export NAME` takes one out. An empty cell means *not known*. Distances are "
        "km, instants UTC. Where a table has a `sentence`, it says the row's numbers in English; "
        "pages say them in the reader's language and unit.\n"
    )
    return "\n".join([head, *map(_section, FINDINGS)])


def _section(finding: Finding) -> str:
    lines = [f"## {finding.name}", "", f"{finding.about}.", "", "| column | kind | holds |"]
    lines += [
        "|---|---|---|",
        *(
            _line(column, finding.called.get(column.name, column.name))
            for column in columns_of(finding.row)
            if column.name not in finding.without
        ),
    ]
    if finding.method:
        lines.append(f"| `method` | text | {finding.method} |")
    if finding.reason:
        lines.append(f"| `{finding.reason}` | text | the reason in words |")
    if finding.says:
        lines.append("| `sentence` | text | the row in words |")
    return "\n".join([*lines, ""])


def _line(column: Column, name: str) -> str:
    kind = ", ".join(filter(None, (_KINDS[column.kind], column.means.unit_words)))
    words = "; ".join(
        f"`{word}`: {said}" for word, said in column.means.words.items() if word != said
    )
    holds = f"{column.means.meaning}. {words}" if words else column.means.meaning
    return f"| `{name}` | {kind} | {holds} |"
