"""A decision as the text of a map: TOML with a remark on every line that was decided."""

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import PurePosixPath

from afterclear.readers.maps.source_table import LINE
from afterclear.readers.suggest.columns.column_choice import Decision, Taken
from afterclear.readers.suggest.evidence.table_seen import Seen
from afterclear.records import Delivery


def written(delivery: Delivery, seen: Seen, decision: Decision) -> str:
    """Write the map."""
    return "\n".join(_lines(delivery, seen, decision)) + "\n"


def _lines(delivery: Delivery, seen: Seen, decision: Decision) -> Iterator[str]:
    base = PurePosixPath(delivery.name.replace("\\", "/")).name
    name, sure = _one_line(base), f"{decision.sure:.0%} sure"
    yield f"# Suggested for {name}: a table of {decision.into}, {sure}.  Look at every line."
    yield 'about = ""  # whose files these are'
    yield f"kind = {toml(seen.kind)}"
    yield f"files = [{toml(_name_pattern(base))}]  # digits of the name may vary"
    for key, value in seen.keys.items():
        yield f"{key} = {toml(value)}"
    yield '# zone = "Europe/Berlin"  # of times without an offset; without it the source\'s'
    for key, value in decision.keys.items():
        yield f"{key} = {toml(value)}"
    yield from _table(seen, decision)
    yield from (f"# missing: {_one_line(each)}" for each in decision.missing)
    yield from _aside(seen, decision)
    for more in decision.more:
        yield from _table(replace(seen, notes=[]), more)


def _table(seen: Seen, decision: Decision) -> Iterator[str]:
    yield from ("", "[[table]]", f"into = {toml(decision.into)}")
    keys = {**seen.table_keys, **decision.table_keys}
    if "drop_where" in seen.table_keys:  # headings again, and rows of another kind
        keys["drop_where"] = _joined(seen.table_keys, decision.table_keys)
    for key, value in keys.items():
        yield f"{key} = {toml(value)}"
    yield from (f"# {_one_line(note)}" for note in (*seen.notes, *decision.notes))
    yield from ("", "[table.columns]")
    for taken in decision.columns:
        yield _column_line(taken)


def _joined(*keys: Mapping[str, object]) -> dict[object, object]:
    """Join what is dropped by each column: rows that fit any of its patterns."""
    dropped: dict[object, object] = {}
    for own in keys:
        for heading, pattern in _pairs(own.get("drop_where")):
            more = heading in dropped and dropped[heading] != pattern
            dropped[heading] = f"{dropped[heading]}|{pattern}" if more else pattern
    return dropped


def _pairs(value: object) -> list[tuple[object, object]]:
    return list(value.items()) if isinstance(value, dict) else []


def _aside(seen: Seen, decision: Decision) -> Iterator[str]:
    """Name the columns that are not used."""
    used = {heading for table in decision.tables for heading in table.used}
    used |= {str(h) for t in decision.tables for h, _ in _pairs(t.table_keys.get("keep_where"))}
    patterns = codes_patterns(decision)
    for heading in seen.frame.columns:
        if heading == LINE or heading in used or any(p.fullmatch(heading) for p in patterns):
            continue
        values = dict.fromkeys(v.strip() for v in seen.frame[heading].head(500) if v and v.strip())
        if not values and re.fullmatch(r"column \d+", heading):
            continue  # nothing under no heading
        text = _one_line(", ".join(values))[:60]
        yield f"# not used, kept aside: {_one_line(heading)} ({text})"


def codes_patterns(decision: Decision) -> list[re.Pattern[str]]:
    """Give what headings of codes side by side fit."""
    named = _listed(decision.table_keys.get("codes_from"))
    return [re.compile(_as_regex(str(pattern))) for pattern in named]


def _listed(value: object) -> list[object]:
    return list(value) if isinstance(value, list | tuple) else []


def _as_regex(pattern: str) -> str:
    plain = re.sub(r"\[([\[*?])\]", r"\\\1", pattern)
    return (
        "(?i)" + re.escape(plain).replace(r"\*", ".*")
        if plain.endswith("*")
        else "(?i)" + re.escape(plain)
    )


def _name_pattern(name: str) -> str:
    """Turn the digits of a file name into a wild card; brackets mean something in patterns."""
    return re.sub(r"[\[\]]", "?", re.sub(r"\d+(?:[-_.]\d+)*", "*", name))


def _column_line(taken: Taken) -> str:
    spec = dict(taken.spec)
    value = toml(spec["from"]) if set(spec) == {"from"} else toml(spec)
    return f"{taken.column} = {value}  # {taken.sure:.0%} sure: {_one_line(taken.reason)}"


def _one_line(text: str) -> str:
    return " ".join(text.split())


def toml(value: object) -> str:
    """Write a value as TOML on one line."""
    if isinstance(value, dict):
        inner = ", ".join(f"{_key(k)} = {toml(v)}" for k, v in value.items())
        return f"{{ {inner} }}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(toml, value))}]"
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _key(key: object) -> str:
    return (
        str(key)
        if re.fullmatch(r"[A-Za-z0-9_-]+", str(key)) and str(key).isascii()
        else toml(str(key))
    )
