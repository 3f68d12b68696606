"""PDFs as they are printed: reports and invoices, written by fpdf2."""

from collections.abc import Sequence
from datetime import UTC, datetime

from fpdf import FPDF

TextRows = Sequence[Sequence[str]]


class Paper(FPDF):
    """A document with a head and a foot on each page."""

    head = ""
    foot = ""

    def header(self) -> None:
        """Print the head."""
        if self.head:
            self.cell(0, 8, self.head, new_x="LMARGIN", new_y="NEXT")

    def footer(self) -> None:
        """Print the foot."""
        if self.foot:
            self.set_y(-15)
            self.cell(0, 8, self.foot.format(self.page_no()))


def paper(head: str = "", foot: str = "") -> Paper:
    """Begin a document."""
    made = Paper()
    made.head, made.foot = head, foot
    made.set_font("helvetica", size=10)
    made.set_creation_date(datetime(2026, 1, 1, tzinfo=UTC))  # the same bytes every time
    made.add_page()
    return made


def say(made: FPDF, *lines: str) -> None:
    """Print lines, each on its own."""
    for line in lines:
        made.cell(0, 6, line, new_x="LMARGIN", new_y="NEXT")


def ruled(made: FPDF, rows: TextRows, widths: Sequence[int]) -> None:
    """Print a table with lines around its cells, headings again on each page."""
    with made.table(col_widths=tuple(widths)) as table:
        for row in rows:
            table.row(list(row))


def bare(made: FPDF, rows: TextRows, places: Sequence[float], step: float = 7) -> None:
    """Print rows at fixed places, without any lines; a cell of several lines wraps."""
    for row in rows:
        top, n_lines = made.get_y(), max(cell.count("\n") + 1 for cell in row)
        for place, cell in zip(places, row, strict=True):
            for n, line in enumerate(cell.split("\n")):
                made.text(place, top + 5 + 4.2 * n, line)
        made.set_y(top + step + 4.2 * (n_lines - 1))


def raw(made: FPDF) -> bytes:
    """Give its bytes."""
    return bytes(made.output())
