"""One message to one recipient by SMTP, over TLS."""

import smtplib
import ssl
from dataclasses import dataclass
from email.message import EmailMessage
from pathlib import Path
from typing import Literal

from afterclear.errors import ConfigError, UnreachableError

_TIMEOUT = 60  # seconds for any answer of the server
_OVER = 500  # SMTP replies from here on are final (RFC 5321, 4.2.1)


@dataclass(frozen=True, slots=True)
class MailServer:
    """How to reach a server."""

    host: str
    port: int
    security: Literal["starttls", "tls", "none"]
    user: str | None = None
    password: str | None = None
    ca_file: Path | None = None


@dataclass(frozen=True, slots=True)
class Attached:
    """A file that goes with a message."""

    name: str
    content: bytes
    kind: tuple[str, str]  # e.g. ("text", "html")


@dataclass(frozen=True, slots=True)
class Letter:
    """What is to be sent."""

    sender: str
    recipient: str
    subject: str
    message_id: str  # the same for the same letter, so that a mail program shows one
    text: str
    html: str
    attached: tuple[Attached, ...] = ()


def as_message(letter: Letter) -> EmailMessage:
    """Put a letter into its MIME form: text, HTML, attachments."""
    message = EmailMessage()
    message["From"] = letter.sender
    message["To"] = letter.recipient
    message["Subject"] = letter.subject
    message["Message-ID"] = letter.message_id
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834: no answer by machines, please
    message.set_content(letter.text)
    message.add_alternative(letter.html, subtype="html")
    for part in letter.attached:
        main, sub = part.kind
        params = {"charset": "utf-8"} if main == "text" else {}
        message.add_attachment(
            part.content, maintype=main, subtype=sub, filename=part.name, params=params
        )
    return message


def send_letter(letter: Letter, server: MailServer) -> None:
    """Hand a letter to the server; returns when the server has taken it.

    Raises:
        UnreachableError: no connection, or the server asks to try later.
        ConfigError: the server refuses sender, recipient, password or certificate.

    """
    message = as_message(letter)
    try:
        with _connected(server) as connection:
            if server.user is not None:
                connection.login(server.user, server.password or "")
            connection.send_message(message, letter.sender, [letter.recipient])
    except smtplib.SMTPRecipientsRefused as error:
        code, said = next(iter(error.recipients.values()))
        raise _by_code(code, said, f"{letter.recipient} was refused") from error
    except smtplib.SMTPResponseException as error:
        raise _by_code(error.smtp_code, error.smtp_error, "the letter was refused") from error
    except smtplib.SMTPNotSupportedError as error:
        raise ConfigError(f"Mail server {server.host}: {error}") from error
    except ssl.SSLCertVerificationError as error:
        raise ConfigError(
            f"Mail server {server.host}: its certificate is not trusted "
            f"({error.verify_message}). Set ca_file under [mail], or mend the server."
        ) from error
    except (OSError, smtplib.SMTPException) as error:
        raise UnreachableError(f"Mail server {server.host}:{server.port}: {error}") from error


def _connected(server: MailServer) -> smtplib.SMTP:
    context = ssl.create_default_context(cafile=server.ca_file)
    if server.security == "tls":
        return smtplib.SMTP_SSL(server.host, server.port, timeout=_TIMEOUT, context=context)
    connection = smtplib.SMTP(server.host, server.port, timeout=_TIMEOUT)
    if server.security == "starttls":
        try:
            connection.starttls(context=context)
        except BaseException:
            connection.close()
            raise
    return connection


def _by_code(code: int, said: bytes | str, what: str) -> Exception:
    words = said.decode(errors="replace") if isinstance(said, bytes) else said
    text = f"Mail: {what}: {code} {words}"
    return ConfigError(text) if code >= _OVER else UnreachableError(text)
