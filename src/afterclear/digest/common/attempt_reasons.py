"""One sentence per verdict: which scans it rests on, when and at what distance.  Pure."""

from collections.abc import Callable, Sequence
from datetime import datetime

from afterclear.digest.input.row_types import Attempt, Episode, Evidence
from afterclear.reasons import CLEAR_CAUSE, EvidenceReason
from afterclear.wording.cells import CAUSE_STEP, Cells
from afterclear.wording.evidence import SETTLED_BY, SETTLED_BY_ANY, evidence_words
from afterclear.wording.language import mark

VERDICT_WORDS: dict[str, str] = {
    "held": mark("Held"),
    "came_back": mark("Came back"),
    "on_watch": mark("On watch"),
    "unchecked": mark("Unchecked"),
}
# what was done, for sentences ("420 km after the repair")
DEED: dict[str, str] = {"repair": mark("the repair"), "clear_only": mark("the clear")}

_AFTER = mark(", {when} after {deed}")
_AFTER_ON_RECORD = mark(", {when} after {deed}, by the unit's own record of where it began")
_AFTER_UNSEEN = mark(", {when} after {deed}, not counting {gap} that no scan covers")
_NOTICED_KM = 20.0  # odometers of one visit differ by less
_COUNTS = CAUSE_STEP / 2  # a chance that would be told as none is not mentioned
_CAUSES: dict[str, str] = {
    "same": mark("the old fault"),
    "worn": mark("part worn out"),
    "new": mark("a new fault"),
}
_MOST_LIKELY: dict[str, str] = {
    "same": mark("; most likely the fix did not hold: {share}{rest}"),
    "worn": mark("; most likely the part has worn out: {share}{rest}"),
    "new": mark("; most likely a new fault: {share}{rest}"),
}
_NOT_CLEAR: dict[str, str] = {
    "same": mark("; the cause is not clear: the fix did not hold {share}{rest}"),
    "worn": mark("; the cause is not clear: part worn out {share}{rest}"),
    "new": mark("; the cause is not clear: a new fault {share}{rest}"),
}
# a clear repairs nothing: what comes back after it alone is the fault that was there
_AFTER_CLEAR: dict[str, str] = {
    _MOST_LIKELY["same"]: mark("; most likely the old fault: {share}{rest}"),
    _NOT_CLEAR["same"]: mark("; the cause is not clear: the old fault {share}{rest}"),
}
_NAMED_SCANS = 3  # more are counted, and listed in the table under the sentence


def attempt_reason(
    attempt: Attempt,
    evidence: Sequence[Evidence] = (),
    cells: Cells | None = None,
    related: Episode | None = None,
    *,
    is_sold: bool = False,
) -> str:
    """Explain why an attempt has its verdict, in one sentence naming its scans.

    ``evidence``: the attempt's own rows, any order; without them the scans are named from the
    attempt alone, without their km.  ``related``: where another code of the same component has
    appeared since, without this one coming back.  ``is_sold``: nobody scans the vehicle for us any
    more, so nothing is on watch, and what is still to go would be a promise.
    """
    ordered = sorted(evidence, key=lambda row: row.seen_at)
    write = cells or Cells()
    said = _not_proven if is_sold and attempt.outcome == "on_watch" else _SENTENCES[attempt.outcome]
    sentence = (_stayed if attempt.stayed else said)(attempt, ordered, write)
    if related is None or attempt.outcome == "came_back":
        return sentence
    return f"{sentence.removesuffix('.')}; {_related(related, write)}."


def what_settles(evidence: Sequence[Evidence]) -> str:
    """Return which scan would settle an attempt without any evidence; English."""
    asking = [
        (row.seen_at, row.reason)
        for row in evidence
        if row.reason is not None and row.reason in SETTLED_BY
    ]
    return SETTLED_BY[max(asking)[1]] if asking else SETTLED_BY_ANY


def reason_of(row: Evidence, cells: Cells) -> str:
    """Explain what a scan shows of an attempt."""
    if row.reason is None:
        return cells.t("no reason given")
    return evidence_words(
        row.reason,
        cells,
        monitor=row.monitor,
        since_clear_km=row.since_clear_km,
        needed_km=row.needed_km,
    )


def _related(episode: Episode, cells: Cells) -> str:
    return cells.t(
        "{code} of the same component first seen on {day}",
        code=episode.code,
        day=cells.day(episode.onset_high_at),
    )


def _came_back(attempt: Attempt, evidence: Sequence[Evidence], cells: Cells) -> str:
    what = cells.t("{code} again", code=attempt.code)
    if attempt.related_code and attempt.related_code != attempt.code:
        what = cells.t(
            "{other}, a code of the same component as {code}",
            other=attempt.related_code,
            code=attempt.code,
        )
    after = ""
    if attempt.returned_high_km is not None:
        after = _after(attempt, attempt.returned_high_km, evidence, cells)
    return cells.t(
        "Came back: {scan} showed {what}{after}{chance}.",
        scan=_scan(attempt.returned_scan_id, attempt.returned_at, evidence, cells),
        what=what,
        after=after,
        chance=_causes(attempt, cells),
    )


def _after(attempt: Attempt, high_km: float, evidence: Sequence[Evidence], cells: Cells) -> str:
    """Say how far after the work it was back; what was driven beside that is named.

    Where codes were cleared and their unit not read before, nothing is known of the way up to
    there, and it counts neither for the fix nor against it.
    """
    on_record = any(row.reason == EvidenceReason.FIRST_SEEN_EARLIER for row in evidence)
    seen_km = next((r.km for r in evidence if r.scan_id == attempt.returned_scan_id), None)
    gap_km = 0.0
    if not on_record and seen_km is not None and attempt.attempted_km is not None:
        gap_km = seen_km - attempt.attempted_km - high_km
    known = _AFTER_ON_RECORD if on_record else _AFTER
    return cells.t(
        _AFTER_UNSEEN if gap_km > _NOTICED_KM else known,
        when=cells.between(attempt.returned_low_km, high_km, attempt.clock),
        deed=cells.t(DEED[attempt.kind]),
        gap=cells.amount(gap_km, attempt.clock),
    )


def _causes(attempt: Attempt, cells: Cells) -> str:
    """Say which of the three causes is likeliest, where one is; with all chances that count."""
    chances = {
        "same": attempt.p_same_fault,
        "worn": attempt.p_worn,
        "new": attempt.p_new,
    }
    known = {cause: p for cause, p in chances.items() if p is not None and p >= _COUNTS}
    if not known:
        return ""
    if attempt.followed_code is not None:
        return cells.t(
            "; the work was on a code that only follows from another, {cause}",
            cause=code_in(attempt.followed_code, attempt.followed_ecu, cells),
        )
    first = max(known, key=known.__getitem__)
    rest = ", ".join(
        f"{cells.t(_CAUSES[cause])} {cells.cause(p)}"
        for cause, p in known.items()
        if cause != first
    )
    values = {"share": cells.cause(known[first]), "rest": f" ({rest})" if rest else ""}
    said = (_MOST_LIKELY if known[first] >= CLEAR_CAUSE else _NOT_CLEAR)[first]
    if attempt.kind == "clear_only":
        said = _AFTER_CLEAR.get(said, said)
    return cells.t(said, **values)


def code_in(code: str, ecu: str | None, cells: Cells) -> str:
    """Name a code with its control unit."""
    if ecu is None:
        return code
    return cells.t("{code} in the {unit}", code=code, unit=cells.control_unit(ecu))


def _stayed(attempt: Attempt, evidence: Sequence[Evidence], cells: Cells) -> str:
    found = [row for row in evidence if row.finding == "stayed"]
    values = {"code": attempt.code, "deed": cells.t(DEED[attempt.kind])}
    if not found:
        seen = _scan(attempt.returned_scan_id, attempt.returned_at, evidence, cells)
        return cells.t("Never gone: {scan} still showed {code} after {deed}.", scan=seen, **values)
    seen = _scan(found[0].scan_id, found[0].seen_at, found, cells)
    if found[0].reason != EvidenceReason.STILL_THERE_UNCLEARED:
        return cells.t(
            "Never gone: {scan} still showed {code} in the same visit as {deed}.",
            scan=seen,
            **values,
        )
    return cells.t(
        "Never gone: {scan} still showed {code} after {deed}, with no clear and no "
        "scan without it in between.",
        scan=seen,
        **values,
    )


def _clean(attempt: Attempt, evidence: Sequence[Evidence], cells: Cells) -> str:
    """Return the distance and the scans in which the fault was searched for and not found."""
    scans = [row for row in evidence if row.finding == "clean"]
    values = {
        "last": _scan(attempt.last_clean_scan_id, attempt.last_clean_at, evidence, cells),
        "code": attempt.code,
        "distance": cells.amount(attempt.clean_km, attempt.clock),
        "deed": cells.t(DEED[attempt.kind]),
        "unit": cells.control_unit(attempt.ecu),
    }
    if len(scans) > 1:
        return cells.t(
            "{scans} read the {unit} without {code} over {distance} since "
            "{deed}, most recently {last}",
            scans=cells.tn("{n} scan", "{n} scans", len(scans)),
            **values,
        )
    return cells.t(
        "{last} read the {unit} without {code} over {distance} since {deed}",
        **values,
    )


def _chance(attempt: Attempt, cells: Cells) -> str:
    if attempt.p_not_held is None:
        return ""
    share = cells.chance(attempt.p_not_held)
    return cells.t("; chance that it did not hold {share}", share=share)


def _looked_for(
    message: str, attempt: Attempt, evidence: Sequence[Evidence], cells: Cells, **more: str
) -> str:
    """Say of a fault that was looked for and not found; ``more``: what only this message has."""
    return cells.t(
        message,
        clean=_clean(attempt, evidence, cells),
        chance=_chance(attempt, cells),
        ended=_ended(attempt, cells),
        **more,
    )


def _held(attempt: Attempt, evidence: Sequence[Evidence], cells: Cells) -> str:
    return _looked_for(mark("Held: {clean}{chance}{ended}."), attempt, evidence, cells)


def _on_watch(attempt: Attempt, evidence: Sequence[Evidence], cells: Cells) -> str:
    to_go = ""
    if attempt.km_to_go is not None and attempt.ended_at is None:
        distance = cells.to_drive(attempt.km_to_go, attempt.clock)
        to_go = cells.t(
            "; counts as fixed after about {distance} more without it", distance=distance
        )
    message = mark("On watch: {clean}{chance}{to_go}{ended}.")
    return _looked_for(message, attempt, evidence, cells, to_go=to_go)


def _not_proven(attempt: Attempt, evidence: Sequence[Evidence], cells: Cells) -> str:
    return _looked_for(mark("Not proven: {clean}{chance}{ended}."), attempt, evidence, cells)


def _unchecked(attempt: Attempt, evidence: Sequence[Evidence], cells: Cells) -> str:
    silent = [row for row in evidence if row.finding in {"no_evidence", "sign"}]
    values = {"deed": cells.t(DEED[attempt.kind]), "ended": _ended(attempt, cells)}
    if not silent and attempt.ecu is None:
        return cells.t(
            "Unchecked since {deed} on {day}{ended}: no scan has ever shown this code, so it is "
            "not known which control unit to look in.",
            day=cells.day(attempt.attempted_at),
            **values,
        )
    if not silent:
        return cells.t(
            "Unchecked: no scan of the {unit} since {deed} on {day}{ended}.",
            unit=cells.control_unit(attempt.ecu),
            day=cells.day(attempt.attempted_at),
            **values,
        )
    named = "; ".join(_says_nothing(row, cells) for row in silent[:_NAMED_SCANS])
    if len(silent) > _NAMED_SCANS:
        named += cells.t("; and {n} more", n=cells.number(len(silent) - _NAMED_SCANS))
    return cells.tn(
        "Unchecked: {n} scan since {deed} says nothing ({named}){ended}.",
        "Unchecked: {n} scans since {deed} say nothing ({named}){ended}.",
        len(silent),
        named=named,
        **values,
    )


def _says_nothing(row: Evidence, cells: Cells) -> str:
    return f"{_scan(row.scan_id, row.seen_at, [row], cells)}: {reason_of(row, cells)}"


def _ended(attempt: Attempt, cells: Cells) -> str:
    if attempt.ended_at is None:
        return ""
    return cells.t(
        "; observation ended on {day}, when the fault was worked on again",
        day=cells.day(attempt.ended_at),
    )


def _scan(
    scan_id: str | None, at: datetime | None, evidence: Sequence[Evidence], cells: Cells
) -> str:
    """Name a scan with its day and, where known, its odometer."""
    if scan_id is None and at is None:
        return cells.t("a later scan")
    km = next((row.km for row in evidence if row.scan_id == scan_id), None)
    name = cells.t("scan {scan}", scan=scan_id) if scan_id else cells.t("a scan")
    if at is not None:
        name = cells.t("{scan} on {day}", scan=name, day=cells.day(at))
    if km is not None:
        name = cells.t("{scan} at {distance}", scan=name, distance=cells.distance(km))
    return name


_Sentence = Callable[[Attempt, Sequence[Evidence], Cells], str]
_SENTENCES: dict[str, _Sentence] = {
    "came_back": _came_back,
    "held": _held,
    "on_watch": _on_watch,
    "unchecked": _unchecked,
}


# from here on a count of the fleet is told as a round number it is not below
_ROUNDED_FROM = 20


def likes_said(n: int, n_back: int, cells: Cells) -> str:
    r"""Say how many attempts the chances come from and, of a few, how many of them came back.

    Large numbers are rounded: they grow every night, and a page of a vehicle of which nothing is
    new is not written again for them (``export attempts`` has them exactly).

    >>> likes_said(567, 481, Cells())[:61]
    'The chances are worked out from more than 500 similar attempt'
    """
    if n >= _ROUNDED_FROM:
        return cells.t(
            "The chances are worked out from more than {n} similar attempts in the fleet (same "
            "component, same kind of fix, first attempt or repeat).",
            n=cells.number(_round_below(n)),
        )
    if n_back:
        return cells.t(
            "The chances are worked out from the {n} similar attempts in the fleet (same "
            "component, same kind of fix, first attempt or repeat), of which {back} came back.",
            n=cells.number(n),
            back=cells.number(n_back),
        )
    return cells.t(
        "The chances are worked out from the {n} similar attempts in the fleet (same "
        "component, same kind of fix, first attempt or repeat), of which none came back.",
        n=cells.number(n),
    )


def _round_below(n: int) -> int:
    """Give the next number below that is 1, 2 or 5 times a power of ten."""
    power = int(f"1{'0' * (len(str(n - 1)) - 1)}")
    return max(step * power for step in (1, 2, 5) if step * power < n)
