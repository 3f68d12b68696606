"""Who may sign in: names, roles and password hashes, in a file beside the store.

Decisions:

- Not in the store: it is there before the first row is, no SQL reads it, and a backup that is
  brought back brings back no user who was removed and no old password.  Not under ``config/``:
  that folder goes into backups and is handed around.
- Only its owner can read it (0600); what others can read is refused.
- argon2id with the library's own cost, the second choice of RFC 9106, section 4 (64 MiB).
- A password alone has at least 15 characters and no rules about them: NIST SP 800-63B-4, section
  3.1.1.2 (from memory).
"""

import json
import os
import re
import unicodedata
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from enum import IntEnum
from functools import cache
from pathlib import Path
from typing import Final

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from afterclear.commands.whole_files import put_whole
from afterclear.errors import ConfigError, UnknownNameError, UsageError

LEAST_LETTERS: Final = 15
_MOST_LETTERS: Final = 200  # nobody makes the desk hash a book
_NAME: Final = re.compile(r"[\w.@-]+(?: [\w.@-]+)*")
_LONGEST_NAME: Final = 60
_OTHERS: Final = 0o077  # rights of anybody but the owner


class Role(IntEnum):
    """What a user may do; each may do what those before may."""

    READ = 1  # look
    DECIDE = 2  # the daily work: files, loads, decisions
    ADMIN = 3  # settings, forgetting, who did what


ROLES: Final = {role.name.lower(): role for role in Role}


@dataclass(frozen=True, slots=True)
class User:
    """One who may sign in."""

    name: str
    role: Role
    password_hash: str


class Users:
    """The users of one desk, read again when their file changes."""

    def __init__(self, path: Path, hasher: PasswordHasher | None = None) -> None:
        self._path = path
        self._hasher = hasher or PasswordHasher()
        self._read_as: tuple[int, int, int] | None = None  # the file's, when it was read last
        self._known: dict[str, User] = {}

    def all(self) -> list[User]:
        """List the users by name.

        Raises:
            ConfigError: others can read the file, or it is damaged.

        """
        return sorted(self._by_name().values(), key=lambda user: user.name)

    def get(self, name: str) -> User | None:
        """Give a user; capitals do not count."""
        return self._by_name().get(plain(name))

    def who(self, name: str, password: str) -> User | None:
        """Give the user whose name and password these are; it takes as long if there is none."""
        user = self.get(name)
        hashed = user.password_hash if user else _nobodys(self._hasher)
        is_right = len(password) <= _MOST_LETTERS and self._is_right(hashed, password)
        return user if is_right else None

    def add(self, name: str, role: Role, password: str) -> None:
        """Add a user.

        Raises:
            UsageError: the name is taken or none, or the password is too short.

        """
        if not _NAME.fullmatch(name) or len(name) > _LONGEST_NAME:
            raise UsageError(
                f"{name!r} is no user's name: letters, digits, single blanks and . _ - @ only, "
                f"{_LONGEST_NAME} at most."
            )
        if self.get(name) is not None:
            raise UsageError(f"There is a user {name!r} already. Remove that one first.")
        self._write([*self.all(), User(name, role, self._hashed(password))])

    def remove(self, name: str) -> None:
        """Remove a user; the sessions of that one end.

        Raises:
            UsageError: there is none of this name.

        """
        gone = self._there(name)
        self._write(user for user in self.all() if user != gone)

    def change_password(self, name: str, password: str) -> None:
        """Give a user another password; the sessions of that one end.

        Raises:
            UsageError: there is none of this name, or the password is too short.

        """
        old = self._there(name)
        new = replace(old, password_hash=self._hashed(password))
        self._write(new if user == old else user for user in self.all())

    def _there(self, name: str) -> User:
        user = self.get(name)
        if user is None:
            raise UnknownNameError("user", name, [user.name for user in self.all()])
        return user

    def _by_name(self) -> dict[str, User]:
        try:
            found = self._path.stat()
        except FileNotFoundError:
            self._read_as, self._known = None, {}
            return self._known
        as_it_is = (found.st_mtime_ns, found.st_size, found.st_ino)
        if as_it_is != self._read_as:
            if found.st_mode & _OTHERS:
                raise ConfigError(
                    f"Others than its owner can use {self._path}, which holds the hashes of "
                    "passwords. Take their rights away (chmod 600), then change the passwords."
                )
            self._known, self._read_as = self._read(), as_it_is
        return self._known

    def _read(self) -> dict[str, User]:
        try:
            listed = json.loads(self._path.read_text(encoding="utf-8"))["users"]
            users = [User(u["name"], ROLES[u["role"]], str(u["password_hash"])) for u in listed]
        except (ValueError, KeyError, TypeError) as error:
            raise ConfigError(
                f"{self._path} is damaged. Remove it and add the users again: "
                "'afterclear desk user add NAME --role ROLE'."
            ) from error
        return {plain(user.name): user for user in users}

    def _write(self, users: Iterable[User]) -> None:
        """Write all users."""
        listed = [asdict(user) | {"role": user.role.name.lower()} for user in users]
        put_whole(self._path, json.dumps({"users": listed}, indent=1).encode(), 0o600)
        self._read_as = None

    def _hashed(self, password: str) -> str:
        if not LEAST_LETTERS <= len(password) <= _MOST_LETTERS:
            raise UsageError(
                f"A password has {LEAST_LETTERS} to {_MOST_LETTERS} characters; four words that do "
                "not belong together will do."
            )
        return self._hasher.hash(_normal(password))

    def _is_right(self, hashed: str, password: str) -> bool:
        try:
            return self._hasher.verify(hashed, _normal(password))
        except (VerificationError, InvalidHashError):
            return False


def plain(name: str) -> str:
    """Give a name by which it is looked up, alike for all ways to type it."""
    return _normal(name).casefold()


def _normal(text: str) -> str:
    """Give a text as it is whichever keyboard typed it."""
    return unicodedata.normalize("NFKC", text)


@cache
def _nobodys(hasher: PasswordHasher) -> str:
    """Give a hash to compare with where there is no user."""
    return hasher.hash(os.urandom(16))
