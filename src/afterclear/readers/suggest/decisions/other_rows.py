"""Rows of another kind than their table: codes cleared among codes read, work that was not done.

A column of a few words shows it. Such rows are never taken like the others without asking: a
cleared code would count as seen, and planned work as a repair.
"""

import re
from collections.abc import Sequence

from afterclear.catalogue.folded_words import without_accents
from afterclear.readers.suggest.decisions.legends import ask_marked_rows
from afterclear.readers.suggest.evidence.column_choice import Decision, Taken
from afterclear.readers.suggest.evidence.decision_draft import Filling
from afterclear.readers.suggest.evidence.profiles import Profile
from afterclear.readers.suggest.evidence.questions import Choice, Question

# Words by their beginnings, in the languages served (common practice, no source).
_CLEARED = re.compile(
    r"(?:.*[\W_])?(?:clear|erase|geloscht|loschen|loschung|efface|borrad|borrar|skasow|kasow|wykasow)"
)
_UNDONE = re.compile(
    r"(?:not |nicht |non |no |nie )?(?:planned|scheduled|open|pending|quoted?\b|estimate|cancel"
    r"|declined|refused|rejected|requested|approved|geplant|offen|angebot|kostenvoranschlag|storniert"
    r"|abgelehnt|angefragt|prevu|planifie|devis|annule|refuse|en attente|a faire|planificad"
    r"|pendiente|presupuest|anulad|cancelad|rechazad|zaplanowan|planowan|otwart|wycen|ofert|anulowan"
    r"|odrzucon|oczekuj|gutschrift|storno|credit|avoir|abono|nota de credito|korekt|faktura koryg"
    r"|superseded|obsolete|void|in progress|in arbeit|in bearbeitung|en cours|en curso|w toku)"
    r"|(?:not|nicht|non|no|nie) (?:done|erledigt|ausgefuhrt|fait|realise|hecho|realizado|wykonan)"
)
# A clearing that did not work, and a reading that broke off.
_FAILED = re.compile(
    r"(?:not |nicht |non |no |nie )?(?:fail|unsuccess|error|abort|reject|refus|denied|impossib"
    r"|fehlgeschlagen|fehler|abgebrochen|abgelehnt|echec|echou|fallid|fallo|error|rechazad|abortad"
    r"|niepowodz|nieudan|blad|przerwan|odrzucon)"
    r"|(?:not|nicht|non|no|nie) (?:cleared|done|ok|possible|geloscht|moglich|erfolgreich|efface"
    r"|reussi|borrad|realizad|skasowan|wykonan|udal)"
)
_BROKEN_OFF = re.compile(
    r"(?:interrupt|abort|broken off|incomplete|unfinished|connection lost|timed? ?out|unterbrochen"
    r"|abgebrochen|unvollstandig|verbindung verloren|interromp|abandon|incomplet|connexion perdue"
    r"|interrumpid|abortad|conexion perdida|przerwan|niekompletn|niedokonczon|utrata polaczenia)"
)
_FEW = 8  # distinct words of such a column
_MOST_WORDS = 6  # of one value: "cancelled - customer did not come"
_TEXTS = ("work_text", "complaint", "notes", "description", "code", "ecu", "vehicle_id", "reason")
_SAYS_OF_CODES = ("status", "status_flag", "ecu_response")
_WHOSE = ("vehicle_id", "vin", "plate")


def part_rows(f: Filling) -> None:
    """Ask about rows of another kind, and leave them out or separate them as answered."""
    _struck_rows(f)
    _part_by_words(f)
    ask_marked_rows(f)


def _part_by_words(f: Filling) -> None:
    if f.decision.into == "scans" and (found := _saying(f, _CLEARED)):
        _part_cleared(f, *found)
    elif f.decision.into == "scans" and (flagged := _flagged_as_cleared(f)):
        _clear_after_reading(f, *flagged)
    elif f.decision.into == "scans" and (found := _saying(f, _BROKEN_OFF, _SAYS_OF_CODES)):
        _leave_or_take(f, *found, "Was the vehicle read to the end then?")
    elif f.decision.into == "scans" and not _has_codes(f) and (found := _saying(f, _UNDONE)):
        _leave_or_take(f, *found, "Does such a row count?")
    elif f.decision.into == "clears" and (found := _saying(f, _FAILED)):
        _leave_or_take(f, *found, "Was the memory cleared then?")
    elif f.decision.into == "repairs" and (found := _saying(f, _UNDONE)):
        _leave_or_take(f, *found, "Was that work done?")


def _has_codes(f: Filling) -> bool:
    return f.wide is not None or f.has("code") or f.has("spn") or f.has("ecu")


def _struck_rows(f: Filling) -> None:
    """Ask what rows with struck-out text mean; without an answer they are refused."""
    if not f.seen.struck:
        return
    question = Question(
        "struck",
        f"{len(f.seen.struck):,} rows are struck out, wholly or in part. Do they count?",
        (
            Choice("leave", "no: such rows are left out"),
            Choice("read", "yes: they are read like the others, struck-out text too"),
        ),
        f.seen.struck[:3],
        unasked="leave",
    )
    f.decision.table_keys["struck"] = f.asker.choose(question)


def _saying(
    f: Filling, pattern: re.Pattern[str], but: Sequence[str] = ()
) -> tuple[Profile, list[str]] | None:
    """Find a column of a few words that marks such rows; ``but``: roles of columns that do not."""
    texts = {f.roles[r].heading for r in (*_TEXTS, *but) if f.has(r)}
    for profile in f.sight.profiles:
        is_wordy = len(profile.values) > _FEW or any(
            len(v.split()) > _MOST_WORDS for v in profile.values
        )
        if profile.heading in texts or is_wordy:
            continue
        words = [v for v in profile.values if pattern.match(without_accents(v).strip())]
        if words:
            return profile, words
    return None


def _part_cleared(f: Filling, profile: Profile, words: list[str]) -> None:
    choices = (
        Choice("clears", "codes were cleared: such rows become clears"),
        Choice("scans", "codes were read, as in the other rows"),
        Choice("leave", "nobody knows: such rows are left out"),
    )
    answer = _ask(f, profile, words, "What happened then?", choices, unasked="leave")
    if answer == "scans":
        return
    _drop(f, profile, words)
    if answer == "clears":
        f.decision.more.append(Decision("clears", f.decision.sure))


def _flagged_as_cleared(f: Filling) -> tuple[Profile, list[str]] | None:
    """Find a column that says yes or no to codes having been cleared."""
    for profile in f.sight.profiles:
        flags = {v: f.sight.words.of_word("flag", v) for v in profile.values}
        yes = [v for v, flag in flags.items() if flag == "yes"]
        if yes and all(flags.values()) and _CLEARED.match(without_accents(profile.heading)):
            return profile, yes
    return None


def _clear_after_reading(f: Filling, profile: Profile, words: list[str]) -> None:
    choices = (
        Choice("both", "yes, when they had been read: such rows are clears, too"),
        Choice("scans", "nobody knows: codes were read, and no more is taken"),
    )
    if _ask(f, profile, words, "Were codes cleared then?", choices, unasked="scans") == "both":
        keys: dict[str, object] = {"keep_where": {profile.heading: _any_of(words)}}
        f.decision.more.append(Decision("clears", f.decision.sure, table_keys=keys))


def _leave_or_take(f: Filling, profile: Profile, words: list[str], what: str) -> None:
    choices = (
        Choice("leave", "no: such rows are left out"),
        Choice("take", "yes, as in the other rows"),
    )
    if _ask(f, profile, words, what, choices, unasked="leave") == "leave":
        _drop(f, profile, words)


def _ask(
    f: Filling,
    profile: Profile,
    words: Sequence[str],
    what: str,
    choices: tuple[Choice, ...],
    *,
    unasked: str,
) -> str:
    """Ask what rows are that have one of some words in a column; show the first of them."""
    rows = tuple(f.row_text(at) for at, cell in enumerate(profile.cells) if cell in words)[:3]
    said = f"Some rows say {words[0]!r} under {profile.heading!r}. {what}"
    return f.asker.choose(Question("rows", said, choices, rows, unasked=unasked))


def _drop(f: Filling, profile: Profile, words: Sequence[str]) -> None:
    f.decision.table_keys["drop_where"] = {profile.heading: _any_of(words)}
    f.dropped |= set(words)


def _any_of(words: Sequence[str]) -> str:
    return f"^(?:{'|'.join(map(re.escape, words))})$"


def fill_parted(f: Filling) -> None:
    """Make clears from the separated rows, with the columns of the readings."""
    for more in f.decision.more:
        kept = more.table_keys.get("keep_where") or f.decision.table_keys["drop_where"]
        more.table_keys = {k: v for k, v in f.decision.table_keys.items() if k == "fill_down"} | {
            "keep_where": kept
        }
        own = {**dict.fromkeys(_WHOSE, ""), "scanned_at": "cleared_at", "odometer_km": ""}
        more.columns = [
            Taken(own[t.column] or t.column, t.spec, t.sure, t.reason)
            for t in f.decision.columns
            if t.column in own
        ]
