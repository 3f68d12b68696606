"""What templates may use: words and numbers in the reader's language."""

from collections.abc import Callable
from typing import Any

from markupsafe import Markup

from afterclear.digest.audience.compared import PART_RESULTS, result_words
from afterclear.digest.audience.garage import PROCESS_WORDS, site_name
from afterclear.digest.audience.stock import STOCK_WORDS, stock_reason
from afterclear.digest.charts.proof_bar import draw_growth
from afterclear.digest.common.assess import action_words
from afterclear.digest.common.attempt_reasons import VERDICT_WORDS, likes_said
from afterclear.digest.common.file_names import rows_file
from afterclear.digest.common.model import AttemptView, by_site
from afterclear.digest.input.frames import Caution
from afterclear.digest.input.row_types import OdometerReading, Repair
from afterclear.digest.output.scan_runs import scan_runs
from afterclear.finding_tables.sites import apart_is_told
from afterclear.wording import findings
from afterclear.wording.cells import Cells, capital
from afterclear.wording.code_words import code_text, code_words
from afterclear.wording.facts import ASIDE_WORDS
from afterclear.wording.given_words import given_words
from afterclear.wording.language import mark
from afterclear.wording.roles import role_sentence
from afterclear.wording.stock import audit_words
from afterclear.wording.work import URGENCY_WORDS, decision_words, deed_words, ground_words

ROLE_WORDS: dict[str, str] = {
    "primary": mark("the fault to work on"),
    "stands_alone": mark("a separate fault"),
    "consequential": mark("follows from another code"),
}
ORIGIN_WORDS: dict[str, str] = {
    "scan": mark("scan {name}"),
    "repair": mark("order {name}"),
    "clear": mark("clear"),  # it has no name but its instant, which the line shows
}
DECISION_WORDS: dict[str, str] = {
    "accept": mark("accepted"),
    "wait": mark("wait"),
    "not_a_fault": mark("not a fault"),
    "repaired_elsewhere": mark("repaired elsewhere"),
}


def filters(cells: Cells) -> dict[str, Callable[..., Any]]:
    """Return every filter of the templates, for one reader."""

    def word(words: dict[str, str]) -> Callable[[str], str]:
        return lambda name: cells.t(words[name]) if name in words else name.replace("_", " ")

    return {
        "amount": cells.amount,
        "aside_word": word(ASIDE_WORDS),
        "audit_words": lambda deciding: audit_words(deciding, cells),
        "capital_letter": capital,
        "caution_words": lambda caution: caution_words(caution, cells),
        "code_text": lambda text: code_text(text, cells.words),
        "code_words": lambda text: code_words(text, cells.words),
        "by_site": by_site,
        "bold": lambda text: Markup("<b>{}</b>").format(text),
        "chance": cells.chance,
        "day": cells.day,
        "decision_word": word(DECISION_WORDS),
        "decision_words": lambda facts: decision_words(facts.decision, facts.note, cells),
        "deed_words": lambda deeds: deed_words(deeds, cells),
        "distance": cells.distance,
        "apart_is_told": apart_is_told,
        "finding_said": lambda row: findings.finding_words(row, cells),
        "finding_parts": lambda row: findings.finding_parts(row, cells),
        "given_words": lambda text: given_words(text, cells.words),
        "ground_words": lambda grounds: ground_words(grounds, cells),
        "growth_bar": _growth_bar,
        "habit": word(PROCESS_WORDS),
        "likes_said": lambda row: likes_said(row.n_group, row.group_returned or 0, cells),
        "moment": cells.moment,
        "money": cells.money,
        "number": cells.number,
        "origin_words": lambda reading: _origin_words(reading, cells),
        "part_result": word(PART_RESULTS),
        "percent": cells.percent,
        "times": cells.times,
        "repair_line": lambda line: _repair_line(line, cells),
        "result_words": lambda row: result_words(row, cells),
        "role_reason": lambda row: role_sentence(row.reason, row.facts, cells),
        "role_word": word(ROLE_WORDS),
        "rows_file": rows_file,
        "scan_runs": lambda evidence: scan_runs(evidence, cells),
        "sentence": _sentence,
        "site_name": lambda site: site_name(site, cells),
        "small": lambda text: text[:1].lower() + text[1:],  # German nouns keep their capitals
        "stock_reason": lambda row: stock_reason(row, cells),
        "stock_word": word(STOCK_WORDS),
        "unit_name": cells.unit_name,
        "urgency_word": word(URGENCY_WORDS),
        "verdict_word": word(VERDICT_WORDS),
    }


def caution_words(caution: Caution, cells: Cells) -> Caution | None:
    """Return a caution in the reader's language; None if it has no translation."""
    title, text = (cells.words.known(words) for words in (caution.title, caution.text))
    return Caution(title, text) if title and text else None


def _growth_bar(view: AttemptView) -> Markup:
    clean, to_go = view.row.clean_km, view.row.km_to_go
    if clean is None or to_go is None or clean + to_go <= 0:
        return Markup("")
    return draw_growth(clean / (clean + to_go))


def _origin_words(reading: OdometerReading, cells: Cells) -> str:
    known = ORIGIN_WORDS.get(reading.origin or "")
    if known is None:
        return " ".join(part for part in (reading.origin, reading.origin_id) if part)
    return cells.t(known, name=reading.origin_id or "").strip()


def _repair_line(line: Repair, cells: Cells) -> str:
    named = " ".join(part for part in (line.part_family, line.position, line.part_number) if part)
    if line.part_brand:
        named = f"{named} ({line.part_brand})".strip()
    text = ": ".join(part for part in (action_words(line.action, cells), named) if part)
    return _sentence(text or line.notes or cells.t("not described"), end="")


def _sentence(text: str, end: str = ".") -> str:
    return f"{capital(text)}{end}" if text else ""
