"""English sentences beside the reasons of exported tables.  Pure: frames in, frames out."""

from collections.abc import Callable
from typing import Any, Final

import polars as pl

from afterclear.reasons import EvidenceReason
from afterclear.wording.cells import Cells
from afterclear.wording.evidence import evidence_words
from afterclear.wording.language import GAP

_ENGLISH: Final = Cells()


def _evidence(row: dict[str, Any]) -> str:
    said = evidence_words(EvidenceReason(row.pop("reason")), _ENGLISH, **row)
    return said.replace(GAP, " ")  # a table is not set in lines


# table -> the column its sentence gets, the columns it is made of, and how
_SENTENCES: Final[dict[str, tuple[str, tuple[str, ...], Callable[[dict[str, Any]], str]]]] = {
    "evidence": ("why", ("reason", "monitor", "since_clear_km", "needed_km"), _evidence),
}


def with_sentences(table: str, frame: pl.DataFrame) -> pl.DataFrame:
    """Put the sentence of each row beside its reason; tables without reasons stay as they are."""
    if table not in _SENTENCES:
        return frame
    name, columns, said = _SENTENCES[table]
    # a large table says the same few things again and again
    known = frame.select(columns).unique(maintain_order=True)
    words = pl.Series(name, [said(row) for row in known.iter_rows(named=True)], dtype=pl.String)
    return frame.join(
        known.with_columns(words), on=columns, how="left", nulls_equal=True, maintain_order="left"
    )
