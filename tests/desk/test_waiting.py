"""A file whose page takes a while: nobody else waits for it, and nothing that was said is lost."""

import re
from pathlib import Path

import pytest

from afterclear.desk.long_work import judging
from afterclear.desk.long_work.judging import Judge
from tests.desk.test_desk import SCANS, Browser, garage
from tests.desk.test_desk_files import ORDERS

pytestmark = pytest.mark.slow

LOOKED_AT = "It is being looked at"


@pytest.fixture
def browser(tmp_path: Path) -> Browser:
    return Browser(garage(tmp_path)).enter()


def test_a_small_file_that_takes_long_is_looked_at_beside_the_pages(
    browser: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(judging, "AT_ONCE_S", -1)
    number = browser.bring("scans.csv", SCANS)
    assert LOOKED_AT in browser.get(f"/bring/{number}")
    monkeypatch.setattr(judging, "check_file", lambda *_: pytest.fail("it was tried again"))
    browser.desk.judge.wait(60)
    assert "It is read as it is" in browser.get(f"/bring/{number}")


def test_a_name_in_use_is_told_though_the_file_is_looked_at_anew(
    browser: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A map that somebody kept meanwhile may be what takes the name, and may change the file."""
    number = browser.bring("orders.csv", ORDERS)
    imports = browser.desk.app.config.imports
    imports.mkdir(exist_ok=True)
    (imports / "orders.toml").write_text(
        'kind = "delimited"\nfiles = ["yard*"]\n\n[[table]]\ninto = "vehicles"\n\n'
        '[table.columns]\nvehicle_id = "unit"\n'
    )
    really, asked = Judge.judged, iter([True, False])
    monkeypatch.setattr(Judge, "judged", lambda *told: really(*told) if next(asked, True) else None)
    waits = browser.post(f"/bring/{number}/load", map_name="orders", zone="UTC")
    assert (LOOKED_AT in waits, "There is a map orders already" in waits) == (True, True)
    again = re.search(r'data-again="([^"]+)"', waits)
    assert again is not None
    shown = browser.client.get(again[1].replace("&amp;", "&"))
    assert "There is a map orders already" in shown.text
    assert 'value="orders"' in shown.text
    assert browser.bench.piece is None
