"""Codes that no table takes as codes, and units of which a tree says neither codes nor none.

A tree may list what was stored before a clearing and what was after it, what is confirmed and what
is pending, each under a key of its own; a map takes one of the lists, and the others were lost.
"""

from collections import defaultdict
from collections.abc import Iterator, Mapping

from afterclear.errors import worded
from afterclear.readers.formats.nested import LINE_KEY, NAMES, Node
from afterclear.readers.suggest.account.doubt import Account
from afterclear.readers.suggest.columns.profiles import MOST_VALUES, has_code
from afterclear.readers.suggest.evidence.names_as_keys import names_code
from afterclear.readers.suggest.evidence.table_seen import LOOKED_AT
from afterclear.readers.suggest.writing import codes_patterns

_CODES = frozenset({"code", "codes", "spn"})  # plain columns
_HALF = 0.5
_SHOWN = 3
_Path = tuple[str, ...]


def ask_codes_aside(account: Account) -> None:
    """Ask about lists of codes that nothing is made of, one question for all."""
    into = account.decision.into
    if into not in {"scans", "clears"} or (into == "scans" and account.seen.tree is None):
        return  # which of the columns of a plain table is meant was asked
    lists = _code_lists(account)
    aside = [path for path in lists if not _is_taken(path, account)]
    if not aside or (into == "clears" and len(aside) == 1):
        return  # what a clearing emptied is told once
    account.ask_whether_fine(
        f"aside:{'.'.join(aside[0])}",
        worded(
            "Codes stand under {names}, and no code is made of them. Is anything lost by that?",
            names=", ".join(repr(".".join(path)) for path in aside[:_SHOWN]),
        ),
        worded("no: they are of something else"),
        tuple(f"{'.'.join(path)}: {lists[path]}" for path in aside[:_SHOWN]),
    )


def _code_lists(account: Account) -> Mapping[_Path, str]:
    """Give the places in which mostly codes stand, with the first of each."""
    values: dict[_Path, list[str]]
    if account.seen.tree is None:
        values = {(p.heading,): p.values for p in account.profiles}
    else:
        met: dict[_Path, dict[str, None]] = {}
        for path, text in _texts(account.seen.tree, ()):
            own = met.setdefault(path, {})
            if len(own) < MOST_VALUES:
                own[text] = None
        values = {path: list(own) for path, own in met.items()}
    found = {path: [v for v in own if has_code(v)] for path, own in values.items()}
    return {p: codes[0] for p, codes in found.items() if len(codes) > _HALF * len(values[p])}


def _texts(node: Node, path: _Path) -> Iterator[tuple[_Path, str]]:
    if isinstance(node, dict):
        for key, value in node.items():
            if key != LINE_KEY:
                yield from _texts(value, (*path, key))
    elif isinstance(node, list):
        for each in node[:LOOKED_AT]:
            yield from _texts(each, path)
    elif node is not None and (text := str(node).strip()):
        yield path, text


def _is_taken(path: _Path, account: Account) -> bool:
    """Whether a table takes its codes there, it was asked about, or they are of another time."""
    heading = ".".join(path)
    if account.words.of_beginning("of_time", heading, anywhere=True):
        return True
    if any(c.word == heading for q in account.asker.asked.values() for c in q.choices):
        return True
    if any(pattern.fullmatch(heading) for pattern in codes_patterns(account.decision)):
        return True
    taken = (t for table in account.tables for t in table.columns if t.column in _CODES)
    return any(_fits(name, path) for each in taken for name in each.headings)


def _fits(heading: str, path: _Path) -> bool:
    """Whether a heading is a path, with any name in the place of names."""
    steps = heading.split(".")
    steps = steps[:-1] if steps[-2:] == [NAMES, "value"] else steps
    return len(steps) == len(path) and all(
        NAMES in (step, own) or step == own for step, own in zip(steps, path, strict=True)
    )


def ask_null_lists(account: Account) -> None:
    """Ask what *null* says in the place of a list of codes, where others are empty."""
    met: defaultdict[_Path, set[str]] = defaultdict(set)
    for path, kind in _lists(account.seen.tree, ()):
        met[path].add(kind)
    odd = next((path for path, kinds in met.items() if kinds >= {"null", "empty", "codes"}), None)
    if odd is not None and account.decision.into == "scans":
        account.ask_whether_fine(
            "sense:null-list",
            worded(
                "Under {name!r} stands null in some places and an empty list in others; both would "
                "be stored as clean. Were both read?",
                name=".".join(odd),
            ),
            worded("yes: both were read, and clean"),
            (),
        )


def _lists(node: Node, path: _Path) -> Iterator[tuple[_Path, str]]:
    """Tell of each list of codes, or what stands in its place, what it is; names are no steps."""
    if isinstance(node, list):
        for each in node[:LOOKED_AT]:
            yield from _lists(each, path)
    elif isinstance(node, dict):
        own = {key: value for key, value in node.items() if key != LINE_KEY}
        are_names = all(value is None or isinstance(value, list) for value in own.values())
        for key, value in own.items():
            below = (*path, NAMES if are_names else key)
            if value is None or isinstance(value, list):
                yield below, "null" if value is None else _kind_of_list(value)
            yield from _lists(value, below)


def _kind_of_list(node: list[Node]) -> str:
    if not node:
        return "empty"
    return "codes" if any(names_code(each) for each in node) else "other"
