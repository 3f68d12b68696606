"""A desk as a process: of the demo, and to others over TLS, until it is told to stop."""

import re
import socket
import ssl
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import httpx2
import pytest
import trustme

from afterclear.commands.init_and_demo import init
from afterclear.desk.users import Role, Users
from tests.desk.test_access import PASSWORD, QUICK

pytestmark = pytest.mark.slow


def a_free_port() -> int:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        return int(taken.getsockname()[1])


@pytest.fixture
def served(tmp_path: Path) -> Iterator[tuple[str, ssl.SSLContext, Path]]:
    """Give its address, whom to trust, and the garage's folder."""
    garage = tmp_path / "garage"
    init(garage)
    Users(garage / "afterclear.duckdb.users", QUICK).add("Ada", Role.ADMIN, PASSWORD)
    authority = trustme.CA()
    issued = authority.issue_cert("desk.garage.example", "127.0.0.1")
    issued.cert_chain_pems[0].write_to_path(str(tmp_path / "c.pem"))
    issued.private_key_pem.write_to_path(str(tmp_path / "k.pem"))
    trusted = ssl.create_default_context()
    authority.configure_trust(trusted)
    tls = ["--certificate", str(tmp_path / "c.pem"), "--key", str(tmp_path / "k.pem")]
    where = ["--listen", "127.0.0.1", "--port", str(a_free_port()), "--schedule", *tls]
    desk = subprocess.Popen(
        [sys.executable, "-u", "-m", "afterclear", "desk", *where],
        cwd=garage,
        stdout=subprocess.PIPE,
        text=True,
        encoding="utf-8",
    )
    assert desk.stdout is not None
    found = re.search(r"https://\S+", desk.stdout.readline())
    assert found is not None
    with desk.stdout:
        assert any("run: next at" in line for line in desk.stdout)  # the timetable is kept
        yield found[0], trusted, garage
        desk.terminate()
        assert desk.wait(60) == 0


def test_users_sign_in_over_tls_and_times_are_kept(
    served: tuple[str, ssl.SSLContext, Path],
) -> None:
    address, trusted, garage = served
    with httpx2.Client(verify=trusted, base_url=address, follow_redirects=True) as browser:
        page = browser.get("/").text
        token = re.search(r'name="form_token" value="([^"]+)"', page)
        assert token is not None
        sent = {"form_token": token[1], "name": "Ada", "password": PASSWORD}
        origin = {"Origin": address.rstrip("/")}
        assert browser.post("/sign-in", data=sent, headers=origin).status_code == 200
        assert "Who did what" in browser.get("/").text
        assert browser.get("/", headers={"Host": "elsewhere.example"}).status_code == 403
    with pytest.raises(httpx2.HTTPError):
        httpx2.get(address.replace("https", "http"))
    assert (garage / "afterclear.duckdb.trail").exists()


@pytest.fixture
def of_the_demo(tmp_path: Path) -> Iterator[str]:
    """Give the address of the demo's desk, with its key."""
    desk = subprocess.Popen(
        [sys.executable, "-u", "-m", "afterclear", "demo", "--desk", "--no-browser"],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        text=True,
        encoding="utf-8",
    )
    assert desk.stdout is not None
    with desk.stdout:
        found = [re.search(r"http://\S+/enter\?key=\S+", line) for line in _until_it_is_at(desk)]
        yield next(each[0] for each in found if each)
        desk.terminate()
        assert "Stopped." in desk.stdout.read()
        assert desk.wait(60) == 0


def _until_it_is_at(desk: "subprocess.Popen[str]") -> Iterator[str]:
    assert desk.stdout is not None
    for line in desk.stdout:
        yield line
        if "/enter?key=" in line:
            return


def test_the_demo_opens_a_desk_on_its_own_fleet(of_the_demo: str) -> None:
    """What a newcomer types first; the printed key lets one browser in."""
    with httpx2.Client(follow_redirects=True, timeout=60) as browser:
        assert browser.get(of_the_demo).status_code == 200
        home, _, _ = of_the_demo.partition("/enter")
        assert "/pages/fleet.html" in browser.get(f"{home}/").text
        assert "/forget?vehicle=M-106" in browser.get(f"{home}/find?name=M-106").text
        assert "M-106" in browser.get(f"{home}/pages/fleet.html").text
    assert httpx2.get(of_the_demo, timeout=60).status_code == 403
