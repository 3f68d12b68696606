"""Every reason that the SQL or a rule can write has its words, in every language."""

import re
from importlib.resources import files

import pytest

from afterclear.reasons import EVIDENCE_PARAMETERS, EvidenceReason
from afterclear.wording.cells import Cells
from afterclear.wording.evidence import SAID, SETTLED_BY, evidence_words
from afterclear.wording.language import MARKS

_SQL = files("afterclear.histories") / "sql"
_WRITTEN = re.compile(r"(?:THEN|ELSE)\s+'([a-z_]+)'")
_SAY_NOTHING = set(EvidenceReason) - {
    EvidenceReason.READ_WITHOUT,
    EvidenceReason.SHOWN_AGAIN,
    EvidenceReason.STILL_THERE_SAME_VISIT,
    EvidenceReason.STILL_THERE_UNCLEARED,
}


def _between(name: str, start: str, end: str) -> str:
    text = (_SQL / name).read_text(encoding="utf-8")
    return text[text.index(start) : text.index(end, text.index(start))]


def test_the_sql_writes_the_reasons_there_are_and_no_others() -> None:
    written = (
        _between("50_timeline.sql", "AS cleared_km_ago", "AS why_blind")
        + _between("50_timeline.sql", "MACRO why_no_evidence", "END;")
        + _between("80_evidence.sql", "CASE finding", "AS reason")
    )
    found = set(_WRITTEN.findall(written))
    assert found == set(EvidenceReason)


def test_every_reason_has_its_words_and_what_settles_it() -> None:
    assert set(SAID) == set(EvidenceReason)
    assert set(SETTLED_BY) == _SAY_NOTHING


@pytest.mark.parametrize("language", MARKS)
@pytest.mark.parametrize("reason", EvidenceReason)
def test_a_reason_says_its_numbers_and_nothing_else(reason: EvidenceReason, language: str) -> None:
    said = evidence_words(
        reason, Cells("mi", language=language), monitor="egr_vvt", since_clear_km=80, needed_km=160
    )
    told = ("monitor" in EVIDENCE_PARAMETERS.get(reason, ()), bool(re.search(r"\d", said)))
    assert ("egr vvt" in said, "50" in said and "99" in said) == told
    assert "{" not in said
    assert "km" not in said
