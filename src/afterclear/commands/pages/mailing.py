"""Send a digest: mail to each audience, a webhook for urgent come-backs.

A message is sent at most once: it is recorded before it leaves, and one that was killed in between
counts as sent (``store/queries/digests.py``, export ``sent``).
"""

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from afterclear import __version__
from afterclear.commands.app import App
from afterclear.commands.pages.write_digests import DigestReport
from afterclear.config import environment_secret, shown_address, without_secrets
from afterclear.deliver.mail import Attached, Letter, MailServer, send_letter
from afterclear.deliver.paper import print_pages
from afterclear.deliver.retries import Patience, with_patience
from afterclear.deliver.webhook import Hook, cloud_event, post_signed
from afterclear.digest.build_digests import DigestModel
from afterclear.digest.common.model import AttemptView
from afterclear.digest.input.frames import Audience
from afterclear.digest.output.letter import brief_of, brief_text
from afterclear.digest.output.render import render_brief
from afterclear.errors import AfterclearError, ConfigError
from afterclear.settings import Mail
from afterclear.store.engine.database import open_store, transaction
from afterclear.store.queries.digests import begin_sending, complete_sending

PASSWORD_VARIABLE = "AFTERCLEAR_MAIL_PASSWORD"  # noqa: S105  (the name of it)
SECRET_VARIABLE = "AFTERCLEAR_WEBHOOK_SECRET"  # noqa: S105


@dataclass
class SentReport:
    """Messages sent, sent before, and not sent."""

    sent: list[str] = field(default_factory=list)
    sent_before: list[str] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)
    exit_code: int = 0


@dataclass(frozen=True, slots=True)
class _Message:
    """One message and the ledger's words for it."""

    key: str
    way: str  # mail, webhook
    subject: str
    recipient: str
    send: Callable[[], None]


def send_digest(app: App, report: DigestReport, model: DigestModel) -> SentReport:
    """Mail each audience its digest, once.

    A recipient who is refused or out of reach does not keep the others from theirs.

    Raises:
        ConfigError: no mail server is set, or nobody to send to, or the password is missing.

    """
    mail = app.config.settings.mail
    if mail.host is None:
        raise ConfigError("No mail server is set: give host under [mail] in afterclear.toml.")
    if not (mail.fleet or mail.garage or mail.stock):
        raise ConfigError("Nobody is to get mail: name recipients under [mail].")
    letters = [
        _mail_message(app, letter, audience, report.as_of)
        for audience in model.index.head.audiences
        for letter in _letters(mail, audience, report, model)
    ]
    return _send_all(app, letters, report.as_of)


def send_urgent(app: App, model: DigestModel) -> SentReport:
    """Post fixes of safety faults that came back lately, each return once.

    Without a webhook in the settings nothing is sent; mail has nothing to do with it.  A secret
    that is not set is reported as a message not sent: the pages are written nevertheless.
    """
    settings = app.config.settings.webhook
    if settings.url is None or not model.urgent:
        return SentReport()
    try:
        secret = environment_secret(SECRET_VARIABLE)
    except ConfigError as error:
        what = f"{len(model.urgent)} safety come-backs to {shown_address(settings.url)}"
        return SentReport(failed=[f"{what}: {error}"], exit_code=error.exit_code)
    hook = Hook(settings.url, secret, settings.timeout_seconds)
    patience = Patience(settings.tries, settings.wait_seconds)
    as_of = model.index.head.as_of
    messages = [_hook_message(app, view, hook, patience, as_of) for view in model.urgent]
    return _send_all(app, messages, as_of)


def _send_all(app: App, messages: list[_Message], as_of: datetime) -> SentReport:
    done = SentReport()
    for message in messages:
        name = f"{message.subject} to {message.recipient}"
        with open_store(app.store) as con, transaction(con):
            fresh = begin_sending(
                con,
                message.key,
                {
                    "way": message.way,
                    "subject": message.subject,
                    "recipient": message.recipient,
                    "as_of": as_of,
                    "begun_at": app.clock(),
                },
            )
        if not fresh:
            done.sent_before.append(name)
            continue
        try:
            message.send()
        except AfterclearError as error:
            _complete(app, message.key, failure=without_secrets(str(error)))
            done.failed.append(f"{name}: {without_secrets(str(error))}")
            done.exit_code = max(done.exit_code, error.exit_code)
        else:
            _complete(app, message.key, sent_at=app.clock())
            done.sent.append(name)
    return done


def _complete(app: App, key: str, **how: Any) -> None:  # noqa: ANN401  (the ledger's own words)
    with open_store(app.store) as con, transaction(con):
        complete_sending(con, key, **how)


def _key(*parts: str) -> str:
    return hashlib.sha256("\x1f".join(parts).encode()).hexdigest()[:32]


def _mail_message(app: App, letter: Letter, audience: str, as_of: datetime) -> _Message:
    mail = app.config.settings.mail
    server = MailServer(
        host=mail.host or "",
        port=mail.port,
        security=mail.security,
        user=mail.user,
        password=environment_secret(PASSWORD_VARIABLE) if mail.user else None,
        ca_file=app.config.beside(mail.ca_file) if mail.ca_file else None,
    )
    patience = Patience(mail.tries, mail.wait_seconds)
    return _Message(
        key=_key("mail", audience, letter.recipient, as_of.isoformat()),
        way="mail",
        subject=f"{audience} digest",
        recipient=letter.recipient,
        send=lambda: with_patience(lambda: send_letter(letter, server), patience),
    )


def _letters(
    mail: Mail, audience: Audience, report: DigestReport, model: DigestModel
) -> list[Letter]:
    recipients: tuple[str, ...] = getattr(mail, audience)
    brief = brief_of(model, audience)
    if brief is None or not recipients:
        return []
    link = None
    attached: tuple[Attached, ...] = ()
    if mail.carries == "link":
        if mail.link is None:
            raise ConfigError('[mail] carries = "link" needs the address of the reports: link.')
        link = f"{mail.link.rstrip('/')}/{audience}.html"
    else:
        attached = (_attached(mail, report.index.parent / f"{audience}.html", report.as_of),)
    return [
        Letter(
            sender=mail.sender,
            recipient=recipient,
            subject=brief.subject,
            message_id=f"<{_key(audience, recipient, report.as_of.isoformat())}@afterclear>",
            text=brief_text(brief, link),
            html=render_brief(brief, link),
            attached=attached,
        )
        for recipient in recipients
    ]


def _attached(mail: Mail, page: Path, as_of: datetime) -> Attached:
    name = f"{page.stem}-{as_of:%Y-%m-%d}"
    if mail.carries == "pdf":
        return Attached(f"{name}.pdf", print_pages([page])[0].read_bytes(), ("application", "pdf"))
    return Attached(f"{name}.html", page.read_bytes(), ("text", "html"))


def _hook_message(
    app: App, view: AttemptView, hook: Hook, patience: Patience, as_of: datetime
) -> _Message:
    returned = view.row.returned_at.isoformat() if view.row.returned_at else ""
    key = _key("webhook", view.row.attempt_id, returned)
    happened = view.row.returned_at or as_of
    event = cloud_event(
        "safety_come_back", view.row.vehicle_id, happened, key, urgent_content(view, as_of)
    )
    return _Message(
        key=key,
        way="webhook",
        subject=f"safety come-back {view.row.attempt_id}",
        recipient=shown_address(hook.url),
        send=lambda: with_patience(lambda: post_signed(hook, event, app.clock(), key), patience),
    )


def urgent_content(view: AttemptView, as_of: datetime) -> Mapping[str, Any]:
    """Give one urgent come-back as JSON-ready values; no plate and no person."""
    row = view.row
    return {
        "as_of": as_of.isoformat(),
        "made_by": f"afterclear {__version__}",
        "vehicle_id": row.vehicle_id,
        "ecu": row.ecu,
        "code": row.code,
        "fault": view.fault.words,
        "attempt_id": row.attempt_id,
        "repair_id": row.repair_id,
        "site": row.site,
        "attempted_at": row.attempted_at.isoformat(),
        "returned_at": row.returned_at.isoformat() if row.returned_at else None,
        "returned_scan_id": row.returned_scan_id,
        "returned_low_km": row.returned_low_km,
        "returned_high_km": row.returned_high_km,
        "reason": view.reason.replace("\u00a0", " "),
        "cautions": [f"{caution.title}: {caution.text}" for caution in view.fault.cautions],
        "page": view.vehicle.page,
    }
