"""Messages of a mailbox, whole: their attachments are unpacked by the reader of mail.

The mailbox is opened for reading only (RFC 9051, 6.3.3), so no message is marked, moved or
deleted.  A message is known by the mailbox's UIDVALIDITY and its own UID (RFC 9051, 2.3.1.1).
"""

import imaplib
import re
import ssl
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import unquote, urlsplit

from afterclear.errors import RefusedSourceError, TooLargeError, UnreachableError
from afterclear.sources.source import TIMEOUT_S, Address, Found, written
from afterclear.sources.trust import trusted

_SAFE_PORT, _PLAIN_PORT = 993, 143  # RFC 8314, RFC 9051
_AT_ONCE = 500  # messages asked about in one command


class ImapPlace:
    """A mailbox."""

    def __init__(self, client: imaplib.IMAP4, mailbox: str) -> None:
        self._client, self._mailbox = client, mailbox

    def look(self) -> list[Found]:
        """List the messages with their sizes."""
        with _errors_explained(self._mailbox):
            said, _ = self._client.select(_quoted(self._mailbox), readonly=True)
            if said != "OK":
                raise RefusedSourceError(f"There is no mailbox {self._mailbox!r}.")
            _, validity = self._client.response("UIDVALIDITY")
            era = (validity[0] or b"0").decode() if validity else "0"
            _, listed = self._client.uid("SEARCH", "ALL")
            numbers = (listed[0] or b"").split()
            found = []
            for begin in range(0, len(numbers), _AT_ONCE):
                some = b",".join(numbers[begin : begin + _AT_ONCE]).decode()
                _, lines = self._client.uid("FETCH", some, "(UID RFC822.SIZE)")
                found += [_found(line, era) for line in lines if line]
        return [message for message in found if message]

    def fetch(self, found: Found, target: Path, max_bytes: int) -> None:
        """Write a message's bytes."""
        number = found.token.rpartition(":")[2]
        # the client takes a message as a whole: no more of it is asked for than is allowed
        with _errors_explained(found.name):
            _, parts = self._client.uid("FETCH", number, f"(BODY.PEEK[]<0.{max_bytes + 1}>)")
            body = next((part[1] for part in parts if isinstance(part, tuple)), None)
            if body is None:
                raise UnreachableError(f"{found.name} is gone from the mailbox.")
            written(iter([body]), target, found, max_bytes)


@contextmanager
def opened(address: Address) -> Iterator[ImapPlace]:
    """Log in and give the mailbox of an address: imaps://user@host/mailbox."""
    parts = urlsplit(address.url)
    host = parts.hostname or ""
    trust = trusted(address)
    with _errors_explained(host):
        if parts.scheme == "imaps":
            client: imaplib.IMAP4 = imaplib.IMAP4_SSL(
                host, parts.port or _SAFE_PORT, ssl_context=trust, timeout=TIMEOUT_S
            )
        else:
            client = imaplib.IMAP4(host, parts.port or _PLAIN_PORT, timeout=TIMEOUT_S)
    with client:
        try:
            client.login(_quoted(unquote(parts.username or "")), address.secret or "")
        except imaplib.IMAP4.abort as error:
            raise UnreachableError(f"{host} broke off: {error}.") from error
        except imaplib.IMAP4.error as error:
            raise RefusedSourceError(f"{host} refuses the login.") from error
        yield ImapPlace(client, unquote(parts.path.strip("/")) or "INBOX")


def _found(line: bytes | tuple[bytes, bytes], era: str) -> Found | None:
    text = (line[0] if isinstance(line, tuple) else line).decode("ascii", errors="replace")
    uid, size = re.search(r"UID (\d+)", text), re.search(r"RFC822\.SIZE (\d+)", text)
    if uid is None or size is None:
        return None
    return Found(f"message-{uid[1]}.eml", f"{era}:{uid[1]}", int(size[1]))


def _quoted(mailbox: str) -> str:
    return '"' + mailbox.replace("\\", "\\\\").replace('"', '\\"') + '"'


@contextmanager
def _errors_explained(what: str) -> Iterator[None]:
    try:
        yield
    except (UnreachableError, TooLargeError):
        raise
    except ssl.SSLCertVerificationError as error:
        raise RefusedSourceError(f"The certificate of {what} is not trusted.") from error
    except imaplib.IMAP4.abort as error:
        raise UnreachableError(f"{what} broke off: {error}.") from error
    except imaplib.IMAP4.error as error:
        raise RefusedSourceError(f"{what} refuses: {error}.") from error
    except (OSError, EOFError) as error:
        raise UnreachableError(f"{what} does not answer: {error}.") from error
