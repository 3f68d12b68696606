"""What a hostile page, person or file may try at the desk, and does not get."""

import asyncio
import re
from pathlib import Path

import pytest
from starlette.exceptions import HTTPException
from starlette.types import Message

from afterclear.desk import safeguards
from afterclear.desk.safeguards import limited
from afterclear.digest.output.render import script_of_pages
from afterclear.store.engine.database import open_store
from tests.desk.test_access import HOME, Served, form, token_of

TEMPLATES = Path(safeguards.__file__).parent / "templates"
SCRIPT = "<script>alert(1)</script>"
EVIL = f'{SCRIPT}"><script>alert(2)</script>'


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Served:
    """Give a desk with an empty store."""
    served = Served(tmp_path_factory.mktemp("hostile"))
    with open_store(served.app.store):
        pass
    return served


def test_every_form_that_changes_something_has_the_token() -> None:
    without = [
        (page.name, found[:80])
        for page in sorted(TEMPLATES.glob("*.html"))
        for found in re.findall(r'<form[^>]*method="post".*?</form>', page.read_text(), re.DOTALL)
        if "token(session)" not in found and 'name="form_token"' not in found
    ]
    assert without == []


def test_no_template_lets_markup_through() -> None:
    for page in TEMPLATES.glob("*.html"):
        text = page.read_text(encoding="utf-8")
        assert not re.search(
            r'\|\s*safe\b|autoescape|<script(?! src="/desk.js")|\son\w+=|style=', text
        ), page.name


@pytest.mark.slow
def test_script_in_any_text_field_comes_back_as_letters(served: Served) -> None:
    browser = served.sign_in("Ada")
    form(browser, "/bring", files={"files": (f"{EVIL}.csv", EVIL.encode())})
    word = {"word": EVIL, "until": EVIL, "until_km": EVIL, "note": EVIL, "by": EVIL}
    told = [
        browser.post(
            place, data=word | {"form_token": token_of(browser)} | more, headers={"Origin": HOME}
        )
        for place, more in (
            ("/decide", {"chosen": f"{EVIL} {EVIL}"}),
            ("/decide/1/undo", {}),
            ("/sign-in", {"name": EVIL, "password": EVIL}),
        )
    ]
    told += [browser.get(place) for place in ("/bring", "/trail", "/decide", "/loads", "/refused")]
    told += [browser.get("/find", params={"name": EVIL})]
    told += [
        browser.get(f"/bring/{u.number}", params={"zone": EVIL})
        for u in served.desk.uploads.waiting()
    ]
    for answer in told:
        assert "<script>alert" not in answer.text, answer.url


@pytest.mark.parametrize(
    ("place", "field", "sign"),
    [
        ("/loads/1/otherwise", "vehicle", "\0"),
        ("/decide", "note", "\n"),
        ("/forget", "vehicle", "\x7f"),
        ("/maps/x", "text", "\x1b"),
    ],
)
def test_a_control_character_is_refused_where_nobody_types_one(
    served: Served, place: str, field: str, sign: str
) -> None:
    browser = served.sign_in("Ada")
    data = {field: f"V{sign}1", "sure": "yes", "form_token": token_of(browser)}
    answer = browser.post(place, data=data, headers={"Origin": HOME})
    assert (answer.status_code, "control character" in answer.text) == (400, True)
    assert served.desk.bench.piece is None


def test_pages_of_digests_run_their_own_script_only(served: Served) -> None:
    (served.app.reports / "fleet.html").write_text(SCRIPT)
    answer = served.sign_in("Rea").get("/pages/fleet.html")
    policy = answer.headers["content-security-policy"]
    assert f"script-src '{script_of_pages()}'" in policy
    assert "unsafe-inline" not in policy.partition("script-src")[2]


def test_whoever_is_not_signed_in_sends_little(served: Served) -> None:
    answer = served.browser().post(
        "/sign-in", data={"name": "x" * 20_000}, headers={"Origin": HOME}
    )
    assert answer.status_code == 413


def test_what_a_stranger_uploads_is_not_read(served: Served) -> None:
    """The answer comes before the first byte is asked for."""

    async def ask() -> list[Message]:
        sent: list[Message] = []

        async def receive() -> Message:
            pytest.fail("it was read")

        async def send(message: Message) -> None:
            sent.append(message)

        headers = [(b"host", HOME[8:].encode()), (b"origin", HOME.encode())]
        scope = {"type": "http", "method": "POST", "path": "/bring", "headers": headers}
        await served.site({**scope, "scheme": "https", "query_string": b""}, receive, send)
        return sent

    assert asyncio.run(ask())[0]["status"] == 403


def test_an_upload_that_never_ends_is_given_up() -> None:
    async def never() -> Message:
        await asyncio.Event().wait()
        raise AssertionError

    with pytest.raises(HTTPException) as refused:
        asyncio.run(limited(never, 1000, 0)())  # type: ignore[arg-type]
    assert refused.value.status_code == 408
