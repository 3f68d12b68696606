"""Letters over a real SMTP server with TLS; signed posts to a real receiver."""

import hashlib
import hmac
import json
from base64 import b64decode, b64encode
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from afterclear.deliver.mail import Attached, Letter, MailServer, send_letter
from afterclear.deliver.retries import Patience, with_patience
from afterclear.deliver.webhook import Hook, post_signed
from afterclear.errors import ConfigError, UnreachableError
from tests.deliver.servers import hook_server, mail_server

LETTER = Letter(
    sender="afterclear@example.org",
    recipient="boss@example.org",
    subject="Fleet, Müller, 3 May 2025",
    message_id="<abc@afterclear>",
    text="Bring in 2 vehicles.\n",
    html="<p>Bring in 2 vehicles.</p>",
    attached=(Attached("fleet-2025-05-03.html", b"<!DOCTYPE html>", ("text", "html")),),
)
AT = datetime(2026, 5, 20, tzinfo=UTC)


def test_a_letter_arrives_over_tls_with_its_three_parts(tmp_path: Path) -> None:
    with mail_server(tmp_path, login=True) as server:
        to = MailServer("127.0.0.1", server.port, "starttls", "post", "secret word", server.ca_file)
        send_letter(LETTER, to)
        (letter,) = server.box.letters
    assert letter["Subject"] == LETTER.subject
    assert letter["Auto-Submitted"] == "auto-generated"
    assert letter.get_body(("plain",)).get_content().strip() == "Bring in 2 vehicles."  # type: ignore[union-attr]
    assert "<p>" in letter.get_body(("html",)).get_content()  # type: ignore[union-attr]
    (attached,) = letter.iter_attachments()
    assert attached.get_filename() == "fleet-2025-05-03.html"


def test_a_wrong_password_a_stranger_and_an_unknown_certificate_are_for_a_person(
    tmp_path: Path,
) -> None:
    with mail_server(tmp_path, login=True) as server:
        to = MailServer("127.0.0.1", server.port, "starttls", "post", "wrong", server.ca_file)
        with pytest.raises(ConfigError, match="535"):
            send_letter(LETTER, to)
        good = replace(to, password="secret word")  # noqa: S106  (of the server above)
        server.box.refused = LETTER.recipient
        with pytest.raises(ConfigError, match="was refused: 550"):
            send_letter(LETTER, good)
        with pytest.raises(ConfigError, match="not trusted"):
            send_letter(LETTER, replace(good, ca_file=None))
        with pytest.raises(ConfigError, match="530"):  # the server wants TLS, we were told not to
            send_letter(LETTER, replace(good, security="none", user=None))
        assert server.box.letters == []


def test_a_server_that_asks_to_wait_is_tried_again(tmp_path: Path) -> None:
    waits: list[float] = []
    with mail_server(tmp_path) as server:
        to = MailServer("127.0.0.1", server.port, "starttls", ca_file=server.ca_file)
        server.box.answers = ["451 later", "451 later"]
        patience = Patience(tries=3, wait_seconds=20, sleep=waits.append)
        with_patience(lambda: send_letter(LETTER, to), patience)
        assert len(server.box.letters) == 1
    assert waits == [20, 40]


def test_patience_ends() -> None:
    waits: list[float] = []
    nobody = MailServer("127.0.0.1", 9, "none")  # the discard port: nobody listens
    patience = Patience(tries=2, wait_seconds=1, sleep=waits.append)
    with pytest.raises(UnreachableError, match=r"127\.0\.0\.1:9"):
        with_patience(lambda: send_letter(LETTER, nobody), patience)
    assert waits == [1]


def test_a_header_cannot_be_smuggled_in_through_a_title(tmp_path: Path) -> None:
    evil = replace(LETTER, subject="x\r\nBcc: spy@example.org")
    with mail_server(tmp_path) as server:
        to = MailServer("127.0.0.1", server.port, "starttls", ca_file=server.ca_file)
        with pytest.raises(ValueError, match="linefeed or carriage return"):
            send_letter(evil, to)
        assert server.box.letters == []


def test_a_post_is_signed_by_the_standard_over_time_address_and_body() -> None:
    with hook_server() as receiver:
        hook = Hook(f"http://127.0.0.1:{receiver.port}/in", "shared")
        post_signed(hook, {"code": "C0034", "fault": "naïve"}, AT, "key-1")
        ((body, headers),) = receiver.taken
    assert json.loads(body) == {"code": "C0034", "fault": "naïve"}
    params = (
        '("@method" "@target-uri" "content-type" "idempotency-key" "content-digest");'
        f'created={int(AT.timestamp())};keyid="afterclear";alg="hmac-sha256"'
    )
    # the signature base written out by hand (RFC 9421, 2.5), the digest by RFC 9530, 2
    base = "\n".join(
        (
            '"@method": POST',
            f'"@target-uri": {hook.url}',
            '"content-type": application/cloudevents+json',
            '"idempotency-key": key-1',
            f'"content-digest": sha-256=:{b64encode(hashlib.sha256(body).digest()).decode()}:',
            f'"@signature-params": {params}',
        )
    )
    assert headers["Signature-Input"] == f"afterclear={params}"
    assert headers["Signature"] == f"afterclear=:{_mac(b'shared', base)}:"


def test_a_mac_written_out_by_hand_is_that_of_the_standard() -> None:
    """RFC 9421, appendix B.2.5 with the shared secret of B.1.5: what the test above stands on."""
    published = (
        "uzvJfB4u3N0Jy4T7NZ75MDVcr8zSTInedJtkgcu46YW4XByzNJjxBdtjUkdJPBtbmHhIDi6pcl8jsasjlTMtDQ=="
    )
    base = (
        '"date": Tue, 20 Apr 2021 02:07:55 GMT\n"@authority": example.com\n'
        '"content-type": application/json\n"@signature-params": ("date" "@authority" '
        '"content-type");created=1618884473;keyid="test-shared-secret"'
    )
    assert _mac(b64decode(published), base) == "pxcQw6G3AjtMBQjwo8XzkZf/bws5LelbaMk5rGIGtE8="


def _mac(secret: bytes, base: str) -> str:
    return b64encode(hmac.new(secret, base.encode(), hashlib.sha256).digest()).decode()


@pytest.mark.parametrize(
    ("status", "error"),
    [(503, UnreachableError), (429, UnreachableError), (401, ConfigError), (302, ConfigError)],
)
def test_the_receivers_answer_tells_what_happens_next(status: int, error: type[Exception]) -> None:
    """A redirect is not followed: a signed body goes where the settings say."""
    with hook_server() as receiver:
        receiver.answers = [status]
        hook = Hook(f"http://127.0.0.1:{receiver.port}/in", "shared")
        with pytest.raises(error, match=str(status)):
            post_signed(hook, {}, AT, "key-1")
        assert len(receiver.taken) == 1


def test_a_receiver_that_is_not_there_is_out_of_reach() -> None:
    with pytest.raises(UnreachableError, match=r"127\.0\.0\.1:9"):
        post_signed(Hook("http://127.0.0.1:9/", "shared"), {}, AT, "key-1")
