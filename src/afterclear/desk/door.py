"""Who may come in: a key that opens one session, and a token in each of its forms."""

import hmac
import secrets
from dataclasses import dataclass, field


@dataclass(slots=True)
class Session:
    """One browser that came in with the key."""

    form_token: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    person: str = ""  # as the person signed the last decision

    def is_own_form(self, token: str) -> bool:
        """Whether a form was made for this session."""
        return _is_same(token, self.form_token)


class Door:
    """The key of this start of the desk, and the session it opened.

    ``port``: browsers share cookies between all ports of a machine, so its name tells desks apart.
    """

    def __init__(self, port: int) -> None:
        self.key = secrets.token_urlsafe(24)
        self.cookie_name = f"afterclear_desk_{port}"
        self._cookie = ""  # of the browser that came in; empty: nobody yet
        self._session = Session()

    def enter(self, key: str) -> str | None:
        """Open a session with the key, once; return its cookie, or None."""
        if self._cookie or not _is_same(key, self.key):
            return None
        self._cookie = secrets.token_urlsafe(32)
        return self._cookie

    def session(self, cookie: str) -> Session | None:
        """Return the session of a cookie."""
        return self._session if self._cookie and _is_same(cookie, self._cookie) else None


def _is_same(one: str, other: str) -> bool:
    """Compare in a time that tells nothing."""
    return hmac.compare_digest(one.encode(), other.encode())
