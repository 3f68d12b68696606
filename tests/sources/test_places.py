"""Files from real servers on this machine: taken once, tried again, refused in words."""

import http.client
import io
import urllib.request
from collections.abc import Callable, Iterator
from email.message import EmailMessage
from pathlib import Path
from urllib.parse import quote
from uuid import uuid4

import boto3
import pytest
import trustme

from afterclear.commands.app import App
from afterclear.config import Config, without_secrets
from afterclear.errors import ConfigError, RefusedSourceError, TooLargeError
from afterclear.sources import https, imap
from afterclear.sources.source import Found
from afterclear.store.engine.database import open_store, query
from tests.sources.garage import HEAD, fates, garage, load, scan
from tests.sources.servers import (
    PASSWORD,
    USER,
    Faults,
    imap_server,
    in_tls,
    put_mail,
    s3_server,
    sftp_server,
    web_server,
)

pytestmark = pytest.mark.slow

# puts a file on the server under a name; gives the app whose source is that server
Put = Callable[[str, str], None]
KINDS = ["web", "safe web", "sftp", "s3"]


@pytest.fixture
def share(tmp_path: Path) -> Path:
    folder = tmp_path / "served"
    folder.mkdir()
    return folder


def put_file(share: Path) -> Put:
    def put(name: str, text: str) -> None:
        (share / name).parent.mkdir(parents=True, exist_ok=True)
        (share / name).write_text(text, encoding="utf-8")

    return put


@pytest.fixture(params=KINDS)
def place(
    request: pytest.FixtureRequest,
    tmp_path: Path,
    share: Path,
    secret: str,
    authority: trustme.CA,
    certificate: trustme.LeafCert,
) -> Iterator[tuple[App, Put]]:
    """One server after another, each with a source that reads it."""
    yield from _places(request.param, (tmp_path, share, secret), authority, certificate)


def _places(
    kind: str,
    where: tuple[Path, Path, str],
    authority: trustme.CA,
    certificate: trustme.LeafCert,
) -> Iterator[tuple[App, Put]]:
    folder, share, secret = where
    if kind == "web":
        with web_server(share) as (port, _):
            url = f"http://{USER}@127.0.0.1:{port}/"
            yield garage(folder, url=url, secret=secret), put_file(share)
    elif kind == "safe web":
        authority.cert_pem.write_to_path(str(folder / "ca.pem"))
        with web_server(share, certificate) as (port, _):
            url = f"https://{USER}@127.0.0.1:{port}/"
            yield garage(folder, url=url, secret=secret, ca_file="ca.pem"), put_file(share)
    elif kind == "sftp":
        with sftp_server(share, folder / "hosts") as port:
            url = f"sftp://{USER}@127.0.0.1:{port}/"
            yield garage(folder, url=url, secret=secret, known_hosts="hosts"), put_file(share)
    else:
        with s3_server() as endpoint:
            client = boto3.client(
                "s3",
                endpoint_url=endpoint,
                aws_access_key_id=USER,
                aws_secret_access_key=PASSWORD,
                region_name="us-east-1",
            )
            bucket = f"yard-{uuid4().hex}"  # the server forgets nothing between tests
            client.create_bucket(Bucket=bucket)
            url = f"s3://{USER}@{bucket}/exports"
            yield (
                garage(folder, url=url, secret=secret, endpoint=endpoint),
                lambda name, text: client.put_object(  # type: ignore[return-value]
                    Bucket=bucket, Key=f"exports/{name}", Body=text.encode()
                ),
            )
            client.close()


def test_new_files_are_taken_once_and_changed_ones_again(place: tuple[App, Put]) -> None:
    app, put = place
    put("a.csv", HEAD + scan(1))
    assert fates(load(app)) == [("a.csv", "stored")]
    assert fates(load(app)) == []
    put("b.csv", HEAD + scan(2))
    put("a.csv", HEAD + scan(1) + scan(3, "P0420"))
    report = load(app)
    assert fates(report) == [("a.csv", "stored"), ("b.csv", "stored")]
    assert [r.rows_stored for r in report.results] == [1, 1]
    with open_store(app.store) as con:
        assert query(con, "SELECT scan_id FROM scans ORDER BY scan_id")["scan_id"].to_list() == [
            "S1",
            "S2",
            "S3",
        ]
        assert query(con, "SELECT DISTINCT source FROM loads").rows() == [("share",)]


@pytest.mark.parametrize("name", ['it\'s a "list".csv', "Übersicht März.csv", "50% off #1.csv"])
def test_a_name_may_hold_anything(place: tuple[App, Put], name: str) -> None:
    app, put = place
    put(name, HEAD + scan(1))
    assert fates(load(app)) == [(name, "stored")]


def test_hidden_and_unfinished_files_are_left_alone(place: tuple[App, Put]) -> None:
    app, put = place
    for name in ("a.csv.part", ".b.csv", "c.csv.filepart", "d.csv", "README.md"):
        put(name, HEAD + scan(1))
    assert fates(load(app)) == [("d.csv", "stored")]


def test_a_wrong_password_is_said_once_and_never_shown(
    tmp_path: Path, share: Path, monkeypatch: pytest.MonkeyPatch, secret: str
) -> None:
    wrong = "wr0ng and secret"
    monkeypatch.setenv(secret, wrong)
    with web_server(share) as (port, faults):
        report = load(garage(tmp_path, url=f"http://{USER}@127.0.0.1:{port}/", secret=secret))
        assert len(faults.asked) == 1  # asking again would be of no use
    with sftp_server(share, tmp_path / "hosts") as port:
        url = f"sftp://{USER}@127.0.0.1:{port}/"
        other = load(garage(tmp_path, url=url, secret=secret, known_hosts="hosts"))
    with imap_server() as port:
        third = load(garage(tmp_path, url=f"imap://{USER}@127.0.0.1:{port}/", secret=secret))
    for one, words in ((report, "401"), (other, "refuses the login"), (third, "refuses the login")):
        (told,) = one.out_of_reach
        assert told.startswith("share: ")
        assert words in told
        assert wrong not in told
        assert one.exit_code == 4


def test_a_server_in_trouble_is_asked_again(tmp_path: Path, share: Path, secret: str) -> None:
    put_file(share)("a.csv", HEAD + scan(1))
    with web_server(share) as (port, faults):
        faults.answers = [503, 429, 500]
        report = load(garage(tmp_path, url=f"http://{USER}@127.0.0.1:{port}/", secret=secret))
    assert fates(report) == [("a.csv", "stored")]
    assert report.exit_code == 0


def test_a_server_that_stays_in_trouble_is_told_and_the_other_source_is_read(
    tmp_path: Path, share: Path, secret: str
) -> None:
    (tmp_path / "inbox").mkdir()
    (tmp_path / "inbox" / "a.csv").write_text(HEAD + scan(1))
    with web_server(share) as (port, faults):
        faults.answers = [503] * 9
        app = garage(tmp_path, url=f"http://{USER}@127.0.0.1:{port}/", secret=secret)
        sources = tmp_path / "config" / "sources.toml"
        sources.write_text(
            sources.read_text()
            + '[[source]]\nname = "inbox"\nfolder = "inbox"\nsettle_seconds = 0\n'
        )
        report = load(App(Config(tmp_path / "config"), app.store, app.clock))
        assert len(faults.asked) == 4
    assert fates(report) == [("a.csv", "stored")]
    assert report.out_of_reach == ("share: 127.0.0.1 answered 503 Service Unavailable.",)


def test_a_transfer_that_breaks_off_is_tried_again_and_nothing_half_is_loaded(
    tmp_path: Path, share: Path, secret: str
) -> None:
    put_file(share)("a.csv", HEAD + "".join(scan(n) for n in range(1, 29)))
    with web_server(share) as (port, faults):
        faults.cut_after = 200
        report = load(garage(tmp_path, url=f"http://{USER}@127.0.0.1:{port}/", secret=secret))
    assert fates(report) == [("a.csv", "stored")]
    assert report.results[0].rows_stored == 28


def test_a_source_that_vanishes_in_mid_transfer_loses_nothing(
    tmp_path: Path, share: Path, secret: str
) -> None:
    """It is cut off on every try; the next run takes the whole file."""
    put_file(share)("a.csv", HEAD + "".join(scan(n) for n in range(1, 29)))
    put_file(share)("b.csv", HEAD + scan(29))
    with web_server(share) as (port, faults):
        app = garage(tmp_path, url=f"http://{USER}@127.0.0.1:{port}/", secret=secret)
        faults.cut_after = 100
        original = Faults.__setattr__

        def always(self: Faults, name: str, value: object) -> None:
            original(self, name, 100 if name == "cut_after" else value)

        Faults.__setattr__ = always  # type: ignore[method-assign, assignment]
        try:
            report = load(app)
        finally:
            Faults.__setattr__ = original  # type: ignore[method-assign]
        assert report.exit_code == 4
        assert "a.csv broke off" in report.out_of_reach[0]
        assert not list(app.archive.glob("*/*"))
        faults.cut_after = None
        assert fates(load(app)) == [("a.csv", "stored"), ("b.csv", "stored")]


ELSEWHERE = ["http://127.0.0.1:{other}/stolen", "ftp://127.0.0.1/x", "http://127.0.0.1:99999/x"]


@pytest.mark.parametrize("elsewhere", ELSEWHERE)
def test_a_redirect_to_another_port_or_scheme_is_refused(
    tmp_path: Path, share: Path, secret: str, elsewhere: str
) -> None:
    """Whoever runs the server would choose what on this machine is asked."""
    with web_server(share) as (other, heard), web_server(share) as (port, faults):
        faults.redirect_to = elsewhere.format(other=other)
        report = load(garage(tmp_path, url=f"http://{USER}@127.0.0.1:{port}/", secret=secret))
    assert heard.asked == []
    assert "sends us on to" in report.out_of_reach[0]
    assert len(faults.asked) == 1, "and not asked again"


def test_a_redirect_from_tls_to_clear_text_is_refused(
    tmp_path: Path, share: Path, secret: str, authority: trustme.CA, certificate: trustme.LeafCert
) -> None:
    authority.cert_pem.write_to_path(str(tmp_path / "ca.pem"))
    with web_server(share) as (other, heard), web_server(share, certificate) as (port, faults):
        faults.redirect_to = f"http://127.0.0.1:{other}/"
        url = f"https://{USER}@127.0.0.1:{port}/"
        report = load(garage(tmp_path, url=url, secret=secret, ca_file="ca.pem"))
    assert heard.asked == []
    assert "not as safe" in report.out_of_reach[0]


def test_a_redirect_on_the_same_server_is_followed_with_the_login(
    tmp_path: Path, share: Path, secret: str
) -> None:
    put_file(share)("moved/a.csv", HEAD + scan(1))
    with web_server(share) as (port, faults):
        faults.redirect_to = "/moved/a.csv"
        url = f"http://{USER}@127.0.0.1:{port}/moved/a.csv"
        assert fates(load(garage(tmp_path, url=url, secret=secret))) == [("a.csv", "stored")]


@pytest.mark.parametrize(
    ("old", "new", "followed"),
    [
        ("https://a.example/x", "https://b.example/y", True),
        ("http://localhost/x", "https://localhost/x", True),
        ("https://a.example/x", "https://a.example:8443/x", False),
        ("https://a.example/x", "http://a.example/x", False),
        ("https://a.example:8443/x", "https://b.example/x", False),
        ("http://localhost/x", "https://b.example/x", False),
    ],
)
def test_where_a_redirect_may_lead(old: str, new: str, *, followed: bool) -> None:
    header = https._NearRedirects(None)  # noqa: SLF001
    asked = urllib.request.Request(old)  # noqa: S310
    told = http.client.HTTPMessage()
    if followed:
        onward = header.redirect_request(asked, io.BytesIO(), 302, "Found", told, new)
        assert onward is not None
        assert onward.full_url == new
    else:
        with pytest.raises(RefusedSourceError, match="sends us on"):
            header.redirect_request(asked, io.BytesIO(), 302, "Found", told, new)


def small_limits(folder: Path, text: str) -> None:
    (folder / "config").mkdir(exist_ok=True)
    (folder / "config" / "afterclear.toml").write_text(f"[limits]\n{text}\n")


def test_a_file_larger_than_it_promised_is_refused_at_the_limit(
    tmp_path: Path, share: Path, secret: str
) -> None:
    """HEAD says 10 bytes, the answer says nothing and sends more than is allowed."""
    put_file(share)("a.csv", HEAD + scan(1) * 1000)
    small_limits(tmp_path, "max_file_mb = 0.01")
    with web_server(share) as (port, faults):
        faults.promises = 10
        app = garage(tmp_path, url=f"http://{USER}@127.0.0.1:{port}/", secret=secret)
        report = load(app)
        assert fates(report) == [("a.csv", "refused")]
        assert "limits.max_file_mb" in report.results[0].note
        assert fates(load(app)) == [], "and is not asked for again before it changes"
    assert not list(app.archive.rglob("*.zst"))


def test_a_message_larger_than_it_promised_is_refused_at_the_limit(tmp_path: Path) -> None:
    """What is asked for ends one byte after the limit."""
    asked: list[str] = []

    class Box:
        def uid(self, *words: str) -> tuple[str, list[object]]:
            asked.append(words[2])
            return "OK", [(b"1 (BODY[]<0> {21}", b"x" * 21), b")"]

    place = imap.ImapPlace(Box(), "INBOX")  # type: ignore[arg-type]
    with pytest.raises(TooLargeError):
        place.fetch(Found("message-1.eml", "1:1", 5), tmp_path / "m.eml", 20)
    assert asked == ["(BODY.PEEK[]<0.21>)"]


def test_a_server_that_drips_is_left_when_its_time_is_over(
    tmp_path: Path, share: Path, secret: str
) -> None:
    """A byte now and then, for ever: never silent, never done."""
    put_file(share)("a.csv", "")
    small_limits(tmp_path, "max_source_minutes = 0.01")
    with web_server(share) as (port, faults):
        faults.promises, faults.drips = 10, True
        report = load(garage(tmp_path, url=f"http://{USER}@127.0.0.1:{port}/", secret=secret))
    assert report.results == ()
    (said,) = report.out_of_reach
    assert said.startswith("share: took longer than limits.max_source_minutes allows (0.01).")


def test_a_token_in_an_address_stands_in_no_name(tmp_path: Path, share: Path, secret: str) -> None:
    put_file(share)("a.csv", HEAD + scan(1))
    with web_server(share) as (port, _):
        url = f"http://{USER}@127.0.0.1:{port}/a.csv?token=abcd1234"
        assert fates(load(garage(tmp_path, url=url, secret=secret))) == [("a.csv", "stored")]
        assert without_secrets("GET /a.csv?token=abcd1234") == "GET /a.csv?token=***"
        url = f"http://{USER}@127.0.0.1:{port}/?token=abcd1234"
        put_file(share)("b.csv", HEAD + scan(2))
        assert ("b.csv", "stored") in fates(load(garage(tmp_path, url=url, secret=secret)))


def test_an_unknown_certificate_is_refused(
    tmp_path: Path, share: Path, secret: str, certificate: trustme.LeafCert
) -> None:
    with web_server(share, certificate) as (port, faults):
        report = load(garage(tmp_path, url=f"https://{USER}@127.0.0.1:{port}/", secret=secret))
    assert "certificate of 127.0.0.1 is not trusted" in report.out_of_reach[0]
    assert faults.asked == []


def test_an_unknown_or_changed_server_key_is_refused(
    tmp_path: Path, share: Path, secret: str
) -> None:
    with sftp_server(share, tmp_path / "other_hosts"):
        pass
    with sftp_server(share, tmp_path / "hosts") as port:
        url = f"sftp://{USER}@127.0.0.1:{port}/"
        (tmp_path / "none").write_text("")
        app = garage(tmp_path, url=url, secret=secret, known_hosts="none")
        assert "not in the known hosts" in load(app).out_of_reach[0]
        changed = (tmp_path / "other_hosts").read_text().split(" ", 1)[1]
        (tmp_path / "changed").write_text(f"[127.0.0.1]:{port} {changed}")
        app = garage(tmp_path, url=url, secret=secret, known_hosts="changed")
        assert "another key" in load(app).out_of_reach[0]


def test_a_server_that_is_not_there_is_told(tmp_path: Path, secret: str) -> None:
    for url in (
        "http://127.0.0.1:1/x/",
        "sftp://u@127.0.0.1:1/",
        "imap://u@127.0.0.1:1/",
    ):
        report = load(garage(tmp_path, url=url, secret=secret))
        assert "does not answer" in report.out_of_reach[0], url
        assert report.exit_code == 4


def mail(number: int, name: str, text: str) -> bytes:
    message = EmailMessage()
    message["Subject"], message["From"], message["To"] = f"scans {number}", "a@b.test", "c@d.test"
    message["Date"] = "Mon, 06 Jan 2025 10:00:00 +0000"
    message.set_content("See the list.")
    message.add_attachment(text.encode(), maintype="text", subtype="csv", filename=name)
    return message.as_bytes()


@pytest.mark.parametrize("safe", [False, True])
@pytest.mark.slow
def test_attachments_of_new_messages_are_loaded_and_no_message_is_marked(
    tmp_path: Path,
    secret: str,
    authority: trustme.CA,
    certificate: trustme.LeafCert,
    *,
    safe: bool,
) -> None:
    authority.cert_pem.write_to_path(str(tmp_path / "ca.pem"))
    with imap_server() as port, in_tls(port, certificate) as safe_port:
        put_mail(port, mail(1, "a.csv", HEAD + scan(1)), mail(2, "b.csv", HEAD + scan(2)))
        scheme, at = ("imaps", safe_port) if safe else ("imap", port)
        app = garage(
            tmp_path, url=f"{scheme}://{quote(USER)}@127.0.0.1:{at}/INBOX", secret=secret,
            ca_file="ca.pem",
        )  # fmt: skip
        report = load(app)
        assert report.out_of_reach == ()
        stored = [r.file_name.partition("/")[2] for r in report.results if r.rows_stored]
        assert stored == ["a.csv", "b.csv"]
        assert load(app).results == ()
        put_mail(port, mail(3, "c.csv", HEAD + scan(3)))
        (name,) = [r.file_name for r in load(app).results if r.rows_stored]
        assert name.endswith("/c.csv")


def test_certificates_of_our_own_are_trusted_beside_the_systems(
    tmp_path: Path,
    secret: str,
    authority: trustme.CA,
    certificate: trustme.LeafCert,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The servers' issuer is one of the system's; ``ca_file`` names another."""
    authority.cert_pem.write_to_path(str(tmp_path / "system.pem"))
    monkeypatch.setenv("SSL_CERT_FILE", str(tmp_path / "system.pem"))
    trustme.CA().cert_pem.write_to_path(str(tmp_path / "ca.pem"))
    own = {"secret": secret, "ca_file": "ca.pem"}
    with web_server(tmp_path, certificate) as (port, _):
        web = load(garage(tmp_path, url=f"https://{USER}@127.0.0.1:{port}/none.csv", **own))
    with imap_server() as port, in_tls(port, certificate) as safe_port:
        mailbox = load(garage(tmp_path, url=f"imaps://{USER}@127.0.0.1:{safe_port}/", **own))
    assert "404" in web.out_of_reach[0]
    assert mailbox.out_of_reach == ()


@pytest.mark.parametrize("scheme", ["https", "imaps"])
@pytest.mark.parametrize("content", [None, "no certificate"])
def test_certificates_that_cannot_be_used_are_told(
    tmp_path: Path, secret: str, scheme: str, content: str | None
) -> None:
    if content is not None:
        (tmp_path / "ca.pem").write_text(content)
    app = garage(tmp_path, url=f"{scheme}://{USER}@127.0.0.1:9/", secret=secret, ca_file="ca.pem")
    (said,) = load(app).out_of_reach
    assert "ca.pem cannot be used" in said


URLS = [
    ("ftp://somewhere/x", "begins with one of"),
    ("http://elsewhere.test/x", "use the safe form"),
    ("imap://u@elsewhere.test/", "use the safe form"),
    ("https://user:pw@elsewhere.test/", "a password stands in no file"),
    ("https:///x", "begins with one of"),
]


@pytest.mark.parametrize(("url", "words"), URLS)
def test_an_unsafe_address_is_refused_in_the_config(tmp_path: Path, url: str, words: str) -> None:
    with pytest.raises(ConfigError, match=words):
        garage(tmp_path, url=url)


def test_a_secret_that_is_not_set_is_told_by_its_name(tmp_path: Path) -> None:
    report = load(garage(tmp_path, url="https://x.test/", secret="NOT_SET_ANYWHERE"))  # noqa: S106
    assert report.out_of_reach == ("share: The environment variable NOT_SET_ANYWHERE is not set.",)


def test_secrets_are_struck_out_wherever_they_stand(
    tmp_path: Path, secret: str, share: Path
) -> None:
    with web_server(share) as (port, _):
        load(garage(tmp_path, url=f"http://{USER}@127.0.0.1:{port}/", secret=secret))
    text = f"{PASSWORD} and https://u:{quote(PASSWORD, safe='')}@x"
    assert without_secrets(text) == "*** and https://u:***@x"
