"""One sentence per verdict: which scans it rests on, when and at what distance.  Pure."""

from collections.abc import Callable, Sequence
from datetime import datetime

from afterclear.digest.cells import Cells, count, percent, unit_name
from afterclear.digest.rows import Attempt, Evidence

VERDICT_WORDS: dict[str, str] = {
    "held": "Held",
    "came_back": "Came back",
    "on_watch": "On watch",
    "unchecked": "Unchecked",
}
# what was done, for sentences ("420 km after the repair")
_DEED: dict[str, str] = {"repair": "the repair", "clear_only": "the clear"}

# What a scan that says nothing asks for: words met in its reason -> what would settle it.
# First match wins; the reasons are those of histories (design 6, rules 1 to 5).
_SETTLES: tuple[tuple[str, str], ...] = (
    ("did not answer", "find out why the control unit does not answer, then scan it again"),
    ("partial scan", "a full scan, or one that reads this control unit"),
    ("not read", "a full scan, or one that reads this control unit"),
    ("active", "a scan that reads stored codes, not only active ones"),
    ("monitor", "a scan after enough driving for the vehicle's self-test to finish"),
    ("not completed", "a scan after enough driving for the vehicle's self-test to finish"),
    ("since the clear", "a scan after more driving"),
    ("nothing was driven", "a scan after more driving"),
    ("permanent", "a scan after more driving, for the permanent record to be withdrawn"),
    ("pending", "one more scan: a code pending once is a sign, not yet a return"),
)
_SETTLED_BY_ANY = "any scan that reads this control unit after some driving"
_NAMED_SCANS = 3  # more are counted, and listed in the table under the sentence


def attempt_reason(
    attempt: Attempt, evidence: Sequence[Evidence] = (), cells: Cells | None = None
) -> str:
    """Say why an attempt has its verdict, in one sentence naming its scans.

    ``evidence``: the attempt's own rows, any order; without them the scans are named from the
    attempt alone, without their km.
    """
    ordered = sorted(evidence, key=lambda row: row.seen_at)
    sentence = _stayed if attempt.stayed else _SENTENCES[attempt.outcome]
    return sentence(attempt, ordered, cells or Cells())


def what_settles(evidence: Sequence[Evidence]) -> str:
    """Say which scan would settle an attempt that no scan has said anything about."""
    silent = [row for row in evidence if row.finding in {"no_evidence", "sign"} and row.why]
    if not silent:
        return _SETTLED_BY_ANY
    why = (max(silent, key=lambda row: row.seen_at).why or "").lower()
    return next((wanted for words, wanted in _SETTLES if words in why), _SETTLED_BY_ANY)


def _came_back(attempt: Attempt, evidence: Sequence[Evidence], cells: Cells) -> str:
    seen = _scan(attempt.returned_scan_id, attempt.returned_at, evidence, cells)
    what = f"{attempt.code} again"
    if attempt.related_code and attempt.related_code != attempt.code:
        what = f"{attempt.related_code}, a code of the same family as {attempt.code}"
    when = cells.between(attempt.returned_low_km, attempt.returned_high_km, attempt.clock)
    after = f", {when} after {_DEED[attempt.kind]}" if attempt.returned_high_km is not None else ""
    return f"Came back: {seen} showed {what}{after}{_same_fault(attempt)}."


def _same_fault(attempt: Attempt) -> str:
    if attempt.p_same_fault is None:
        return ""
    chance = percent(attempt.p_same_fault)
    if attempt.p_same_fault < 0.5:  # noqa: PLR2004  (a half: the other reading is likelier)
        return f"; more likely a new fault, chance that it is the old one {chance}"
    return f"; chance that it is the old fault {chance}"


def _stayed(attempt: Attempt, evidence: Sequence[Evidence], cells: Cells) -> str:
    found = [row for row in evidence if row.finding == "stayed"]
    deed = _DEED[attempt.kind]
    if not found:
        seen = _scan(attempt.returned_scan_id, attempt.returned_at, evidence, cells)
        return f"Never gone: {seen} still showed {attempt.code} after {deed}."
    seen = _scan(found[0].scan_id, found[0].seen_at, found, cells)
    if "same visit" in (found[0].why or "same visit"):
        return f"Never gone: {seen} still showed {attempt.code} in the same visit as {deed}."
    return (
        f"Never gone: {seen} still showed {attempt.code} after {deed}, "
        "and no clear and no scan without it lie between."
    )


def _clean(attempt: Attempt, evidence: Sequence[Evidence], cells: Cells) -> str:
    """Say over what distance and in which scans the fault was looked for and not found."""
    scans = [row for row in evidence if row.finding == "clean"]
    last = _scan(attempt.last_clean_scan_id, attempt.last_clean_at, evidence, cells)
    stretch = attempt.clean_days if attempt.clock == "days" else attempt.clean_km
    over = f"without {attempt.code} over {cells.amount(stretch, attempt.clock)}"
    since = f"since {_DEED[attempt.kind]}"
    unit = unit_name(attempt.ecu)
    if len(scans) > 1:
        n = count(len(scans), "scan")
        return f"{n} read the control unit “{unit}” {over} {since}, the last being {last}"
    return f"{last} read the control unit “{unit}” {over} {since}"


def _held(attempt: Attempt, evidence: Sequence[Evidence], cells: Cells) -> str:
    text = f"Held: {_clean(attempt, evidence, cells)}"
    if attempt.p_not_held is not None:
        text += f"; chance that it did not hold {percent(attempt.p_not_held)}"
    return f"{text}{_ended(attempt, cells)}."


def _on_watch(attempt: Attempt, evidence: Sequence[Evidence], cells: Cells) -> str:
    text = f"On watch: {_clean(attempt, evidence, cells)}"
    if attempt.p_not_held is not None:
        text += f"; chance that it did not hold {percent(attempt.p_not_held)}"
    if attempt.km_to_go is not None and attempt.ended_at is None:
        text += f", proven after {cells.amount(attempt.km_to_go, attempt.clock)} more without it"
    return f"{text}{_ended(attempt, cells)}."


def _unchecked(attempt: Attempt, evidence: Sequence[Evidence], cells: Cells) -> str:
    silent = [row for row in evidence if row.finding in {"no_evidence", "sign"}]
    deed = _DEED[attempt.kind]
    if not silent:
        on = cells.day(attempt.attempted_at)
        unit = unit_name(attempt.ecu)
        text = f"Unchecked: no scan of the control unit “{unit}” since {deed} on {on}"
        return f"{text}{_ended(attempt, cells)}."
    named = "; ".join(
        f"{_scan(row.scan_id, row.seen_at, [row], cells)}: {row.why or 'no reason given'}"
        for row in silent[:_NAMED_SCANS]
    )
    more = len(silent) - _NAMED_SCANS
    rest = f"; and {more} more" if more > 0 else ""
    n = count(len(silent), "scan")
    says = "says" if len(silent) == 1 else "say"
    return f"Unchecked: {n} since {deed} {says} nothing ({named}{rest}){_ended(attempt, cells)}."


def _ended(attempt: Attempt, cells: Cells) -> str:
    if attempt.ended_at is None:
        return ""
    return f"; watching ended on {cells.day(attempt.ended_at)}, when the fault was worked on again"


def _scan(
    scan_id: str | None, at: datetime | None, evidence: Sequence[Evidence], cells: Cells
) -> str:
    """Name a scan with its day and, where known, its odometer."""
    if scan_id is None and at is None:
        return "a later scan"
    km = next((row.km for row in evidence if row.scan_id == scan_id), None)
    name = f"scan {scan_id}" if scan_id else "a scan"
    on = f" on {cells.day(at)}" if at else ""
    return f"{name}{on}" + (f" at {cells.distance(km)}" if km is not None else "")


_Sentence = Callable[[Attempt, Sequence[Evidence], Cells], str]
_SENTENCES: dict[str, _Sentence] = {
    "came_back": _came_back,
    "held": _held,
    "on_watch": _on_watch,
    "unchecked": _unchecked,
}
