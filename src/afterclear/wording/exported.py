"""English sentences beside the reasons of exported tables.  Pure: frames in, frames out."""

import json
from collections.abc import Callable
from dataclasses import dataclass
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
from afterclear.wording.work import cost_words, decision_words, deed_words, ground_words

_ENGLISH: Final = Cells()


def _evidence(row: dict[str, Any], cells: Cells) -> str:
    return evidence_words(EvidenceReason(row.pop("reason")), cells, **row)


def _audit(row: dict[str, Any], cells: Cells) -> str:
    return audit_words(row["deciding"], cells)


def _stock_reason(row: dict[str, Any], cells: Cells) -> str:
    return stock_words(StockReason(row["reason"]), json.loads(row["facts"]), cells)


def _role(row: dict[str, Any], cells: Cells) -> str:
    return role_sentence(row["reason"], row["facts"], cells)


def _decided(row: dict[str, Any], cells: Cells) -> str | None:
    # without its note, which has its own column and which a setting may remove
    return decision_words(row["decision"], None, cells) if row["decision"] else None


@dataclass(frozen=True, slots=True)
class _Sentence:
    """A column of sentences."""

    name: str
    columns: tuple[str, ...]  # the columns it is made from
    said: Callable[[dict[str, Any], Cells], str | None]
    before: str  # the column after it: others read tables by their order


def _listed(name: str, column: str, words: Callable[[str, Cells], str], before: str) -> _Sentence:
    """Declare the sentences of a column that lists reasons (JSON)."""
    return _Sentence(name, (column,), lambda row, cells: words(row[column], cells), before)


_WORK: Final = (
    _listed("action", "deeds", deed_words, "safety"),
    _listed("because", "grounds", ground_words, "safety"),
    _listed("evidence", "looks", ground_words, "p_not_fixed"),
    _listed("loss_basis", "cost_grounds", cost_words, "codes"),
    _Sentence("decided", ("decision",), _decided, "decision"),
)
_EVIDENCE: Final = ("reason", "monitor", "since_clear_km", "needed_km")
_SENTENCES: Final[dict[str, tuple[_Sentence, ...]]] = {
    "evidence": (_Sentence("why", _EVIDENCE, _evidence, "reason"),),
    **{
        each.name: (_Sentence(each.reason, ("reason", "facts"), _role, "reason"),)
        for each in FINDINGS
        if each.reason
    },
    "stock": (_Sentence("because", ("deciding",), _audit, "deciding"),),
    "stock_reasons": (_Sentence("because", ("facts", "reason"), _stock_reason, "facts"),),
    "worklist": _WORK,
    "worklist_set_aside": _WORK,
}


def with_sentences(table: str, frame: pl.DataFrame, cells: Cells = _ENGLISH) -> pl.DataFrame:
    """Put the sentence of each row beside its reason; tables without reasons do not change."""
    if table in BY_NAME and BY_NAME[table].says:
        return _with_finding(BY_NAME[table], frame, cells)
    for sentence in _SENTENCES.get(table, ()):
        frame = _with_sentence(sentence, frame, cells)
    return frame


def _with_sentence(sentence: _Sentence, frame: pl.DataFrame, cells: Cells) -> pl.DataFrame:
    columns = sentence.columns
    # the sentences of a large table repeat many times
    known = frame.select(columns).unique(maintain_order=True)
    # (no-break spaces are for pages: a table has no line breaks)
    sentences = (sentence.said(row, cells) for row in known.iter_rows(named=True))
    lines = [line and line.replace(GAP, " ") for line in sentences]
    words = pl.Series(sentence.name, lines, dtype=pl.String)
    joined = frame.join(
        known.with_columns(words), on=columns, how="left", nulls_equal=True, maintain_order="left"
    )
    before = frame.columns.index(sentence.before)
    return joined.select(*frame.columns[:before], sentence.name, *frame.columns[before:])


def _with_finding(finding: Finding, frame: pl.DataFrame, cells: Cells) -> pl.DataFrame:
    """Add the sentence of each row of a declared finding, as its last column."""
    own = frame.rename({called: name for name, called in finding.called.items()}, strict=False)
    known = dict.fromkeys(finding.without)
    lines = [
        finding_words(SimpleNamespace(**known, **row), cells, finding).replace(GAP, " ")
        for row in own.iter_rows(named=True)
    ]
    return frame.with_columns(pl.Series("sentence", lines, dtype=pl.String))
