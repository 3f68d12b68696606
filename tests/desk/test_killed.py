"""A desk that is killed (SIGKILL) loses nothing it confirmed, and leaves nothing half done."""

import os
import re
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path
from urllib.parse import urlsplit

import httpx2
import pytest

from afterclear.commands.app import App, app_at
from afterclear.commands.init_and_demo import init
from afterclear.commands.trail import trail
from afterclear.config import find_config
from afterclear.store.engine.database import open_store, scalar
from afterclear.store.upkeep.checks import check_rows
from tests.desk.test_desk import SCANS

pytestmark = pytest.mark.slow

ROWS = 60_000
_TOKEN = re.compile(r'name="form_token" value="([^"]+)"')


class Started:
    """A desk in a process of its own, and a browser that was let in."""

    def __init__(self, folder: Path) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-u", "-m", "afterclear", "desk", "--no-browser"],
            cwd=folder,
            stdout=subprocess.PIPE,
            text=True,
            start_new_session=True,  # what it starts is killed with it, as by the end of a machine
        )
        assert self.process.stdout is not None
        found = re.search(r"(http://[^/]+)/enter\S+", self.process.stdout.readline())
        assert found is not None
        self.home = found[1]
        self.browser = httpx2.Client(base_url=self.home, follow_redirects=True, timeout=60)
        assert self.browser.get(found[0]).status_code == 200

    def get(self, place: str) -> str:
        answer = self.browser.get(place)
        assert answer.status_code == 200, answer.text
        return answer.text

    def post(self, place: str, **more: object) -> str:
        found = _TOKEN.search(self.get("/bring"))
        assert found is not None
        answer = self.browser.post(
            place, data={"form_token": found[1]}, headers={"Origin": self.home}, **more
        )
        assert answer.status_code == 200, answer.text
        return str(answer.url)

    def bring(self, name: str, content: bytes) -> str:
        """Bring a file; return its place."""
        place = self.post("/bring", files={"files": (name, content, "text/csv")})
        return urlsplit(place).path

    def send_half(self) -> None:
        """Send half of a file, and no more."""
        found = _TOKEN.search(self.get("/bring"))
        assert found is not None
        cookies = "; ".join(f"{name}={value}" for name, value in self.browser.cookies.items())
        head = (
            f"POST /bring HTTP/1.1\r\nHost: {self.home[7:]}\r\nOrigin: {self.home}\r\n"
            f"Cookie: {cookies}\r\nContent-Length: 9000000\r\n"
            "Content-Type: multipart/form-data; boundary=x\r\n\r\n"
            f'--x\r\nContent-Disposition: form-data; name="form_token"\r\n\r\n{found[1]}\r\n'
            '--x\r\nContent-Disposition: form-data; name="files"; filename="half.csv"\r\n\r\n'
        )
        host, port = self.home[7:].split(":")
        with socket.create_connection((host, int(port))) as line:
            line.sendall(head.encode() + SCANS.encode() * 20_000)
            time.sleep(0.3)  # it is being read
            self.kill()

    def kill(self, *, with_its_load: bool = True) -> None:
        if with_its_load:
            os.killpg(self.process.pid, signal.SIGKILL)
        else:
            self.process.kill()
        self.process.wait()
        assert self.process.stdout is not None
        self.process.stdout.close()
        self.browser.close()


def many_scans() -> bytes:
    rows = "".join(
        f"X{n},Z{n % 97},2025-03-{1 + n % 28:02d}T08:00:00Z,{1000 + n},engine,P0301,confirmed\n"
        for n in range(ROWS)
    )
    return (SCANS.splitlines(keepends=True)[0] + rows).encode()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    init(tmp_path / "garage")
    return tmp_path / "garage"


def loads(app: App) -> dict[str, int]:
    """Give the rows that each loaded file brought; all sums of the store agree."""
    with open_store(app.store, read_only=True) as con:
        assert not [found for found in check_rows(con) if found.n_breaches]
        found = con.execute(
            "SELECT file_name, rows_stored FROM loads WHERE outcome = 'stored'"
        ).fetchall()
        assert scalar(con, "SELECT count(*) FROM scans") == sum(n for _, n in found)
    return dict(found)


def test_a_kill_during_an_upload_leaves_no_half_file_anywhere(folder: Path) -> None:
    desk = Started(folder)
    desk.bring("whole.csv", SCANS.encode())
    desk.send_half()
    left = [p.name for p in folder.rglob("*") if p.is_file() and p.stat().st_size > 10_000]
    assert left == []  # neither in the inbox nor beside the store
    desk = Started(folder)
    page = desk.get("/bring")
    assert ("whole.csv" in page, "half.csv" in page) == (True, False)
    desk.kill()


@pytest.mark.parametrize("with_its_load", [True, False])
def test_a_kill_during_a_load_loses_nothing_and_the_next_desk_goes_on(
    folder: Path, *, with_its_load: bool
) -> None:
    app = app_at(find_config(folder / "config"), folder / "afterclear.duckdb")
    desk = Started(folder)
    desk.post(f"{desk.bring('first.csv', SCANS.encode())}/load")
    while "Done." not in desk.get("/bench"):
        time.sleep(0.2)
    desk.post(f"{desk.bring('many.csv', many_scans())}/load")
    while not list(folder.glob("afterclear.duckdb.wal")) and "Done." not in desk.get("/bench"):
        time.sleep(0.02)  # until it writes
    desk.kill(with_its_load=with_its_load)

    desk = Started(folder)
    page = desk.get("/bring")
    assert "many.csv" in page  # it was brought, and nobody said that it is loaded
    place = re.search(r"/bring/[0-9a-f]{16}", page)
    assert place is not None
    desk.post(f"{place[0]}/load")
    while "Done." not in (page := desk.get("/bench")):
        assert "did not finish" not in page, page
        time.sleep(0.2)
    assert loads(app) == {"first.csv": 3, "many.csv": ROWS}
    assert "many.csv" not in desk.get("/bring")
    desk.kill()
    told = [(entry.did, entry.about) for entry in trail(app, 99)]
    assert {("brought files", "first.csv"), ("brought files", "many.csv")} <= set(told)
    assert sum(did == "loaded a file" for did, _ in told) == 3
