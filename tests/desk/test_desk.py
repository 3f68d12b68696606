"""The desk as a browser asks it: who is let in, and the daily work from files to decisions."""

import io
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from afterclear.commands.app import App, app_at
from afterclear.commands.init_and_demo import init
from afterclear.commands.queries.exporting import export_frame
from afterclear.config import Config, find_config
from afterclear.desk.door import Door
from afterclear.desk.long_work.bench import Bench, Piece
from afterclear.desk.request import Desk
from afterclear.desk.routes import PAGES, desk_site
from afterclear.desk.uploads import Upload, Uploads
from afterclear.desk.users import Role
from afterclear.errors import UsageError
from afterclear.store.engine import database, sharing
from afterclear.store.engine.database import Connection

HOST = "127.0.0.1:8765"
HOME = f"http://{HOST}"
SCANS = (
    "scan_id,vehicle_id,scanned_at,odometer_km,ecu,code,status\n"
    "S1,V1,2025-01-01T08:00:00Z,1000,engine,P0301,confirmed\n"
    "S2,V1,2025-02-01T08:00:00Z,1400,engine,P0301,confirmed\n"
    "S3,V2,2025-02-01T08:00:00Z,9000,brakes,C0034-11,confirmed\n"
)


class Browser:
    """One browser at one desk."""

    def __init__(self, app: App) -> None:
        self.door = Door(8765)
        self.bench = Bench(app)
        self.uploads = Uploads(app.store.with_name("uploads"))
        self.desk = Desk(app, self.bench, self.uploads)
        site = desk_site(self.desk, self.door, frozenset({HOST}), most_bytes=1_000_000)
        self.client = TestClient(site, base_url=HOME, follow_redirects=True)

    def enter(self) -> "Browser":
        assert self.client.get(f"/enter?key={self.door.key}").status_code == 200
        return self

    def get(self, place: str) -> str:
        answer = self.client.get(place)
        assert answer.status_code == 200, answer.text
        return answer.text

    def token(self) -> str:
        found = re.search(r'name="form_token" value="([^"]+)"', self.get("/bring"))
        assert found is not None
        return found[1]

    def post(self, place: str, **fields: object) -> str:
        return self.ask(place, **fields)[1]

    def ask(self, place: str, **fields: object) -> tuple[int, str]:
        files = fields.pop("files", None)
        data = {"form_token": self.token()} | fields
        answer = self.client.post(place, data=data, files=files, headers={"Origin": HOME})  # type: ignore[arg-type]
        self.bench.wait(600)
        return answer.status_code, answer.text

    def bring(self, name: str, content: str | bytes) -> str:
        """Bring a file; return its number."""
        raw = content.encode() if isinstance(content, str) else content
        self.post("/bring", files={"files": (name, io.BytesIO(raw))})
        return self.uploads.waiting()[-1].number

    def load(self, name: str, content: str) -> None:
        self.post(f"/bring/{self.bring(name, content)}/load")
        assert self.bench.piece is not None
        assert self.bench.piece.problem == ""


def garage(folder: Path) -> App:
    init(folder)
    return app_at(find_config(folder / "config"), folder / "afterclear.duckdb")


@pytest.fixture
def browser(tmp_path: Path) -> Browser:
    return Browser(garage(tmp_path)).enter()


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory) -> Browser:
    """Give a desk where two vehicles with open faults are loaded and judged."""
    browser = Browser(garage(tmp_path_factory.mktemp("desk"))).enter()
    browser.load("scans.csv", SCANS)
    browser.post("/judge")
    return browser


# --- who is let in ----------------------------------------------------------------------------


def test_every_address_needs_the_session(tmp_path: Path) -> None:
    """The table of routes is walked: a new page is guarded from its first day."""
    client = Browser(garage(tmp_path)).client
    for method, path, *_ in PAGES:
        place = path.replace("{number:int}", "1").replace("{number}", "0123456789abcdef")
        answer = client.request(method, place, headers={"Origin": HOME})
        assert (place, answer.status_code) == (place, 403)
    assert client.get("/pages/fleet.html").status_code == 403


def test_a_cookie_of_another_program_shuts_nobody_out(browser: Browser) -> None:
    own = f"{browser.door.cookie_name}={next(iter(browser.client.cookies.values()))}"
    browser.client.cookies.clear()
    answer = browser.client.get("/", headers={"Cookie": f'prefs={{"a":1}}; {own}'})
    assert answer.status_code == 200


def test_the_key_opens_once(tmp_path: Path) -> None:
    browser = Browser(garage(tmp_path)).enter()
    browser.client.cookies.clear()
    assert browser.client.get(f"/enter?key={browser.door.key}").status_code == 403
    assert browser.client.get("/enter?key=guess").status_code == 403


def test_the_session_is_kept_from_scripts_and_from_other_sites(tmp_path: Path) -> None:
    browser = Browser(garage(tmp_path))
    answer = browser.client.get(f"/enter?key={browser.door.key}", follow_redirects=False)
    assert {"HttpOnly", "SameSite=strict"} <= set(answer.headers["set-cookie"].split("; "))


def test_a_foreign_host_is_refused(browser: Browser) -> None:
    answer = browser.client.get("/", headers={"Host": "desk.elsewhere.example:8765"})
    assert answer.status_code == 403


@pytest.mark.parametrize("origin", ["http://elsewhere.example", "null", None])
def test_a_form_from_elsewhere_is_refused(browser: Browser, origin: str | None) -> None:
    headers = {} if origin is None else {"Origin": origin}
    data = {"form_token": browser.token()}
    assert browser.client.post("/judge", data=data, headers=headers).status_code == 403
    assert browser.bench.piece is None


@pytest.mark.parametrize("token", ["", "guess", "für"])
def test_a_form_without_the_sessions_token_is_refused(browser: Browser, token: str) -> None:
    data = {"form_token": token}
    answer = browser.client.post("/judge", data=data, headers={"Origin": HOME})
    assert (answer.status_code, browser.bench.piece) == (403, None)


@pytest.mark.parametrize(
    "path", ["..%2fafterclear.duckdb", "%2e%2e/config/afterclear.toml", "/etc/hostname"]
)
def test_no_path_leads_out_of_the_reports(browser: Browser, path: str) -> None:
    assert browser.client.get(f"/pages/{path}").status_code == 404


def test_what_is_too_large_is_stopped_whatever_length_it_states(browser: Browser) -> None:
    def more_and_more() -> Iterator[bytes]:
        yield b'--x\r\nContent-Disposition: form-data; name="files"; filename="a.csv"\r\n\r\n'
        for _ in range(30):
            yield b"x" * 100_000

    headers = {"Origin": HOME, "Content-Type": "multipart/form-data; boundary=x"}
    answer = browser.client.post("/bring", content=more_and_more(), headers=headers)
    assert (answer.status_code, "Bring fewer files at once" in answer.text) == (413, True)
    assert '<a href="/">' in answer.text
    assert browser.uploads.waiting() == []


def test_too_many_files_at_once_are_told_on_a_page_as_is_the_limit(browser: Browser) -> None:
    assert "At most 200 files at once, 1 MB together" in browser.get("/bring")
    files = [("files", (f"{n}.csv", io.BytesIO(b"x"))) for n in range(201)]
    status, page = browser.ask("/bring", files=files)
    assert (status, "Bring fewer files at once" in page, '<a href="/">' in page) == (
        400,
        True,
        True,
    )


@pytest.mark.slow
def test_markup_in_a_name_stays_text(browser: Browser) -> None:
    number = browser.bring("<script>alert(1)</script>.csv", "<script>alert(2)</script>\n")
    for page in ("/bring", f"/bring/{number}", "/find?name=<script>alert(3)</script>"):
        assert "<script>" not in browser.client.get(page).text


def test_pages_run_only_the_desks_own_script_and_ask_nobody(browser: Browser) -> None:
    policy = browser.client.get("/").headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "script-src 'self';" in policy
    assert "connect-src 'self';" in policy
    assert "frame-ancestors 'none'" in policy


def test_before_the_first_file_every_page_says_so(browser: Browser) -> None:
    for method, path, *_ in PAGES:
        if method == "GET" and "{" not in path:
            browser.get(path)
    assert "isfire" in browser.get("/find?name=P0301")


# --- the daily work ---------------------------------------------------------------------------


def test_a_plain_file_is_shown_then_loaded_judged_and_told(judged: Browser) -> None:
    home = judged.get("/")
    assert "scans.csv" in home
    assert "by hand" in home  # nobody here typed a command
    assert "/pages/fleet.html" in home
    assert "V1" in judged.get("/pages/index.html")
    assert "P0301" in judged.get("/find?name=v1")
    assert "isfire" in judged.get("/find?name=P0301")


@pytest.mark.slow
def test_an_open_point_is_asked_and_the_map_is_kept_for_the_next_file(browser: Browser) -> None:
    rows = "vehicle;date;odometer km;module;code\n" + "".join(
        f"M-{n};0{n}/04/2025;{n}0123;engine;P030{n}\n" for n in range(1, 6)
    )
    number = browser.bring("yard.csv", rows)
    page = browser.get(f"/bring/{number}")
    asked = re.findall(r'name="(answer:[^"]+)" value="([^"]+)"', page)
    assert asked
    answers: dict[str, str] = {}
    while asked:
        answers |= dict(reversed(asked))
        query = "&".join(f"{key}={word}" for key, word in answers.items())
        page = browser.get(f"/bring/{number}?{query}")
        asked = re.findall(r'type="radio" name="(answer:[^"]+)" value="([^"]+)"', page)
    browser.post(f"/bring/{number}/load", map_name="yard", **answers)
    app = browser.desk.app
    assert (app.config.imports / "yard.toml").is_file()
    assert len(export_frame(app, "scans")) == 5
    assert browser.uploads.waiting() == []
    assert "is read as it is" in browser.get(f"/bring/{browser.bring('yard.csv', rows)}")


@pytest.mark.slow
def test_a_file_nobody_can_read_says_why_and_waits(browser: Browser) -> None:
    number = browser.bring("letter.txt", "Dear all\n\nsee you on Monday\n")
    assert "letter.txt" in browser.get(f"/bring/{number}")
    status, _ = browser.ask(f"/bring/{number}/load")
    assert status == 400
    assert [u.name for u in browser.uploads.waiting()] == ["letter.txt"]
    browser.post(f"/bring/{number}/drop")
    assert browser.uploads.waiting() == []


@pytest.mark.slow
def test_refused_rows_are_shown_with_what_was_expected(browser: Browser) -> None:
    browser.load("scans.csv", SCANS + "S4,V1,yesterday,1500,engine,P0301,confirmed\n")
    page = browser.get("/refused")
    assert "yesterday" in page
    assert "Expected" in page


@pytest.mark.slow
def test_a_load_is_taken_back_whole(browser: Browser) -> None:
    browser.load("scans.csv", SCANS)
    browser.post("/loads/1/back")
    assert len(export_frame(browser.desk.app, "scans")) == 0


def boxes(browser: Browser) -> dict[str, str]:
    """Give the box of each vehicle's line: its value holds what the line said."""
    found = re.findall(r'name="chosen" value="([^"]+)"', browser.get("/decide"))
    return {box.partition(" ")[2]: box for box in found}


def test_lines_are_decided_on_together_and_taken_back(judged: Browser) -> None:
    box = boxes(judged)
    form = {"chosen": [box["V1"], box["V2"], box["V2"]], "word": "accept", "by": "Mara"}
    assert judged.ask("/decide", **form)[0] == 200
    kept = export_frame(judged.desk.app, "decisions")
    assert kept["vehicle_id"].to_list() == ["V1", "V2"]
    for number in kept["decision_id"]:
        judged.post(f"/decide/{number}/undo", by="Mara")
    undone = export_frame(judged.desk.app, "decisions")
    assert undone["undone_by"].to_list() == ["Mara", "Mara"]


def test_who_decides_on_an_old_page_is_told_what_another_person_did(judged: Browser) -> None:
    old = boxes(judged)
    for name in ("V1", "V2"):  # that of V1 goes, that of V2 concerns safety and stays
        judged.ask("/decide", chosen=old[name], word="accept", by="Mara")
        status, page = judged.ask("/decide", chosen=old[name], word="accept", by="Ben")
        assert (status, "“accept” by Mara" in page) == (400, True)
        assert ("is not on the list any more" in page) == (name == "V1")
        assert ("Now it says: " in page) == (name == "V2")
    for row in export_frame(judged.desk.app, "decisions").tail(2).to_dicts():
        assert row["decided_by"] == "Mara"
        judged.post(f"/decide/{row['decision_id']}/undo", by="Mara")


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"chosen": ["old V1"]}, "has changed since"),
        ({"word": "wait"}, "until which day"),
        ({"word": "wait", "until_km": "soon"}, "is no number of km"),
        ({"word": "wait", "until_km": "nan"}, "is no odometer reading"),
        ({"word": "wait", "until_km": "-5"}, "is no odometer reading"),
        ({"word": "wait", "until": "2001-01-01"}, "is over already"),
        ({"until": "2031-01-01"}, "Only a wait has an end"),
        ({"by": " "}, "Say who decides"),
        ({"chosen": []}, "Tick the lines"),
    ],
)
def test_a_decision_that_cannot_stand_keeps_nothing_but_what_was_typed(
    judged: Browser, change: dict[str, object], told: str
) -> None:
    before = len(export_frame(judged.desk.app, "decisions"))
    form: dict[str, object] = {"chosen": [*boxes(judged).values()], "word": "accept", "by": "Mara"}
    status, page = judged.ask("/decide", **form | {"note": "by telephone"} | change)
    assert (status, told in page, 'value="by telephone"' in page) == (400, True, True)
    assert len(export_frame(judged.desk.app, "decisions")) == before


def test_a_safety_code_is_no_fault_only_where_it_is_ticked_below_its_caution(
    judged: Browser,
) -> None:
    box, page = boxes(judged), judged.get("/decide")
    assert page.index("<b>Brakes") < page.index('name="code" value="0 V2"')
    form = {"chosen": [box["V2"]], "word": "not_a_fault", "by": "Mara", "note": "no such sensor"}
    for change, told in (
        ({}, "Tick the codes that are no fault in the line of V2"),
        ({"code": "7 V2"}, "The line of V2 has changed since"),
        ({"code": "0 V2", "word": "accept"}, "Codes are ticked"),
        ({"code": ["0 V2", "0 V1"]}, "Codes of V1 are ticked, but not its line"),
    ):
        assert told in judged.ask("/decide", **form | change)[1]
    assert judged.ask("/decide", **form | {"code": "0 V2"})[0] == 200
    kept = export_frame(judged.desk.app, "decisions").row(-1, named=True)
    assert (kept["word"], kept["code"], kept["note"]) == ("not_a_fault", "C0034-11", form["note"])
    assert "not a fault" in judged.get("/find?name=V2")
    judged.post(f"/decide/{kept['decision_id']}/undo", by="Mara")
    assert "taken back by Mara" in judged.get("/find?name=V2")


def test_the_sheet_for_the_workshop_is_linked_where_a_line_is_decided_on(judged: Browser) -> None:
    for place in ("/decide", "/find?name=V2"):
        link = re.search(
            r'href="(/pages/sheets/[^"]+)"[^>]*>(?:Sheet|Its sheet)', judged.get(place)
        )
        assert link is not None
        judged.get(link[1])


def shown(browser: Browser, role: Role, patch: pytest.MonkeyPatch) -> str:
    """Give all pages for readers as a role sees them; a file waits and a load is over."""
    session = next(iter(browser.door._sessions.values()))  # noqa: SLF001
    patch.setattr(session, "role", role)
    patch.setattr(browser.bench, "piece", Piece("Load", is_done=True))
    patch.setattr(browser.uploads, "waiting", lambda: [Upload("0" * 16, Path("a.csv"))])
    return "".join(browser.get(path) for method, path, needed, _ in PAGES
        if (method, needed) == ("GET", Role.READ))  # fmt: skip


def test_who_only_reads_is_shown_no_form_and_no_link_that_is_shut(
    judged: Browser, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shut = {path for method, path, role, _ in PAGES if method == "GET" and role > Role.READ}
    empty = Browser(app_at(Config(None), tmp_path / "x.duckdb")).enter()
    for role in (Role.READ, Role.ADMIN):
        pages = shown(judged, role, monkeypatch), shown(empty, role, monkeypatch)
        to = [set(re.findall(r'<a [^>]*href="([^"#?]+)', page)) & shut for page in pages]
        may = role == Role.ADMIN
        assert ('method="post"' in pages[0], *map(bool, to)) == (may, may, may), to


# --- what waits -------------------------------------------------------------------------------


@pytest.mark.parametrize("number", ["../x", "0" * 16, "0123456789abcdeg", ""])
def test_only_a_files_own_number_finds_it(tmp_path: Path, number: str) -> None:
    with pytest.raises(UsageError, match="not here any more"):
        Uploads(tmp_path / "uploads").get(number)


def test_a_name_from_outside_is_no_path(tmp_path: Path) -> None:
    upload = Uploads(tmp_path / "uploads").keep("../../C:\\x\\scan\x1b.csv", io.BytesIO(b"1"))
    assert upload.name == "scan_.csv"
    assert upload.path.parent.parent == tmp_path / "uploads"


def test_a_full_disk_leaves_no_half_file(tmp_path: Path) -> None:
    class Full(io.BytesIO):
        def read(self, *_: object) -> bytes:
            raise OSError(28, "No space left on device")

    uploads = Uploads(tmp_path / "uploads")
    with pytest.raises(OSError, match="No space left"):
        uploads.keep("a.csv", Full())
    assert list((tmp_path / "uploads").iterdir()) == []


def test_a_file_that_was_cut_off_by_a_kill_is_none_and_goes(tmp_path: Path) -> None:
    folder = tmp_path / "uploads"
    (folder / ".half").mkdir(parents=True)
    (folder / ".half" / "file").write_bytes(b"hal")
    (folder / "open.html").touch()
    assert Uploads(folder).waiting() == []
    assert not folder.exists()


def test_a_file_that_was_brought_before_a_kill_waits_at_the_next_start(tmp_path: Path) -> None:
    folder = tmp_path / "uploads"
    kept = Uploads(folder).keep("a.csv", io.BytesIO(b"1"))
    (folder / ".half").mkdir()
    assert Uploads(folder).waiting() == [kept]
    assert [place.name for place in folder.iterdir()] == [kept.number]


def test_a_link_where_files_wait_is_neither_followed_nor_removed(tmp_path: Path) -> None:
    folder, elsewhere = tmp_path / "uploads", tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "own.csv").write_text("1")
    number = "0123456789abcdef"
    Uploads(folder).keep("a.csv", io.BytesIO(b"1"))
    for name in ("aside", number, "open.html"):
        (folder / name).symlink_to(elsewhere, target_is_directory=True)
    uploads = Uploads(folder)
    assert [upload.name for upload in uploads.waiting()] == ["a.csv"]
    with pytest.raises(UsageError, match="not here any more"):
        uploads.get(number)
    assert uploads.own_page("hello").read_text() == "hello"
    uploads.drop(number)
    uploads.drop_all()
    assert (elsewhere / "own.csv").read_text() == "1"
    assert sorted(place.name for place in folder.iterdir()) == [number, "aside"]


def test_a_desk_whose_folder_is_a_link_does_not_begin_and_says_why(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "own.csv").write_text("1")
    (tmp_path / "uploads").symlink_to(tmp_path / "elsewhere", target_is_directory=True)
    with pytest.raises(UsageError, match=r"uploads is a link.*remove the link"):
        Uploads(tmp_path / "uploads")
    assert (tmp_path / "elsewhere" / "own.csv").exists()


def test_a_second_piece_of_work_waits_to_be_asked_again(tmp_path: Path) -> None:
    """Each is a command in a process of its own, and what it says is shown."""
    bench = Bench(app_at(Config(None), tmp_path / "x.duckdb"))
    assert bench.begin("first", [["decode", "P0301"]])
    assert not bench.begin("second", [["decode", "P0302"]])
    bench.wait(60)
    assert bench.piece is not None
    assert (bench.piece.title, bench.piece.problem) == ("first", "")
    assert any("isfire" in line for line in bench.piece.lines)


def test_what_is_under_way_is_stopped_with_the_desk(tmp_path: Path) -> None:
    app = garage(tmp_path)
    bench = Bench(app)
    assert bench.begin("wait", [["schedule"]])
    bench.stop()
    assert bench.piece is not None
    assert bench.piece.is_done
    assert not bench.begin("more", [["status"]])


def test_a_page_opens_the_store_once_or_not_at_all(
    judged: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    """To open it takes longer than most queries, and pages come one after another."""
    opened: list[Path] = []
    attach = database._attached  # noqa: SLF001

    def counted(path: Path, *, read_only: bool) -> Connection:
        opened.append(path)
        return attach(path, read_only=read_only)

    monkeypatch.setattr(database, "_attached", counted)
    places = ("/", "/decide", "/refused", "/loads", "/find?name=V1", "/find?name=P0301")
    for place in places:
        judged.desk.readings.let_go()
        judged.get(place)
        assert (place, opened) == (place, [judged.desk.app.store])
        opened.clear()
    monkeypatch.setattr(sharing, "IDLE_S", 60)
    monkeypatch.setattr(sharing, "LONGEST_S", 60)
    for place in places:
        judged.get(place)
        assert (place, opened) == (place, [])  # what the page before left open
    box = boxes(judged)["V2"]
    opened.clear()
    judged.ask("/decide", chosen=box, word="accept", by="Mara")  # what writes opens it for itself
    assert opened
    (kept,) = export_frame(judged.desk.app, "decisions").tail(1).to_dicts()
    judged.post(f"/decide/{kept['decision_id']}/undo", by="Mara")
