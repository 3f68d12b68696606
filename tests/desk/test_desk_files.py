"""Files at the desk: what a column is taken for, many at once, and work that is cancelled."""

import asyncio
import io
import re
import threading
import time
from pathlib import Path
from typing import BinaryIO
from unittest.mock import Mock

import pytest

from afterclear.commands.app import app_at
from afterclear.commands.intake.mapping import Asked as HowAsked
from afterclear.commands.progress import file_line
from afterclear.commands.queries.exporting import export_frame
from afterclear.commands.trail import trail
from afterclear.config import Config
from afterclear.desk.door import Session
from afterclear.desk.long_work import judging
from afterclear.desk.long_work.bench import Bench, Piece
from afterclear.desk.long_work.judging import Judge
from afterclear.desk.pages.home import bench_lines
from afterclear.desk.request import BUSY, Asked
from afterclear.desk.routes import TURN
from afterclear.desk.uploads import Upload, Uploads
from tests.desk.test_desk import SCANS, Browser, garage

ORDERS = (
    "order,unit no,in,out,odo km,what was done\n"
    "W1,V-1,2025-03-01,2025-03-04,1000,replaced coil\n"
    "W2,V-2,2025-03-02,2025-03-15,2000,cleaned plug\n"
)


@pytest.fixture
def browser(tmp_path: Path) -> Browser:
    return Browser(garage(tmp_path)).enter()


def bring_all(browser: Browser, **texts: str) -> list[str]:
    files = [("files", (f"{name}.csv", io.BytesIO(t.encode()))) for name, t in texts.items()]
    browser.ask("/bring", files=files)
    return [upload.number for upload in browser.uploads.waiting()]


@pytest.mark.slow
def test_a_column_is_picked_seen_and_loaded_as_picked(browser: Browser) -> None:
    number = browser.bring("orders.csv", ORDERS)
    page = browser.get(f"/bring/{number}?answer:column:in=repaired_at")
    assert "2025-03-01" in page.partition("As it will be stored")[2]
    assert re.search(r'<option value="repaired_at" selected', page)
    # a pick that cannot be is told, and stays to be mended
    status = browser.client.get(f"/bring/{number}?answer:column:in=odometer_km").status_code
    assert status == 200  # the cells are taken as they are, and refused: the page shows it
    both = f"/bring/{number}?answer:column:in=repaired_at&answer:column:out=repaired_at"
    answer = browser.client.get(both)
    assert (answer.status_code, "both taken as repaired_at" in answer.text) == (400, True)
    picks = {"answer:column:in": "repaired_at", "answer:column:odo km": "aside"}
    browser.post(f"/bring/{number}/load", map_name="orders", **picks)
    rows = export_frame(browser.desk.app, "repairs")
    assert [at.date().isoformat() for at in rows["repaired_at"]] == ["2025-03-01", "2025-03-02"]
    assert rows["odometer_km"].to_list() == [None, None]


@pytest.mark.slow
def test_many_files_load_at_once_and_what_cannot_stays_with_the_reason(browser: Browser) -> None:
    bring_all(browser, scans=SCANS, orders=ORDERS, letter="Dear all\n\nsee you on Monday\n")
    browser.post("/bring/load")
    assert sorted(u.name for u in browser.uploads.waiting()) == ["letter.csv", "orders.csv"]
    page = browser.get("/bring")
    assert page.count("Not loaded:") == 2
    assert "afterclear map-check" not in page
    assert len(export_frame(browser.desk.app, "scans")) == 3


@pytest.mark.slow
def test_a_form_that_cannot_be_used_keeps_what_was_typed(browser: Browser) -> None:
    number = browser.bring("scans.csv", SCANS)
    status, page = browser.ask(f"/bring/{number}/load", zone="Europe/Nowhere", vehicle="V9")
    assert (status, "no time zone" in page) == (400, True)
    assert 'value="Europe/Nowhere"' in page
    assert 'value="V9"' in page
    assert browser.bench.piece is None


def large(head: str, row: str) -> str:
    return head + "".join(row.format(n=n, day=1 + n % 28) for n in range(8000))


@pytest.mark.slow
def test_a_large_file_is_looked_at_beside_the_pages_and_keeps_nobody_waiting(
    browser: Browser,
) -> None:
    orders = large(ORDERS, "W{n}x,V-1,2025-03-{day:02d},2025-04-{day:02d},1000,replaced coil\n")
    number = browser.bring("orders.csv", orders)
    for zone in ("Europe/Berlin", "Europe/Paris"):
        place = f"/bring/{number}?zone={zone}"
        page = browser.get(place)
        assert "It is being looked at" in page
        assert f'content="2;url=/bring/{number}?' in page
        assert not TURN.is_taken
        browser.get("/")
        browser.desk.judge.wait(60)
    assert "What each column is taken for" in browser.get(f"/bring/{number}")
    asked = re.findall(r'name="(answer:[^"]+)" value="([^"]+)"', browser.get(f"/bring/{number}"))
    answers = dict(reversed(asked)) | {"map_name": "orders", "zone": "Europe/Madrid"}
    # a form that comes before it is known what would be loaded leads to the page that shows it
    status, page = browser.ask(f"/bring/{number}/load", **answers)
    assert (status, "It is being looked at" in page, browser.bench.piece) == (200, True, None)
    browser.desk.judge.wait(60)
    browser.post(f"/bring/{number}/load", **answers)
    assert browser.bench.piece is not None
    assert len(export_frame(browser.desk.app, "repairs")) > 7000


@pytest.mark.slow
def test_two_people_who_look_at_one_large_file_differently_both_see_it(browser: Browser) -> None:
    number = browser.bring("letter.txt", "Dear all, see you on Monday\n" * 20_000)
    places = [f"/bring/{number}", f"/bring/{number}?zone=Europe/Berlin"]
    for place in (*places, *places):  # each page asks again while the other's is looked for
        assert "It is being looked at" in browser.get(place)
    browser.desk.judge.wait(60)
    assert not any("It is being looked at" in browser.get(place) for place in places)


@pytest.mark.slow
def test_a_large_file_that_nobody_can_read_says_why(browser: Browser) -> None:
    number = browser.bring("letter.txt", "Dear all, see you on Monday\n" * 20_000)
    browser.get(f"/bring/{number}")
    browser.desk.judge.wait(60)
    page = browser.get(f"/bring/{number}")
    assert "letter.txt" in page
    assert "It is being looked at" not in page
    answer = browser.client.get(f"/bring/{number}?zone=Nowhere/At+all")
    assert (answer.status_code, "no time zone" in answer.text) == (400, True)


def test_a_process_that_is_begun_while_the_desk_stops_is_ended(
    browser: Browser, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    judge = Judge(browser.bench)
    process = Mock(pid=2**30, returncode=-15)
    process.poll.return_value = None
    process.communicate.return_value = (b"", b"")
    stopper = threading.Thread(target=judge.stop)

    def begin(*_: object, **__: object) -> Mock:
        stopper.start()
        stopper.join(0.2)  # it is quicker, unless it has to wait
        return process

    monkeypatch.setattr(judging, "subprocess", Mock(Popen=begin))
    path = tmp_path / "large.csv"
    path.write_bytes(bytes(400_000))
    assert judge.judged(browser.desk.app, "1", path, HowAsked()) is None
    judge.wait(60)
    stopper.join()
    process.terminate.assert_called_once()


def test_hidden_files_of_a_folder_are_left_out(browser: Browser) -> None:
    files = [
        ("files", (name, io.BytesIO(b"x")))
        for name in ("yard/.DS_Store", "yard/Thumbs.db", "yard/~$list.xlsx", "yard/.x/list.csv")
    ]
    browser.ask("/bring", files=files)
    assert [u.name for u in browser.uploads.waiting()] == ["list.csv"]


def test_files_are_kept_all_or_none(browser: Browser, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("afterclear.desk.uploads._MOST", 2)
    assert bring_all(browser, first="1", second="2", third="3") == []
    keep = Uploads.keep

    def full(self: Uploads, name: str, file: BinaryIO) -> Upload:
        if name == "second.csv":
            raise OSError(28, "No space left on device")
        return keep(self, name, file)

    monkeypatch.setattr(Uploads, "keep", full)
    assert bring_all(browser, first="1", second="2") == []


def test_no_file_chosen_is_said_on_the_page(browser: Browser) -> None:
    status, page = browser.ask("/bring", files={"files": ("", io.BytesIO(b""))})
    assert (status, "No file was chosen" in page, 'id="files"' in page) == (400, True, True)


@pytest.mark.slow
def test_a_cancelled_load_leaves_whole_files_only(browser: Browser) -> None:
    head, *rows = SCANS.splitlines()
    many = "\n".join([head, *(rows[0].replace("S1", f"T{n}") for n in range(150_000))])
    browser.uploads.keep("first.csv", io.BytesIO(SCANS.encode()))
    browser.uploads.keep("second.csv", io.BytesIO(many.encode()))
    data = {"form_token": browser.token()}
    headers = {"Origin": "http://127.0.0.1:8765"}
    browser.client.post("/bring/load", data=data, headers=headers, follow_redirects=False)
    piece = browser.bench.piece
    assert piece is not None
    while not piece.lines and not piece.is_done:
        time.sleep(0.01)
    browser.post("/bench/cancel")
    page = browser.get("/bench")
    n_rows, waiting = len(export_frame(browser.desk.app, "scans")), browser.uploads.waiting()
    assert (n_rows, [u.name for u in waiting]) in [(3, ["second.csv"]), (150_003, [])]
    assert "Cancelled" in page or n_rows > 3
    assert browser.desk.app.store.is_file()


@pytest.mark.slow
def test_nothing_more_is_begun_after_a_cancel(tmp_path: Path) -> None:
    app = garage(tmp_path)
    bench, ends = Bench(app), list[Piece]()
    bench.begin("wait", [["schedule"], ["decode", "P0301"]], ends.append, by="Mara")
    assert bench.cancel()
    bench.wait(60)
    assert bench.piece is not None
    assert (bench.piece.by, bench.piece.is_cancelled, bench.piece.problem) == ("Mara", True, "")
    assert not any("isfire" in line for line in bench.piece.lines)
    assert ends == [bench.piece]
    assert not bench.cancel()  # it is over


@pytest.mark.parametrize(
    ("ends", "told"),
    [
        ([4], "It did not finish; the last line says why. What is listed above as done stays."),
        ([0, 1], "It did not finish; the last line says why. What is listed above as done stays."),
        ([ValueError("embedded null byte")], "The program failed here; the log has it."),
        ([PermissionError(13, "x")], "This could not be begun: x."),
        ([3, 0], ""),
    ],
)
def test_how_work_ended_is_told_as_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ends: list[object], told: str
) -> None:
    bench = Bench(app_at(Config(None), tmp_path / "x.duckdb"))
    monkeypatch.setattr(bench, "_run", Mock(side_effect=ends))
    bench.begin("two", [["analyse"], ["digest"]])
    bench.wait(60)
    assert bench.piece is not None
    assert (bench.piece.is_done, bench.piece.problem) == (True, told)


def test_lines_are_sent_as_they_come(browser: Browser) -> None:
    browser.bench.piece = Piece("Load", lines=["     ok  a.csv  3 rows", "<b>"], is_done=True)
    sent = browser.get("/bench/lines?after=1")
    assert sent == 'data: ["<b>", "en"]\n\nevent: done\ndata: .\n\n'
    assert "&lt;b&gt;" in browser.get("/bench")
    assert "Loaded: a.csv" in browser.get("/bench")


def test_an_archive_with_blanks_in_names_within_waits_if_one_of_them_was_refused(
    browser: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun = Mock(return_value=True)
    monkeypatch.setattr(Bench, "begin", begun)
    for name in ("a.zip", "b.zip"):
        browser.uploads.keep(name, io.BytesIO(b"x"))
    browser.ask("/bring/load")
    lines: list[str] = [
        file_line("stored", f"{n}.csv", "3 rows") for n in ("a.zip/new  ones", "b.zip/1")
    ]
    _, _, then, *_ = begun.call_args.args
    then(Piece("Load", lines=[*lines, file_line("refused", "b.zip/May 2.csv", "no header")]))
    assert [(u.name, u.why) for u in browser.uploads.waiting()] == [("b.zip", "no header")]


def test_a_second_click_is_known_by_its_file_not_by_the_files_name(browser: Browser) -> None:
    """Of two people with a file of one name the second is told; nothing says that both loaded."""
    mine, other = (browser.uploads.keep("a.csv", io.BytesIO(b"x")).number for _ in range(2))
    browser.bench.piece = Piece("Load a.csv", key=mine)
    assert browser.ask(f"/bring/{mine}/load")[0] == 200
    status, page = browser.ask(f"/bring/{other}/load")
    assert (status, "Something else is being worked on" in page) == (400, True)
    assert "loaded a file" not in [entry.did for entry in trail(browser.desk.app, 9)]


def test_a_session_follows_a_few_pages_at_once(browser: Browser) -> None:
    """A page beyond them is sent nothing, until another one is closed; no thread waits for any."""
    browser.bench.piece = Piece("Load", lines=["ok  a.csv  3 rows"])
    asked = Asked(browser.desk, Session())

    async def follow(n: int) -> int:
        pages = [bench_lines(asked).body_iterator for _ in range(n)]  # type: ignore[attr-defined]
        sent = [await anext(page, None) for page in pages]
        for page in pages:
            await page.aclose()
        return n - sent.count(None)

    assert asyncio.run(follow(9)) == 4
    assert asyncio.run(follow(2)) == 2


MAP = 'kind = "delimited"\nfiles = ["yard*"]\n\n[[table]]\ninto = "vehicles"\n\n[table.columns]\n'
MAP += 'vehicle_id = "unit"\nmake = "maker"\n'


def test_a_map_is_mended_in_place_or_stays_as_it_was(browser: Browser) -> None:
    folder = browser.desk.app.config.imports
    folder.mkdir(exist_ok=True)
    (folder / "yard.toml").write_text(MAP, encoding="utf-8")
    assert "/maps/yard" in browser.get("/maps")
    assert "maker" in browser.get("/maps/yard")
    wrong = MAP.replace("make =", "colour =")
    status, page = browser.ask("/maps/yard", text=wrong, was=MAP)
    assert (status, "no column of vehicles" in page, "colour =" in page) == (400, True, True)
    assert (folder / "yard.toml").read_text(encoding="utf-8") == MAP
    mended = MAP.replace("maker", "brand")
    assert browser.ask("/maps/yard", text=mended.replace("\n", "\r\n"), was=MAP)[0] == 200
    assert (folder / "yard.toml").read_text(encoding="utf-8") == mended
    status, page = browser.ask("/maps/yard", text=wrong, was=MAP)
    assert (status, "has been changed since" in page) == (400, True)
    assert [path.name for path in folder.iterdir()] == ["yard.toml"]


def test_a_map_is_not_mended_while_what_follows_it_cannot_begin(browser: Browser) -> None:
    """Else the page said that nothing was changed."""
    folder = browser.desk.app.config.imports
    folder.mkdir(exist_ok=True)
    (folder / "yard.toml").write_text(MAP, encoding="utf-8")
    browser.bench.piece = Piece("Load")
    mended = MAP.replace("maker", "brand")
    status, page = browser.ask("/maps/yard", text=mended, was=MAP, again="yes")
    assert (status, BUSY in page, "brand" in page) == (400, True, True)
    assert (folder / "yard.toml").read_text(encoding="utf-8") == MAP


@pytest.mark.parametrize("name", ["..%2fafterclear", "nowhere", "Yard"])
def test_only_a_maps_own_name_finds_it(browser: Browser, name: str) -> None:
    assert browser.client.get(f"/maps/{name}").status_code in {400, 404}


def test_a_load_is_given_another_vehicle_only_by_its_name(
    browser: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[list[str]] = []

    def begin(_: Bench, __: str, commands: list[list[str]], *___: object, **____: object) -> bool:
        begun.extend(commands)
        return True

    monkeypatch.setattr(Bench, "begin", begin)
    browser.desk.app.store.touch()
    status, page = browser.ask("/loads/7/otherwise", vehicle=" ", zone="")
    assert (status, "Say what is otherwise" in page, begun) == (400, True, [])
    browser.ask("/loads/7/otherwise", vehicle="--all", zone="Europe/Berlin")
    browser.ask("/refused/again")
    assert begun == [["reassign", "7", "--vehicle=--all", "--zone=Europe/Berlin"], ["replay"]]
