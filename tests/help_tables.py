"""The tables of the plain layout on its help page, as ``plain.py`` has them.

``python -m tests.help_tables`` writes them anew; ``tests/test_help.py`` fails where they differ.
"""

from pathlib import Path
from typing import Final

import afterclear
from afterclear.plain import MILE_COLUMNS, TABLES, Column, Table

PAGE: Final = Path(afterclear.__file__).parent / "help" / "tables.md"
_HEAD: Final = "| column | holds |"


def plain_dictionary(table: Table) -> str:
    """Write the columns of a table of the plain layout, as Markdown."""
    return "\n".join(["| column | holds |", "|---|---|", *map(_plain_line, table.columns)])


def _plain_line(column: Column) -> str:
    name = f"`{column.name}`"
    if column.name in MILE_COLUMNS:
        name += f" or `{MILE_COLUMNS[column.name]}`"
    words = [
        f"`{word}`" + (" (also when empty)" if word == column.default else "")
        for word in column.choices
    ]
    # words that the meaning explains already are not listed again
    listed = (
        f": {', '.join(words)}" if words and f"`{column.choices[0]}`" not in column.means else ""
    )
    also = f"; empty means `{column.default}`" if column.default and not listed else ""
    required = "; required" if column.required else ""
    return f"| {name} | {column.means}{listed}{also}{required} |"


def renewed(page: str) -> str:
    """Put the tables into the page, each in its section."""
    for name, table in TABLES.items():
        begin = page.index(_HEAD, page.index(f"\n## {name}\n"))
        end = page.index("\n\n", begin)
        page = page[:begin] + plain_dictionary(table) + page[end:]
    return page


if __name__ == "__main__":
    PAGE.write_text(renewed(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
