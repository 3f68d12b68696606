"""Who may come in: a key that opens one session, or users with passwords; a token in each form."""

import hashlib
import hmac
import secrets
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Final

from afterclear.desk.attempts import Attempts, Try
from afterclear.desk.users import Role, User, Users, plain
from afterclear.errors import UsageError, worded

# of a user: a working day, and a long lunch
_LASTS: Final = timedelta(hours=12)
_IDLE: Final = timedelta(hours=2)
_MOST_SESSIONS: Final = 500
_MOST_OF_ONE: Final = 10  # a user's own oldest goes: nobody pushes others out


@dataclass(slots=True)
class Session:
    """One browser that came in."""

    form_token: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    person: str = ""  # as the person signed the last decision; a user signs with the user's name
    user: str = ""  # empty: the owner of this account, who has the key
    role: Role = Role.ADMIN
    password_hash: str = ""  # another one ends the session
    begun_at: datetime | None = None
    seen_at: datetime | None = None
    n_followed: int = 0  # pages of it that are sent the lines of long work as they come

    def is_own_form(self, token: str) -> bool:
        """Whether a form was made for this session, or an earlier one of its user."""
        return is_same(token, self.form_token)

    @property
    def may_decide(self) -> bool:
        """Whether the daily work is allowed."""
        return self.role >= Role.DECIDE

    @property
    def may_all(self) -> bool:
        """Whether settings, forgetting and the list of who did what are allowed."""
        return self.role >= Role.ADMIN


class Door:
    """The sessions of this start of the desk, and how they are opened.

    ``port``: browsers share cookies between all ports of a machine, so its name tells desks apart.
    ``users``: they sign in with a password, over the network; without them the key opens once.
    """

    def __init__(
        self,
        port: int,
        users: Users | None = None,
        attempts: Attempts | None = None,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self.key = secrets.token_urlsafe(24)
        self.users = users
        self.is_secure = users is not None  # its cookies go over TLS only
        # this prefix binds a cookie to TLS and to the one host: RFC 6265bis, section 4.1.3.2
        prefix = "__Host-" if self.is_secure else ""
        self.cookie_name = f"{prefix}afterclear_desk_{port}"
        self._attempts = attempts or Attempts()
        self._clock = clock
        self._sessions: OrderedDict[str, Session] = OrderedDict()
        self._is_used = False
        self._secret = secrets.token_bytes(32)
        self._hashing = threading.Lock()  # each takes 64 MiB: one after another

    def enter(self, key: str) -> str | None:
        """Open a session with the key, once; return its cookie, or None."""
        if self.users is not None or self._is_used or not is_same(key, self.key):
            return None
        self._is_used = True
        return self._open(Session())

    def sign_in(self, name: str, password: str, address: str) -> str | None:
        """Open a session for a user; return its cookie, or None: name or password is wrong.

        Raises:
            UsageError: too many were wrong; says how long to wait.

        """
        if self.users is None:
            return None
        with self._hashing:
            tried = Try(plain(name), address, is_user=self.users.get(name) is not None)
            if wait_s := self._attempts.wait_s(tried):
                raise UsageError(
                    worded(
                        "Too many tries were wrong. Nothing is checked for another {n} min; then "
                        "try again.",
                        n=max(1, round(wait_s / 60)),
                    )
                )
            user = self.users.who(name, password)
            if user is None:
                self._attempts.was_wrong(tried)
                return None
            self._attempts.was_right(tried)
        session = Session(user=user.name, password_hash=user.password_hash)
        session.form_token = self._form_token(user)
        return self._open(session)

    def _form_token(self, user: User) -> str:
        """Give the same to all sessions of a user: a form of one may be sent in the next."""
        said = f"{user.name}\n{user.password_hash}".encode()
        return hmac.new(self._secret, said, hashlib.sha256).hexdigest()

    def session(self, cookie: str) -> Session | None:
        """Return the session of a cookie, with the role its user has now."""
        session = self._sessions.get(_hashed(cookie))
        if session is None or not self._still_holds(session):
            self.leave(cookie)
            return None
        session.seen_at = self._clock()
        self._sessions.move_to_end(_hashed(cookie))
        return session

    def leave(self, cookie: str) -> None:
        """End a session."""
        self._sessions.pop(_hashed(cookie), None)

    def _open(self, session: Session) -> str:
        own = [kept for kept, each in list(self._sessions.items()) if each.user == session.user]
        for kept in own[: 1 - _MOST_OF_ONE]:
            self._sessions.pop(kept, None)
        cookie = secrets.token_urlsafe(32)
        session.person = session.user
        session.begun_at = session.seen_at = self._clock()
        self._sessions[_hashed(cookie)] = session
        while len(self._sessions) > _MOST_SESSIONS:
            self._sessions.popitem(last=False)
        return cookie

    def _still_holds(self, session: Session) -> bool:
        """Whether a session still holds; takes over a new role of its user."""
        if self.users is None:
            return True
        user = self.users.get(session.user)
        if user is None or user.password_hash != session.password_hash:
            return False
        session.role = user.role
        now = self._clock()
        assert session.begun_at is not None and session.seen_at is not None  # noqa: S101, PT018
        return now - session.begun_at < _LASTS and now - session.seen_at < _IDLE


def is_same(one: str, other: str) -> bool:
    """Compare in a time that tells nothing."""
    return hmac.compare_digest(one.encode(), other.encode())


def _hashed(cookie: str) -> str:
    """Give what is kept of a cookie; finding it by this tells nothing of it."""
    return hashlib.sha256(cookie.encode()).hexdigest()
