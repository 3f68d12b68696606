"""Who may use a desk that listens to others: users, sessions, roles, and who has to wait."""

import asyncio
import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from argon2 import PasswordHasher
from click.testing import CliRunner
from starlette.routing import Mount, Route
from starlette.testclient import TestClient

from afterclear.cli import main
from afterclear.commands.app import App, app_at
from afterclear.commands.trail import trail
from afterclear.config import Config
from afterclear.desk.attempts import Attempts, Try
from afterclear.desk.door import Door
from afterclear.desk.long_work.bench import Bench
from afterclear.desk.opening import Opening, check_opening
from afterclear.desk.request import Desk
from afterclear.desk.routes import PAGES, TURN, desk_site
from afterclear.desk.safeguards import DIGESTS, OPEN_PATHS
from afterclear.desk.uploads import Uploads
from afterclear.desk.users import Role, User, Users
from afterclear.errors import ConfigError, UsageError

HOST = "desk.garage.example:8443"
HOME = f"https://{HOST}"
PASSWORD = "four words that do not belong"  # noqa: S105 - of nobody
QUICK = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
NAMES = {Role.READ: "Rea", Role.DECIDE: "Dora", Role.ADMIN: "Ada"}


class Clock:
    """A clock that is put on by hand."""

    def __init__(self) -> None:
        self.at = datetime(2026, 3, 2, 8, tzinfo=UTC)
        self.seconds = 0.0

    def __call__(self) -> datetime:
        return self.at

    def wait(self, **span: float) -> None:
        self.at += timedelta(**span)
        self.seconds += timedelta(**span).total_seconds()


class Served:
    """A desk that listens to others, with a user for each role."""

    def __init__(self, folder: Path, config: Config | None = None) -> None:
        self.app: App = app_at(config or Config(None), folder / "afterclear.duckdb")
        self.clock = Clock()
        self.users = Users(folder / "users", QUICK)
        for role, name in NAMES.items():
            self.users.add(name, role, PASSWORD)
        self.attempts = Attempts(lambda: self.clock.seconds)
        self.door = Door(8443, self.users, self.attempts, self.clock)
        self.desk = Desk(self.app, Bench(self.app), Uploads(folder / "uploads"))
        self.site = desk_site(self.desk, self.door, frozenset({HOST}), most_bytes=1_000_000)

    def browser(self, address: str = "192.0.2.7") -> TestClient:
        return TestClient(self.site, base_url=HOME, client=(address, 50_000))

    def sign_in(
        self, name: str, password: str = PASSWORD, address: str = "192.0.2.7"
    ) -> TestClient:
        browser = self.browser(address)
        assert try_to(browser, name, password) == 200
        return browser


def try_to(browser: TestClient, name: str, password: str, **change: str) -> int:
    """Sign in as a browser does; give the answer's status."""
    found = re.search(r'name="form_token" value="([^"]+)"', browser.get("/sign-in").text)
    assert found is not None
    data = {"form_token": found[1], "name": name, "password": password} | change
    return browser.post("/sign-in", data=data, headers={"Origin": HOME}).status_code


def token_of(browser: TestClient) -> str:
    """Give the token that forms of a page have."""
    found = re.search(r'name="form_token" value="([^"]+)"', browser.get("/").text)
    assert found is not None
    return found[1]


def form(browser: TestClient, place: str, **sent: object) -> int:
    """Send a form with the token of the session; give the answer's status."""
    data = {"form_token": token_of(browser)} | sent.pop("data", {})  # type: ignore[operator]
    answer = browser.post(place, data=data, headers={"Origin": HOME}, **sent)  # type: ignore[arg-type]
    return answer.status_code


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Served:
    return Served(tmp_path_factory.mktemp("served"))


@pytest.fixture
def own(tmp_path: Path) -> Served:
    """Give a desk for tests that change its users or its clock."""
    return Served(tmp_path)


# --- rules of the routes ----------------------------------------------------------------------


def test_every_route_has_a_rule(served: Served) -> None:
    """The site's own routes are walked, not a list beside them."""
    ruled = {(method, path) for method, path, role, _ in PAGES if isinstance(role, Role)}
    allowed = ruled | {(m, path) for path in {*OPEN_PATHS, "/sign-out"} for m in ("GET", "POST")}
    for route in served.site._app.routes:  # type: ignore[attr-defined]  # noqa: SLF001
        if isinstance(route, Mount):
            assert f"{route.path}/" == DIGESTS  # whoever has a session may read
        else:
            assert isinstance(route, Route)
            methods = (route.methods or set()) - {"HEAD"}
            assert {(method, route.path) for method in methods} <= allowed


def places() -> Iterator[tuple[str, str, Role]]:
    for method, path, role, _ in PAGES:
        place = re.sub(r"\{\w+:int\}", "1", path)
        yield method, re.sub(r"\{\w+\}", "0123456789abcdef", place), role


@pytest.mark.parametrize("role", list(Role))
def test_each_role_comes_to_its_routes_and_to_no_other(served: Served, role: Role) -> None:
    """A form without its token is refused after the role was looked at: nothing is done here."""
    browser = served.sign_in(NAMES[role])
    for method, place, needed in places():
        answer = browser.request(method, place, headers={"Origin": HOME}, follow_redirects=False)
        is_shut = "needs the role" in answer.text
        assert (place, is_shut) == (place, role < needed)
        if is_shut or method == "POST":
            assert answer.status_code == 403


def test_whoever_is_not_signed_in_comes_to_no_page(served: Served) -> None:
    browser = served.browser()
    for method, place, _ in places():
        answer = browser.request(method, place, headers={"Origin": HOME}, follow_redirects=False)
        seen = (answer.status_code, answer.headers.get("location"))
        assert seen == ((303, "/sign-in") if method == "GET" else (403, None)), place
    assert browser.get("/pages/fleet.html", follow_redirects=False).status_code == 303


# --- signing in and out -----------------------------------------------------------------------


def test_the_key_opens_nothing_where_users_sign_in(served: Served) -> None:
    assert served.door.enter(served.door.key) is None
    assert served.browser().get(f"/enter?key={served.door.key}").status_code == 404


@pytest.mark.parametrize(("name", "password"), [("Ada", "wrong"), ("nobody", PASSWORD), ("", "")])
def test_a_wrong_name_and_a_wrong_password_get_the_same_answer(
    served: Served, name: str, password: str
) -> None:
    browser = served.browser("192.0.2.99")
    assert try_to(browser, name, password) == 403
    assert browser.get("/", follow_redirects=False).status_code == 303


def test_signing_in_needs_the_token_of_its_own_form(served: Served) -> None:
    """A page elsewhere cannot sign a browser in as somebody else."""
    for change in ({"form_token": "guess"}, {"form_token": ""}):
        assert try_to(served.browser(), "Ada", PASSWORD, **change) == 403
    bare = served.browser().post(
        "/sign-in", data={"name": "Ada", "password": PASSWORD}, headers={"Origin": HOME}
    )
    assert bare.status_code == 403
    assert not any(name.endswith("8443") for name in bare.cookies)


def test_the_session_goes_over_tls_only_and_to_no_script_and_no_other_site(served: Served) -> None:
    cookie = served.sign_in("Ada").cookies
    answer = served.browser().get("/sign-in")
    wanted = {"HttpOnly", "SameSite=strict", "Secure", "Path=/"}
    assert wanted <= set(answer.headers["set-cookie"].split("; "))
    assert all(name.startswith("__Host-") for name in cookie)


def test_what_comes_without_tls_is_refused(served: Served) -> None:
    """A proxy that is not the named one cannot say that its visitor came by https."""
    plain = TestClient(served.site, base_url=f"http://{HOST}")
    assert plain.get("/sign-in", headers={"X-Forwarded-Proto": "https"}).status_code == 403


@pytest.mark.parametrize("origin", [f"http://{HOST}", "https://desk.garage.example", "null"])
def test_an_origin_of_another_scheme_or_port_is_foreign(served: Served, origin: str) -> None:
    browser = served.sign_in("Ada")
    assert browser.post("/judge", headers={"Origin": origin}).status_code == 403


def test_whoever_signs_out_is_out(served: Served) -> None:
    browser = served.sign_in("Rea")
    for sent in ("guess", token_of(browser)):
        browser.post("/sign-out", data={"form_token": sent}, headers={"Origin": HOME})
        is_in = browser.get("/", follow_redirects=False).status_code == 200
        assert is_in == (sent == "guess")


def test_a_session_ends_when_it_is_left_alone_and_after_a_day_of_work(own: Served) -> None:
    browser = own.sign_in("Ada")
    for _ in range(11):
        own.clock.wait(hours=1)
        assert browser.get("/", follow_redirects=False).status_code == 200
    own.clock.wait(hours=1)
    assert browser.get("/", follow_redirects=False).status_code == 303
    idle = own.sign_in("Ada")
    own.clock.wait(hours=2)
    assert idle.get("/", follow_redirects=False).status_code == 303


def test_a_user_who_is_removed_or_has_another_password_is_out_at_once(own: Served) -> None:
    browsers = [own.sign_in("Rea"), own.sign_in("Dora")]
    own.users.remove("Rea")
    own.users.change_password("Dora", PASSWORD + "!")
    assert [b.get("/", follow_redirects=False).status_code for b in browsers] == [303, 303]


def test_a_form_is_sent_again_after_signing_in_again(own: Served) -> None:
    """What was typed in two hours is not lost: the page before says how."""
    browser = own.sign_in("Dora")
    sent = {"form_token": token_of(browser), "word": "accept"}
    own.clock.wait(hours=2)
    for name in ("", "Ada", "Dora"):
        if name:
            assert try_to(browser, name, PASSWORD) == 200
        answer = browser.post("/bring/0123456789abcdef/drop", data=sent, headers={"Origin": HOME})
        assert answer.status_code == (400 if name == "Dora" else 403)
        assert ('href="/sign-in"' in answer.text) == (name != "Dora")
    assert token_of(own.sign_in("Ada")) != sent["form_token"]
    own.users.change_password("Dora", PASSWORD + "!")
    assert token_of(own.sign_in("Dora", PASSWORD + "!")) != sent["form_token"]


def test_whoever_signs_in_often_ends_own_sessions_only(own: Served) -> None:
    dora = own.sign_in("Dora")
    cookies = [own.door.sign_in("Rea", PASSWORD, "192.0.2.8") or "" for _ in range(12)]
    held = [own.door.session(cookie) is not None for cookie in cookies]
    assert held == [False] * 2 + [True] * 10
    assert dora.get("/", follow_redirects=False).status_code == 200


def test_nobody_signs_a_decision_by_another_name(served: Served) -> None:
    browser = served.sign_in("Dora")
    assert "Dora" in browser.get("/").text
    data = {"form_token": token_of(browser), "by": "Ada"}
    browser.post("/decide", data=data, headers={"Origin": HOME})
    session = next(s for s in served.door._sessions.values() if s.user == "Dora")  # noqa: SLF001
    assert session.person == "Dora"


# --- who has to wait --------------------------------------------------------------------------


def test_ten_thousand_wrong_tries_cost_little_and_lock_nobody_out(own: Served) -> None:
    """From one address: all but twenty are not looked at; the right one elsewhere gets in."""
    checked = 0
    for _ in range(10_000):
        try:
            assert own.door.sign_in("Ada", "a guess", "198.51.100.1") is None
            checked += 1
        except UsageError:
            pass
    assert checked == 20
    assert own.attempts.n_kept <= 3
    assert own.door.sign_in("Ada", PASSWORD, "192.0.2.7") is not None
    with pytest.raises(UsageError, match="then try again"):
        own.door.sign_in("Ada", PASSWORD, "198.51.100.1")
    own.clock.wait(minutes=1)
    assert own.door.sign_in("Ada", PASSWORD, "198.51.100.1") is not None


def test_tries_from_ten_thousand_addresses_do_not_keep_a_user_out_or_fill_the_memory() -> None:
    attempts = Attempts(lambda: 0.0)
    attempts.was_right(Try("Ada", "192.0.2.7"))
    assert looked_at(attempts, "Ada", is_user=True) == 100
    assert attempts.wait_s(Try("Ada", "192.0.2.7")) == 0  # from where she signed in before
    assert attempts.wait_s(Try("Dora", "192.0.2.8")) == 0
    for n in range(10_000):
        attempts.was_wrong(Try(f"nobody {n}", f"10.1.{n // 256}.{n % 256}", is_user=False))
    for n in range(2000):
        attempts.was_right(Try(f"user {n}", "192.0.2.7"))
    assert attempts.n_kept <= 2**13 + 3000


def looked_at(attempts: Attempts, name: str, *, is_user: bool) -> int:
    """Try ten thousand passwords for a name, each from another address."""
    n_looked_at = 0
    for n in range(10_000):
        tried = Try(name, f"10.0.{n // 256}.{n % 256}", is_user)
        if not attempts.wait_s(tried):
            attempts.was_wrong(tried)
            n_looked_at += 1
    return n_looked_at


def test_the_wait_does_not_tell_who_has_a_password() -> None:
    """A name that nobody has is looked at as often as a user's, whatever other names were tried."""
    attempts = Attempts(lambda: 0.0)
    assert looked_at(attempts, "nobody", is_user=False) == 100
    for n in range(2000):
        attempts.was_wrong(Try(f"nobody {n}", f"10.1.{n // 256}.{n % 256}", is_user=False))
    assert attempts.wait_s(Try("nobody", "192.0.2.7", is_user=False)) > 0
    assert attempts.wait_s(Try("Ada", "192.0.2.7")) == 0


def test_a_name_that_nobody_has_is_one_however_it_is_typed(own: Served) -> None:
    for n, name in enumerate(["nobody", "NOBODY"] * 50):
        own.door.sign_in(name, "a guess", f"10.0.0.{n}")
    with pytest.raises(UsageError, match="Too many tries"):
        own.door.sign_in("Nobody", "a guess", "10.0.1.0")


def test_whoever_shares_an_address_keeps_nobody_out_who_signed_in_from_there(own: Served) -> None:
    assert own.door.sign_in("Ada", PASSWORD, "192.0.2.7")
    for name in ("Rea", "nobody") * 10:
        own.door.sign_in(name, "a guess", "192.0.2.7")
    with pytest.raises(UsageError, match="Too many tries"):
        own.door.sign_in("Dora", PASSWORD, "192.0.2.7")
    assert own.door.sign_in("Ada", PASSWORD, "192.0.2.7")
    for _ in range(20):  # who guesses at her from there waits, too
        own.door.sign_in("Ada", "a guess", "192.0.2.7")
    with pytest.raises(UsageError, match="Too many tries"):
        own.door.sign_in("Ada", "a guess", "192.0.2.7")


def test_whoever_has_a_password_cannot_go_on_guessing_those_of_others(own: Served) -> None:
    for _ in range(20):
        own.door.sign_in("Rea", PASSWORD, "192.0.2.7")
        own.door.sign_in("Ada", "a guess", "192.0.2.7")
    with pytest.raises(UsageError, match="Too many tries"):
        own.door.sign_in("Ada", "a guess", "192.0.2.7")


def test_one_subscribers_subnet_is_one_address() -> None:
    attempts = Attempts(lambda: 0.0)
    for n in range(20):
        attempts.was_wrong(Try("Ada", f"2001:db8:1:2::{n:x}"))
        attempts.was_wrong(Try("Ada", "::ffff:192.0.2.7"))
    assert attempts.wait_s(Try("Ada", "2001:db8:1:2:ffff::1")) > 0
    assert attempts.wait_s(Try("Ada", "192.0.2.7")) > 0
    assert attempts.wait_s(Try("Ada", "::ffff:192.0.2.8")) == 0


@contextmanager
def a_turn_taken() -> Iterator[None]:
    """Have somebody's page take its time while the block runs."""
    is_taken, may_end = threading.Event(), threading.Event()

    async def page() -> None:
        async with TURN.within(0) as is_its_turn:
            assert is_its_turn
            is_taken.set()
            await asyncio.to_thread(may_end.wait, 60)

    thread = threading.Thread(target=asyncio.run, args=(page(),))
    thread.start()
    assert is_taken.wait(60)
    try:
        yield
    finally:
        may_end.set()
        thread.join()


def test_one_persons_page_keeps_the_others_waiting_for_a_while_only(
    served: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who signs in, what is static and the lines of long work do not wait at all."""
    browser = served.sign_in("Ada")
    monkeypatch.setattr("afterclear.desk.routes._TURN_WITHIN_S", 0)
    with a_turn_taken():
        answer = browser.get("/")
        assert (answer.status_code, "file is being looked at" in answer.text) == (503, True)
        served.sign_in("Rea")
        for place in ("/desk.css", "/bench", "/bench/lines"):
            assert browser.get(place).status_code == 200
    assert browser.get("/").status_code == 200


# --- the users' file --------------------------------------------------------------------------


def test_only_hashes_are_kept_and_for_their_owner_only(tmp_path: Path) -> None:
    path = tmp_path / "users"
    Users(path, QUICK).add("Mara Lindt", Role.ADMIN, PASSWORD)
    assert path.stat().st_mode & 0o777 == 0o600
    text = path.read_text(encoding="utf-8")
    assert PASSWORD not in text
    assert Users(path, QUICK).who("mara lindt", PASSWORD) == Users(path).get("Mara Lindt")


@pytest.mark.parametrize(
    ("name", "password", "told"),
    [
        ("../x", PASSWORD, "no user's name"),
        ("a\x1b", PASSWORD, "no user's name"),
        (" ", PASSWORD, "no user's name"),
        ("Mara", "too short", "15 to 200"),
        ("Mara", "x" * 201, "15 to 200"),
        ("ADA", PASSWORD, "already"),
    ],
)
def test_a_user_that_cannot_be_is_refused(
    served: Served, name: str, password: str, told: str
) -> None:
    with pytest.raises(UsageError, match=told):
        served.users.add(name, Role.READ, password)


def test_a_file_of_users_that_others_can_read_is_refused(own: Served) -> None:
    path = own.app.store.with_name("users")
    path.chmod(0o640)
    with pytest.raises(ConfigError, match="Others than its owner"):
        Users(path).all()


def test_a_damaged_file_of_users_lets_nobody_in(own: Served) -> None:
    browser = own.sign_in("Ada")
    own.app.store.with_name("users").write_text('{"users": [{"name": "Ada"}]}')
    answer = browser.get("/")
    assert answer.status_code == 503
    assert "damaged" in answer.text


def test_users_are_kept_by_the_command_line(tmp_path: Path) -> None:
    def say(*words: str, typed: str = "") -> tuple[int, str]:
        store = ["--store", str(tmp_path / "a.duckdb"), "desk", "user"]
        done = CliRunner().invoke(main, [*store, *words], input=typed)
        return done.exit_code, done.output

    assert say("add", "Mara", "--role", "decide", typed=f"{PASSWORD}\n")[0] == 0
    # the second choice of RFC 9106, section 4: 64 MiB, three passes, four lanes
    assert "$argon2id$v=19$m=65536,t=3,p=4$" in (tmp_path / "a.duckdb.users").read_text()
    assert say("list") == (0, "Mara  decide\n")
    assert say("password", "Mara", typed="short\n")[0] == 2
    assert say("remove", "Mara")[0] == 0
    assert say("remove", "Mara")[0] == 2
    assert say("list") == (0, "")
    done = [(e.did, e.about) for e in trail(app_at(Config(None), tmp_path / "a.duckdb"), 9)]
    assert done == [("removed a user", "Mara"), ("added a user", "Mara, decide")]


# --- before it listens ------------------------------------------------------------------------

SOMEBODY = (User("Ada", Role.ADMIN, ""),)
OPEN = {"listen": "192.0.2.1", "port": 8443}


@pytest.mark.parametrize(
    ("asked", "users", "told"),
    [
        ({"proxy": "192.0.2.2"}, SOMEBODY, "--listen"),
        (OPEN, (), "nobody has a password"),
        (OPEN, SOMEBODY, "readable on the way"),
        (OPEN | {"certificate": Path("c.pem")}, SOMEBODY, "readable on the way"),
        (OPEN | {"port": 0}, SOMEBODY, "--port"),
        (OPEN | {"listen": "desk.example"}, SOMEBODY, "in numbers"),
        (OPEN | {"proxy": "192.0.2.2"}, SOMEBODY, "--name"),
        (OPEN | {"proxy": "*"}, SOMEBODY, "in numbers"),
        (OPEN | {"proxy": "::1", "key": Path("k.pem")}, SOMEBODY, "leave one of them out"),
        (OPEN | {"certificate": Path("no"), "key": Path("no")}, SOMEBODY, "belong together"),
    ],
)
def test_it_listens_to_others_only_with_users_and_tls(
    asked: dict[str, object], users: tuple[User, ...], told: str
) -> None:
    with pytest.raises(UsageError, match=told):
        check_opening(Opening(**asked), users)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("asked", "hosts"),
    [
        ({}, {"127.0.0.1:8443", "localhost:8443"}),
        ({"listen": "::1"}, {"[::1]:8443"}),
        ({"listen": "2001:DB8:0:0:0:0:0:1"}, {"[2001:db8::1]:8443"}),
        ({"listen": "::ffff:192.0.2.1"}, {"192.0.2.1:8443"}),
        ({"listen": "0.0.0.0", "names": ("Desk.example",)}, {"desk.example:8443"}),  # noqa: S104
        ({"listen": "::1", "names": ("desk.example",), "proxy": "::1"}, {"desk.example"}),
    ],
)
def test_it_answers_under_its_own_names_only(asked: dict[str, object], hosts: set[str]) -> None:
    assert Opening(**asked).hosts(8443) == hosts  # type: ignore[arg-type]
