"""English sentences beside the reasons of exported tables.  Pure: frames in, frames out."""

import json
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any, Final

import polars as pl

from afterclear.finding_tables.declaration import Finding
from afterclear.finding_tables.registry import BY_NAME, FINDINGS
from afterclear.reasons import EvidenceReason, StockReason
from afterclear.wording.cells import Cells
from afterclear.wording.evidence import evidence_words
from afterclear.wording.findings import finding_words
from afterclear.wording.language import GAP
from afterclear.wording.roles import role_sentence
from afterclear.wording.stock import audit_words, stock_words

_ENGLISH: Final = Cells()


def _evidence(row: dict[str, Any], cells: Cells) -> str:
    return evidence_words(EvidenceReason(row.pop("reason")), cells, **row)


def _audit(row: dict[str, Any], cells: Cells) -> str:
    return audit_words(row["deciding"], cells)


def _stock_reason(row: dict[str, Any], cells: Cells) -> str:
    return stock_words(StockReason(row["reason"]), json.loads(row["facts"]), cells)


def _role(row: dict[str, Any], cells: Cells) -> str:
    return role_sentence(row["reason"], row["facts"], cells)


_Said = Callable[[dict[str, Any], Cells], str]
# table -> the column its sentence gets, the columns it is made of (it stands before the first), how
_SENTENCES: Final[dict[str, tuple[str, tuple[str, ...], _Said]]] = {
    "evidence": ("why", ("reason", "monitor", "since_clear_km", "needed_km"), _evidence),
    **{each.name: (each.reason, ("reason", "facts"), _role) for each in FINDINGS if each.reason},
    "stock": ("because", ("deciding",), _audit),
    "stock_reasons": ("because", ("facts", "reason"), _stock_reason),
}


def with_sentences(table: str, frame: pl.DataFrame, cells: Cells = _ENGLISH) -> pl.DataFrame:
    """Put the sentence of each row beside its reason; tables without reasons stay as they are."""
    if table in BY_NAME and BY_NAME[table].says:
        return _with_finding(BY_NAME[table], frame, cells)
    if table not in _SENTENCES:
        return frame
    name, columns, said = _SENTENCES[table]
    # a large table says the same few things again and again
    known = frame.select(columns).unique(maintain_order=True)
    # (no-break spaces are for pages: a table is not set in lines)
    lines = [said(row, cells).replace(GAP, " ") for row in known.iter_rows(named=True)]
    words = pl.Series(name, lines, dtype=pl.String)
    told = frame.join(
        known.with_columns(words), on=columns, how="left", nulls_equal=True, maintain_order="left"
    )
    before = frame.columns.index(columns[0])
    return told.select(*frame.columns[:before], name, *frame.columns[before:])


def _with_finding(finding: Finding, frame: pl.DataFrame, cells: Cells) -> pl.DataFrame:
    """Add the sentence of each row of a declared finding, as its last column."""
    own = frame.rename({called: name for name, called in finding.called.items()}, strict=False)
    known = dict.fromkeys(finding.without)
    lines = [
        finding_words(SimpleNamespace(**known, **row), cells, finding).replace(GAP, " ")
        for row in own.iter_rows(named=True)
    ]
    return frame.with_columns(pl.Series("sentence", lines, dtype=pl.String))
