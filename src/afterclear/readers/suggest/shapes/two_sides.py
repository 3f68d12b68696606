"""Records of a tree that hold two readings: what was stored before a clearing, and what after it.

Each side is looked at as if the other were not there, and so is the clearing between them.
"""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from afterclear.catalogue.folded_words import words_of
from afterclear.errors import RefusedFileError, worded
from afterclear.readers.formats.nested import LINE_KEY, Node
from afterclear.readers.maps.heading_words import HeadingWords
from afterclear.readers.suggest.columns.column_choice import Decision
from afterclear.readers.suggest.evidence.names_as_keys import names_code
from afterclear.readers.suggest.evidence.table_seen import LOOKED_AT, Seen

_BEFORE, _AFTER, _CLEARED = "before", "after", "cleared"
_WHEN: Mapping[str, str] = {"scans": "scanned_at", "clears": "cleared_at"}
_FILLED = r"\S"
_Path = tuple[str, ...]
_Keys = defaultdict[str, set[str]]  # before, after, cleared -> keys of a record


@dataclass(frozen=True, slots=True)
class Side:
    """One side of the records, or the clearing between: the tree with nothing else in it."""

    name: str
    table: str
    tree: Node


def sides_of(tree: Node, words: HeadingWords) -> list[Side]:
    """Part the records of a tree; empty: they have no two sides with codes."""
    met: defaultdict[_Path, _Keys] = defaultdict(lambda: defaultdict(set))
    for path, record in _objects(tree, ()):
        for key, value in record.items():
            if (side := _side(key, words)) and (side == _CLEARED or names_code(value)):
                met[path][side].add(key)
    found = [(path, own) for path, own in met.items() if own[_BEFORE] and own[_AFTER]]
    if len(found) != 1:
        return []
    path, own = found[0]
    for at, record in _objects(tree, ()):  # what stands beside the codes: a time, a distance
        for key in record if at == path else ():
            if side := _side(key, words):
                own[side].add(key)
    names = [_BEFORE, *([_CLEARED] if own[_CLEARED] else []), _AFTER]
    return [
        Side(
            name,
            "clears" if name == _CLEARED else "scans",
            _without(tree, path, {key for other in names if other != name for key in own[other]}),
        )
        for name in names
    ]


def _side(key: str, words: HeadingWords) -> str:
    told = words_of(key)
    phases = {phase for word in told if (phase := words.of_word("phase", word))}
    if len(phases) == 1:
        return phases.pop()
    return _CLEARED if words.of_beginning("event", key, anywhere=True) == "cleared" else ""


def _objects(node: Node, path: _Path) -> Iterator[tuple[_Path, Mapping[str, Node]]]:
    if isinstance(node, list):
        for each in node[:LOOKED_AT]:
            yield from _objects(each, path)
    elif isinstance(node, dict):
        own = {key: value for key, value in node.items() if key != LINE_KEY}
        yield path, own
        for key, value in own.items():
            yield from _objects(value, (*path, key))


def _without(node: Node, path: _Path, keys: set[str]) -> Node:
    """Copy a tree without some keys of the objects at a path."""
    if isinstance(node, list):
        return [_without(each, path, keys) for each in node]
    if not isinstance(node, dict):
        return node
    if not path:
        return {key: value for key, value in node.items() if key not in keys}
    return {k: _without(v, path[1:], keys) if k == path[0] else v for k, v in node.items()}


def joined(sides: Sequence[tuple[Side, Seen, Decision]], where: str) -> Decision:
    """Make one decision of those for the sides; what keeps them from being one is missing.

    Raises:
        RefusedFileError: both sides have one time, so that nothing tells which was read first.

    """
    _, _, first = sides[0]
    whens = [_headings(own, "scanned_at") for side, _, own in sides if side.table == "scans"]
    if whens.count(whens[0]) > 1 and whens[0]:
        raise RefusedFileError(
            worded(
                "{name}: each record tells what was stored before and what after, with one time "
                "for both. Two readings of one vehicle need a time each; have the export tell "
                "them, or write a map that takes one of the two.",
                name=where,
            )
        )
    for side, seen, own in sides:
        own.missing += _not_as_meant(side, own)
        own.table_keys = {"rows": "", **seen.table_keys, **own.table_keys}
        if absent := _left_empty(seen, own, _WHEN[side.table]):
            own.table_keys["keep_where"] = absent
    for _, _, own in sides[1:]:
        first.more.append(own)
        first.missing += own.missing
        first.keys |= own.keys
        own.keys = first.keys
    return first


def _not_as_meant(side: Side, own: Decision) -> Iterator[str]:
    if own.into != side.table or own.more:
        yield worded(
            "{table}: the records tell what was stored before and after, and what stands there of "
            "{side!r} is no table of that",
            table=side.table,
            side=side.name,
        )


def _headings(own: Decision, column: str) -> set[str]:
    return {h for taken in own.columns if taken.column == column for h in taken.headings}


def _left_empty(seen: Seen, own: Decision, when: str) -> dict[str, str]:
    """Say which rows are of records that have this side: their time is filled.

    Only where a record without the time has nothing else of it; else such rows are refused.
    """
    times = _headings(own, when) & {*seen.frame.columns}
    empty = {h for h in times if seen.frame[h].fill_null("").str.strip_chars().eq("").any()}
    if len(empty) != 1:
        return {}
    heading = empty.pop()
    beside = heading.rpartition(".")[0]
    others = [n for n in seen.frame.columns if beside and n.startswith(f"{beside}.")]
    lacking = seen.frame.filter(seen.frame[heading].fill_null("").str.strip_chars() == "")
    is_bare = all(lacking[n].fill_null("").str.strip_chars().eq("").all() for n in others)
    return {heading: _FILLED} if is_bare else {}
