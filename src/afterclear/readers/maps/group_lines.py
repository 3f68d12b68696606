"""Lines within a table that head a group of its rows: a vehicle, an order, a site.

Their named groups become columns of the rows below them.  A line that says the same things as an
earlier one forgets what that one and all after it said: another vehicle begins, and a code of the
order before is not its own.
"""

import re
from collections.abc import Sequence
from itertools import groupby

from afterclear.errors import RefusedFileError, worded
from afterclear.readers.maps.source_table import Cells, plain_heading

BETWEEN = " | "  # put between the cells of a line


def line_text(cells: Cells) -> str:
    """Give a line's text: its cells but for blank ones; one that spans columns comes once.

    >>> line_text(["Order 12", None, " V-1 ", "V-1"])
    'Order 12 | V-1'
    """
    filled = (c.strip() for c in cells if c and c.strip())
    return BETWEEN.join(text for text, _ in groupby(filled))


class GroupLines:
    """What the lines that head groups say; ``names``: the columns they make.

    Raises:
        RefusedFileError: a heading of the table has the name of such a column.

    """

    def __init__(self, patterns: Sequence[str], headings: Sequence[str], where: str) -> None:
        self._patterns = [re.compile(pattern) for pattern in patterns]
        names = (name for pattern in self._patterns for name in pattern.groupindex)
        self.names = list(dict.fromkeys(names))
        taken = {plain_heading(heading) for heading in headings}
        if twice := [name for name in self.names if plain_heading(name) in taken]:
            raise RefusedFileError(
                worded(
                    "{where} has a heading {name!r} of its own. Give that part of `group` in the "
                    "map another name.",
                    where=where,
                    name=twice[0],
                )
            )
        self._held: list[dict[str, str | None]] = []

    def take(self, cells: Cells) -> bool:
        """Take a line that heads a group; False: it is none."""
        text = line_text(cells) if self._patterns else ""
        found = next((f for p in self._patterns if (f := p.search(text))), None)
        if found is None:
            return False
        said = found.groupdict()
        again = (at for at, held in enumerate(self._held) if held.keys() & said.keys())
        del self._held[next(again, len(self._held)) :]
        self._held.append(said)
        return True

    @property
    def cells(self) -> list[str | None]:
        """The cells they add to the row that comes next."""
        said = {name: text for held in self._held for name, text in held.items()}
        return [said.get(name) for name in self.names]
