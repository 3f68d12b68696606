"""The door: names of forgotten vehicles are known here by keyed hashes, and refused until allowed.

A hash is BLAKE2b (RFC 7693) under a key of this store's own.  Someone with only an export or a log
cannot try a list of plates against it; someone with the whole store also has the key.
"""

import hashlib
import secrets
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from afterclear.catalogue.names_in_text import SHORTEST_IN_TEXT, Called, is_distinct, plain_id
from afterclear.store.engine.database import Connection, query, scalar, transaction

_HASH_BYTES: Final = 16


@dataclass(frozen=True, slots=True)
class Door:
    """Names that may not come in."""

    key: bytes
    numbers: frozenset[str]  # hashes
    identifiers: frozenset[str]  # hashes
    lengths: frozenset[int]  # of identifiers searched for in text, bytes

    def refused(self, cells: Iterable[str], texts: Iterable[str] = ()) -> Called | None:
        """Find names of forgotten vehicles among cells and in texts; None: there are none."""
        # imported late: only stores that forgot a vehicle pay for it
        from afterclear.catalogue.name_candidates import candidates  # noqa: PLC0415

        names = {cell.strip() for cell in cells}
        numbers = {c for c in names if self._hash("number", c) in self.numbers}
        identifiers = {m for m in map(plain_id, names) if self._hash("mark", m) in self.identifiers}
        for text in texts:
            for name in candidates(text, self.lengths):
                if self._hash("mark", name) in self.identifiers:
                    identifiers.add(name)
        return (
            Called(frozenset(numbers), frozenset(identifiers)) if numbers or identifiers else None
        )

    def erased_from(self, text: str) -> str:
        """Write a text of our own without the names of forgotten vehicles."""
        called = self.refused((), [text])
        return text if called is None else called.words_erased_from(text)

    def _hash(self, kind: str, name: str) -> str:
        return keyed_hash(self.key, kind, name)


def keyed_hash(key: bytes, kind: str, name: str) -> str:
    """Hash a name so that it can be met again, and not read."""
    message = f"{kind}\x1f{name}".encode("utf-8", errors="replace")
    return hashlib.blake2b(message, key=key, digest_size=_HASH_BYTES).hexdigest()


def the_door(con: Connection) -> Door | None:
    """Give the door; None: nothing was forgotten, everything may come in."""
    rows = query(con, "SELECT kind, name_hash, length FROM forgotten").rows()
    if not rows:
        return None
    return Door(
        _key(con),
        frozenset(hashed for kind, hashed, _ in rows if kind == "number"),
        frozenset(hashed for kind, hashed, _ in rows if kind == "mark"),
        frozenset(n for kind, _, n in rows if kind == "mark" and n >= SHORTEST_IN_TEXT),
    )


def shut(con: Connection, forgetting_id: int, called: Called, at: datetime) -> None:
    """Refuse names from now on; the caller's transaction."""
    key = _key(con)
    for kind, name in _names(called):
        con.execute(
            "INSERT INTO forgotten VALUES (?, ?, ?, ?, ?)",
            [forgetting_id, kind, keyed_hash(key, kind, name), len(name.encode()), at],
        )


def was_forgotten(con: Connection, vehicle_id: str) -> bool:
    """Whether a vehicle's number is refused at the door."""
    door = the_door(con)
    return door is not None and keyed_hash(door.key, "number", vehicle_id) in door.numbers


def allow(con: Connection, name: str) -> int:
    """Let a forgotten vehicle's rows come in again; return how many of its names are let in.

    Given its number, all its names; given a VIN or plate, only that one, for example when the plate
    is now another vehicle's.
    """
    if (door := the_door(con)) is None:
        return 0
    with transaction(con):
        before = scalar(con, "SELECT count(*) FROM forgotten")
        con.execute(
            """DELETE FROM forgotten WHERE forgetting_id IN (
                   SELECT forgetting_id FROM forgotten WHERE kind = 'number' AND name_hash = ?)""",
            [keyed_hash(door.key, "number", name.strip())],
        )
        con.execute(
            "DELETE FROM forgotten WHERE kind = 'mark' AND name_hash = ?",
            [keyed_hash(door.key, "mark", plain_id(name))],
        )
        return before - scalar(con, "SELECT count(*) FROM forgotten")


def _names(called: Called) -> Iterator[tuple[str, str]]:
    for number in sorted(called.numbers):
        yield "number", number
    distinct = {plain_id(number) for number in called.numbers if is_distinct(number)}
    for name in sorted(called.identifiers | distinct):
        yield "mark", name


def _key(con: Connection) -> bytes:
    kept = query(con, "SELECT key FROM door_key")["key"].to_list()
    if not kept:
        kept = [secrets.token_hex(32)]
        con.execute("INSERT INTO door_key VALUES (?)", kept)
    return bytes.fromhex(kept[0])
