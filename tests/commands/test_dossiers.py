"""The dossiers of the demo's yard, against the sample's own files and the planted stories."""

import hashlib
import re
from pathlib import Path

import html5lib
import pytest

from afterclear.commands.app import App
from afterclear.commands.init_and_demo import DemoReport
from afterclear.commands.pages.dossiers import write_dossier
from afterclear.config import shipped
from afterclear.digest.common import file_names
from afterclear.errors import UnknownVehicleError, UsageError


@pytest.fixture
def folder(demo_run: tuple[App, DemoReport]) -> Path:
    return demo_run[1].digest.index.parent


def text_of(html: str) -> str:
    plain = re.sub(r"<style>.*?</style>|<[^>]*>", " ", html, flags=re.DOTALL)
    return " ".join(plain.replace("\u00a0", " ").split())


PLANTED = {  # Y-number: what its dossier must hold
    501: [
        *("Hold back", "61 km before the last scan", "P0420 (permanent code only)", "43 days"),
        "56 km to 66 km",  # beside those 61, never "at least 56"
    ],
    502: [
        *(
            "Scan again",
            "about 440 km more of mixed",
            "36 days",
            "most likely at the work of 13 Oct 2026",
        ),
        "DW-260036 most likely",  # that work, not "none on record"
    ],
    503: [
        "as displayed 6,453 km, 10 Aug 2026",
        "carried on at least 126,682 km",
        "order DW-260021 replaced the instrument",
    ],
    504: [
        "as displayed 103,251 km, 7 Sep 2026",
        "140,061 km",
        "145,965 km",
        "No work order is on record.",
    ],
    505: ["0FNFNNWA8MZ106555", "0FNFNNWA", "differs", "Engine; scan "],
    506: ["Ready", "All completed.", "134 days"],
    507: ["DW-260035", "8 Oct 2026, 10:57 UTC", "27 km"],
    508: ["Partial scan", "not read: airbag, body, gateway, instrument cluster, steering"],
    509: ["B0001-13", "for safety", "No work order is on record.", "169 days"],
}


def test_every_car_of_the_yard_has_a_dossier_with_its_planted_story(folder: Path) -> None:
    stock = (folder / "stock.html").read_text(encoding="utf-8")
    for number, words in PLANTED.items():
        name = file_names.dossier(f"Y-{number}")
        assert f'href="{name}"' in stock
        html = (folder / name).read_text(encoding="utf-8")
        html5lib.HTMLParser(strict=True).parse(html)
        text = text_of(html)
        for word in [*words, "no warranty", "clearing a code repairs nothing", "Signature"]:
            assert word in text, (number, word)


def test_a_dossier_cites_every_file_by_the_sum_of_its_bytes(folder: Path) -> None:
    html = (folder / file_names.dossier("Y-507")).read_text(encoding="utf-8")
    sample = shipped("sample_data")
    for name in ("01_vehicles.csv", "09_scans_quarrowsend.parquet", "10_clears.csv",
                 "14_repairs_quarrowsend.csv"):  # fmt: skip
        assert name in html
        assert hashlib.sha256((sample / name).read_bytes()).hexdigest() in html


def test_a_dossier_asked_for_by_plate_says_when_it_was_made(
    demo_run: tuple[App, DemoReport], tmp_path: Path
) -> None:
    app, _ = demo_run
    report = write_dossier(app, "rv 3624 7", tmp_path / "made.html")
    assert report.vehicle_id == "Y-504"
    html = report.page.read_text(encoding="utf-8")
    assert "Made on " in html
    assert "index.html" not in html, "it stands beside no other page"


def test_a_vehicle_of_the_fleet_has_a_dossier_without_a_verdict(
    demo_run: tuple[App, DemoReport], tmp_path: Path
) -> None:
    app, _ = demo_run
    page = write_dossier(app, "M-106", tmp_path / "fleet.html").page
    assert "Not in stock: no verdict." in page.read_text(encoding="utf-8")


def test_a_dossier_of_no_vehicle_or_to_no_page_is_refused(
    demo_run: tuple[App, DemoReport], tmp_path: Path
) -> None:
    app, _ = demo_run
    with pytest.raises(UnknownVehicleError):
        write_dossier(app, "Y-999", tmp_path / "none.html")
    with pytest.raises(UsageError, match=r"ends in \.html"):
        write_dossier(app, "Y-504", tmp_path / "dossier.pdf")
