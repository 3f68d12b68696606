"""Lines of which no row was made, as far as they may change what the rows mean."""

import re
from collections.abc import Iterator
from datetime import datetime
from zoneinfo import ZoneInfo

from afterclear.catalogue.folded_words import words_of
from afterclear.errors import RefusedFileError, worded
from afterclear.plain import INSTANT_OF, KM_PER_MILE
from afterclear.readers.maps.source_table import LINE, plain_heading
from afterclear.readers.suggest.account.doubt import Account, says_cleared
from afterclear.readers.suggest.account.named_things import Thing, things_in
from afterclear.readers.suggest.account.source_lines import SourceLine, source_lines
from afterclear.readers.suggest.evidence.footers import footer_word

# a letter and what it means; *NB:* begins a sentence
_LEGEND = re.compile(r"(?:^|[\s,;:(])(?!(?:NB|PS|Nb)\b)([\w*?!~+-]{1,3})\s*[=:]\s*[^\W\d_]{3,}")
_SHOWN = 3
_LONGEST = 160
_MOST_HEADINGS = 2
_MOSTLY = 0.5
_SENTENCE = 5  # words
_TIMES = tuple(INSTANT_OF.values())
_UNITS = {"mi", "1000 km", "cell", "m"}


def ask_lines_outside(account: Account) -> None:
    """Ask about lines that are no row and say something a history is made of."""
    try:
        left = list(_outside(account))
    except RefusedFileError:
        return
    if not left:
        return
    shown = dict.fromkeys(_told(line) for line in left)
    account.ask_whether_fine(
        "line",
        worded(
            "{n_lines:,} lines are no rows of the table, and nothing is made of them. Does one "
            "change what the rows mean, or is it a row itself?",
            n_lines=len(shown),
        ),
        worded("no: the rows mean the same without them"),
        list(shown)[:_SHOWN],
    )


def _told(line: SourceLine) -> str:
    place = ", ".join(filter(None, (line.place, f"line {line.number}" if line.number else "")))
    text = " ".join(line.text.split())[:_LONGEST]
    return f"{place}: {text}" if place else text


def _outside(account: Account) -> Iterator[SourceLine]:
    """Give the lines that are neither rows nor headings, nor told by rows that are stored."""
    seen = account.seen
    names = {plain_heading(name.split("#")[0]) for name in seen.frame.columns}
    rows = (account.lines | set(seen.frame[LINE].to_list())) - account.remarks
    is_tree = seen.kind in {"json", "xml"}
    sheets = set(seen.sheets)
    encoding = str(seen.keys.get("encoding", "detect"))
    lines = list(source_lines(account.source, encoding, seen.tree))
    bag = _bag(account)
    for line in lines:
        if not any(map(str.isalnum, line.text)):
            continue
        if is_tree and any(_is_end(line.place, name) for name in seen.frame.columns):
            continue
        is_of_table = not line.place or line.place in sheets
        if not is_tree and is_of_table and line.number in rows:
            continue
        is_told = account.is_spoken_of(line.text, f"sheet {line.place!r} " if line.place else "")
        if is_told or _is_asked_of(account, line.place) or _is_heading(line.text, names):
            continue
        is_remark = is_of_table and line.number in account.remarks
        told = bag | _days_of(line.text, account) if is_remark else bag
        # the columns of its own table a remark among their rows may name as it likes
        explains = not is_remark and _explains_a_column(account, line.text)
        if explains or _has_words(account, line.text) or _names_more(account, line.text, told):
            yield line


def _is_asked_of(account: Account, path: str) -> bool:
    """Whether it was asked what the codes at a path of a tree are."""
    asked = account.asker.asked.values()
    return bool(path) and any(q.key.startswith("aside:") and repr(path) in q.text for q in asked)


def _days_of(text: str, account: Account) -> set[Thing]:
    """Give the days of a remark in the place of a row: a day alone makes no row."""
    return {thing for thing in things_in(text, account.known) if thing[0] == "day"}


def _names_more(account: Account, text: str, bag: set[Thing]) -> bool:
    """Whether a line names a thing no row tells; a day of printing or of what is due is none."""
    more = things_in(text, account.known) - bag
    kinds = {kind for kind, _ in more}
    words = account.words
    is_of_another = bool(
        words.of_beginning("of_time", text, anywhere=True)
        or words.of_beginning("aside", text, anywhere=True)
        or words.of_beginning("line", text, anywhere=True) == "of_document"
        or footer_word(text.strip())
    )
    return bool(kinds & {"code", "vehicle"}) or bool(kinds and not is_of_another)


def _is_end(path: str, name: str) -> bool:
    return path == name or path.endswith(f".{name}") or name.endswith(f".{path}")


def _bag(account: Account) -> set[Thing]:
    """Gather what the rows tell that are stored or refused."""
    texts = [" | ".join(str(c) for c in row.values() if c is not None) for row in account.stored]
    texts += [refused.row or refused.value or "" for refused in account.read.rejections]
    texts += [
        _day_there(str(row[n]), account) for row in account.stored for n in _TIMES if row.get(n)
    ]
    found = {thing for text in texts for thing in things_in(text, account.known)}
    for row in account.stored:
        for name in ("odometer_km", "odometer_mi"):
            if row.get(name):
                found |= {("distance", digits) for digits in _told_as(float(row[name]))}
    names = (name for row in account.stored for name in account.vehicle_names(row))
    return found | {("vehicle", name) for name in names}


def _day_there(instant: str, account: Account) -> str:
    """Give the day on which something was where the file is from: midnight is the day before."""
    try:
        at = datetime.fromisoformat(instant)
    except ValueError:
        return ""
    return f"{at.astimezone(ZoneInfo(account.source.delivery.zone)):%Y-%m-%d}" if at.tzinfo else ""


def _told_as(km: float) -> Iterator[str]:
    """Give the digits of a distance as a line may tell it: in km, and in miles."""
    yield f"{km:.0f}"
    yield f"{int(km)}"
    yield f"{km / KM_PER_MILE:.0f}"


def _is_heading(text: str, names: set[str]) -> bool:
    """Whether a line is mostly headings: a sentence may name one or two of them."""
    plain = plain_heading(text)
    groups = [group.strip() for group in re.split(r"[;,\t|]", plain) if group.strip()]
    if groups and all(any(name.startswith(group) for name in names) for group in groups):
        return True  # a row of groups above the headings
    within = [name for name in names if name and name != LINE and name in plain]
    n_letters = sum(map(str.isalnum, plain))
    n_within = sum(sum(map(str.isalnum, name)) for name in within)
    return len(within) >= _MOST_HEADINGS and n_within > _MOSTLY * n_letters


def _has_words(account: Account, text: str) -> bool:
    words = account.words
    if _LEGEND.search(text) and not re.search(r"\w{4,}\s*[:=]", text):
        return True
    unit = next((t.spec.get("unit") for t in account.decision.columns
                 if t.column == "odometer_km"), None)  # fmt: skip
    said = words.of_beginning("line", text, anywhere=True)
    if said == "unit" and (unit in _UNITS or "odometer_km" not in _made(account)):
        said = ""
    if said == "zone":  # of the zone that is taken anyway nothing is to be asked
        return account.source.delivery.zone.casefold() not in text.casefold()
    is_doubtful = bool(words.of_beginning("doubt", text, anywhere=True))
    if says_cleared(text, words) and account.decision.into == "scans":
        told = set(words_of(text))
        is_made = any(t.column == "cleared_at" for table in account.tables for t in table.columns)
        return not is_made and not any(words.of_word("flag", word) == "no" for word in told)
    return said in {"validity", "unit"} or is_doubtful


def _explains_a_column(account: Account, text: str) -> bool:
    """Whether a sentence speaks of a column that is used."""
    if account.seen.kind == "text":
        return False  # its patterns are made of the words of its lines
    told = words_of(text)
    if text.count(" ; ") > 1:
        return False  # a row of cells
    if len(told) < _SENTENCE or re.match(r"\s*[^:=]{2,40}:\s*\S+(?:\s\S+)?\s*$", text):
        return False
    named = re.findall(r"\(\?P<(\w+)>", str(account.seen.table_keys.get("group", "")))
    headings = {h for table in account.tables for h in table.used} - {*named}
    return any(
        words and set(words) <= set(told)
        for heading in headings
        if (words := words_of(re.sub(r"[(\[].*", "", heading))) and "".join(words).isalpha()
    )


def _made(account: Account) -> set[str]:
    return {taken.column for taken in account.decision.columns}
