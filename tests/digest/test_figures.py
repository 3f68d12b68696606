"""Each amount and count of a page that has a file beside it, counted again from that file's rows.

A reader who opens the file must find the page's figure in it: one page and its file that differ by
one order are not believed again.  The files are read as a spreadsheet would; nothing of the
digest's own counting is used.
"""

import re
from collections.abc import Callable
from datetime import datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from typing import Final

import polars as pl
import pytest

from afterclear.commands.app import App
from afterclear.commands.init_and_demo import DemoReport
from afterclear.commands.queries.exporting import export_frame
from afterclear.digest.common import file_names

Rows = list[list[str]]


class Sections(HTMLParser):
    """The tables and the text of each section of a page, by the id of its heading."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.rows: dict[str, Rows] = {"": []}
        self.text: dict[str, str] = {"": ""}
        self._now = ""
        self._in_cell = False
        self.feed(path.read_text(encoding="utf-8").replace("\u00a0", " "))
        self.text = {name: " ".join(text.split()) for name, text in self.text.items()}

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = dict(attrs)
        if tag == "section":
            self._now = told.get("aria-labelledby") or ""
            self.rows[self._now], self.text[self._now] = [], ""
        elif tag == "tr":
            self.rows[self._now].append([])
        elif tag in {"td", "th"}:
            self._in_cell = True
            self.rows[self._now][-1].append("")
        elif tag == "article":
            self.text[self._now] += " [article] "

    def handle_endtag(self, tag: str) -> None:
        if tag in {"td", "th"}:
            self._in_cell = False
        elif tag == "section":
            self._now = ""

    def handle_data(self, data: str) -> None:
        self.text[self._now] += data
        if self._in_cell:
            self.rows[self._now][-1][-1] += data

    def of(self, section: str) -> Rows:
        """Give a section's rows, heads left out (they have no digit in any cell)."""
        rows = [[" ".join(cell.split()) for cell in row] for row in self.rows[section]]
        return [row for row in rows if any(re.search(r"\d", cell) for cell in row)]


@pytest.fixture(scope="module")
def folder(demo_run: tuple[App, DemoReport]) -> Path:
    return demo_run[1].digest.index.parent


@pytest.fixture(scope="module")
def fleet(folder: Path) -> Sections:
    return Sections(folder / "fleet.html")


@pytest.fixture(scope="module")
def garage(folder: Path) -> Sections:
    return Sections(folder / "garage.html")


@pytest.fixture(scope="module")
def file(folder: Path) -> Callable[..., pl.DataFrame]:
    def read(table: str, where: str = "") -> pl.DataFrame:
        path = folder / file_names.rows_file(table, where)
        assert path.name in _linked(folder), f"no page links {path.name}"
        return pl.read_csv(path, infer_schema_length=None, try_parse_dates=True)

    return read


def _linked(folder: Path) -> set[str]:
    return {path.name for path in folder.glob("data/*.csv")}


def number(text: str) -> float:
    """Read the first number of a cell: ``4,249 CHF`` is 4249."""
    found = re.search(r"\d[\d,]*(\.\d+)?", text)
    assert found, text
    return float(found[0].replace(",", ""))


OUTCOMES: Final = ("held", "on_watch", "unchecked", "came_back")
Reader = Callable[..., pl.DataFrame]


def test_the_boxes_on_top_count_the_rows_of_their_lists(fleet: Sections, file: Reader) -> None:
    boxes = [int(n) for n in re.findall(r"(\d+) (?:to |came|on w|unch)", fleet.text[""])][:5]
    work = file("worklist", "audience = fleet")["kind"].to_list()
    back = file("attempts", "is_echo = false, outcome = came_back")
    since = AS_OF - timedelta(days=365)
    still = back.filter(pl.col("ended_at").is_null(), _back_at() >= since)
    assert boxes == [
        work.count("bring_in"),
        work.count("scan"),
        still.height,
        file("attempts", "is_echo = false, outcome = on_watch").height,
        file("attempts", "is_echo = false, outcome = unchecked").height,
    ]
    assert len(fleet.of("watched")) == boxes[3]
    assert len(fleet.of("unchecked")) == boxes[4]
    again = back.filter(_back_at() >= since).height
    assert len(fleet.of("failed")) == again
    assert f"{again} come-backs found" in fleet.text["failed"]
    assert f"{back.height - again} earlier ones" in fleet.text["failed"]


def _back_at() -> pl.Expr:
    return pl.coalesce("returned_at", "attempted_at")


AS_OF: Final = datetime(2026, 10, 27, 9, 39)  # noqa: DTZ001 - as the files give it


@pytest.mark.parametrize("page", ["fleet", "garage"])
def test_verdicts_at_a_glance_are_the_rows_of_their_file(
    page: str, file: Reader, request: pytest.FixtureRequest
) -> None:
    shown: Sections = request.getfixturevalue(page)
    section = next(s for s in shown.text if s in {"glance", "held"})
    fixes = file("attempts", "is_echo = false")
    kinds = ("repair", "clear_only")
    expected = [
        [fixes.filter(outcome=outcome, kind=kind).height for kind in kinds] for outcome in OUTCOMES
    ]
    rows = [[int(number(c)) for c in row[1:]] for row in shown.of(section)[-5:]]
    assert rows == [*expected, [sum(column) for column in zip(*expected, strict=True)]]


def test_lists_of_findings_have_the_rows_of_their_files(fleet: Sections, file: Reader) -> None:
    works = file("cures", "level = work")
    settled = (pl.col("n_fixes") - pl.col("n_open")).sum().over("fault")
    compared = works.filter(pl.len().over("fault") > 1, settled >= _SETTLED)
    assert f"fewer than {_SETTLED} fixes" in fleet.text["cures"]
    others = int(re.findall(r"several were tried \((\d+)\)", fleet.text["cures"])[0])
    apart = compared.filter(pl.col("told").is_in(["better", "worse"])).height
    assert apart + others == compared.height
    flagged = file("recurring", "flagged = true")
    assert len([r for r in fleet.of("recurring") if len(r) == _WITH_WORDS]) == flagged.height
    trends = file("worsening")
    tally = re.findall(r": (\d+)\.", fleet.text["worsening"])
    listed = len(fleet.of("worsening"))
    assert listed + sum(map(int, tally)) == trends.height


_SETTLED: Final = 5  # as the note beside the table says
_WITH_WORDS: Final = 5  # cells of a row that has a sentence; the picture above has others


@pytest.mark.parametrize("page", ["fleet", "garage"])
def test_what_come_backs_cost_is_the_sum_of_the_orders_its_note_names(
    page: str, file: Reader, request: pytest.FixtureRequest
) -> None:
    """As the note says: found again in these days, the old fault or unclear, each order once."""
    back = file("attempts", "is_echo = false, outcome = came_back, kind = repair")
    same = pl.col("p_same_fault").is_null() | (pl.col("p_same_fault") >= 0.5)
    orders = (
        back.filter(_back_at() >= AS_OF - timedelta(days=365), same)
        .unique(["vehicle_id", "repair_id"])
        .drop_nulls("cost")
    )
    shown: Sections = request.getfixturevalue(page)
    found = {row[0]: (number(row[1]), number(row[2])) for row in shown.of("cost")}
    assert found == {
        currency: (round(amount), n)
        for currency, amount, n in orders.group_by("currency")
        .agg(pl.col("cost").sum(), pl.len())
        .iter_rows()
    }


def _amounts(orders: pl.DataFrame) -> tuple[int, int, int | None]:
    back = orders.filter("came_back")
    spent = round(back["amount"].sum()) if back.height else None
    return round(orders["amount"].sum()), orders.height, spent


def _shown_amounts(row: list[str]) -> tuple[int, int, int | None]:
    back = None if row[2] == "none" else int(number(row[2]))
    return int(number(row[1])), int(number(row[3])), back


def test_what_work_cost_is_the_sum_of_the_orders_in_the_file(
    fleet: Sections, garage: Sections, file: Reader
) -> None:
    """Of the fleet, each site and each vehicle shown; of faults, the sums have their own file."""
    orders = file("cost_orders")
    seen = 0
    for row in fleet.of("spent") + garage.of("spent"):
        name, currency = row[0].split()[0], row[1].split()[-1]
        own = orders.filter(currency=currency)
        if name in orders["vehicle_id"]:
            own = own.filter(vehicle_id=name)
        elif name in orders["site"]:
            own = own.filter(site=name)
        elif row[0] != "All work orders":
            continue
        assert _shown_amounts(row) == _amounts(own), row
        seen += 1
    assert seen == 2 * 2 + 4 + 10, "the fleet on two pages, four sites, ten vehicles"


def test_what_faults_cost_is_in_the_file_of_the_sums(fleet: Sections, file: Reader) -> None:
    faults = file("costs").filter(kind="fault")
    labels = {"Not tied to a fault": None}
    shown = [row for row in fleet.of("spent") if not row[0].startswith(("All", *"MPTHY"))]
    assert shown
    for row in shown:
        found = faults.filter(currency=row[1].split()[-1])
        name = labels.get(row[0], row[0].lower())
        own = found.filter(
            pl.col("fault") == "not_tied"
            if name is None
            else pl.col("label").str.to_lowercase() == name
        )
        assert own.height == 1, row
        assert (round(own["amount"][0]), own["n_orders"][0]) == _shown_amounts(row)[:2], row


def test_a_refused_order_is_in_no_amount_and_the_pages_say_so(
    fleet: Sections, garage: Sections, file: Reader
) -> None:
    """The file of Quarrowsend has an order DW-269901 whose action nobody knows: 143 CHF."""
    assert "DW-269901" not in file("cost_orders")["repair_id"]
    for page in (fleet, garage):
        assert "1 row of a work order was refused and is in no amount here" in page.text["spent"]


GROUPS: Final = (("site", "sites"), ("brand", "brands"), ("grade", "grades"))


@pytest.mark.parametrize(("level", "table"), GROUPS)
def test_groups_compared_have_the_figures_of_their_file(
    level: str, table: str, garage: Sections, file: Reader
) -> None:
    expected = {
        row[level].lower(): (row["n_judged"], row["n_repairs"], row["observed"])
        for row in file(table).iter_rows(named=True)
    }
    shown = {
        row[0].lower(): (*(int(n) for n in row[1].split(" of ")), int(row[2]))
        for row in garage.of(f"level-{level}")
        if " of " in row[1]
    }
    assert shown == expected


LATELY: Final = re.compile(
    r"([\d,]+) come-backs? observed, ([\d.,]+) expected[^;]*? \(\d+ of \d+ repairs can be judged\)"
    r".*?since \d{4}-Q\d: ([\d,]+) observed, ([\d.,]+) expected; of the work before: "
    r"([\d,]+) observed, ([\d.,]+) expected"
)


def test_what_the_latest_work_shows_and_what_was_before_add_up_to_their_line(
    garage: Sections,
) -> None:
    """They counted all fixes, bare clears too, and came to 60 beside a line of 52."""
    told = LATELY.findall(garage.text["look"])
    assert len(told) == garage.text["look"].count("Of the work since") >= 1
    for line in told:
        seen, expected, late, late_expected, before, before_expected = map(number, line)
        assert seen == late + before
        assert expected == pytest.approx(late_expected + before_expected, abs=0.11)


@pytest.mark.parametrize(("level", "table"), [*GROUPS, ("technician", "technicians")])
def test_the_latest_come_backs_of_each_group_are_those_of_its_orders(
    level: str, table: str, demo_run: tuple[App, DemoReport]
) -> None:
    """Counted again from the repairs; expected, they are a part of what the group has."""
    groups, work = (export_frame(demo_run[0], name) for name in (table, "counted_work"))
    column = f"part_{level}" if level in {"brand", "grade"} else level
    if level == "technician":
        people = export_frame(demo_run[0], "attempts").select("attempt_id", "technician")
        work = work.join(people, on="attempt_id")
    work = work.with_columns(
        quarter=pl.format(
            "{}-Q{}", pl.col("attempted_at").dt.year(), pl.col("attempted_at").dt.quarter()
        )
    )
    assert groups.height > 1
    for group in groups.iter_rows(named=True):
        own = work.filter(pl.col(column) == group[level], pl.col("quarter") >= group["late_since"])
        assert own["came_back"].sum() == group["observed_late"], group[level]
        assert 0 <= group["expected_late"] <= group["expected"]


def test_quarters_have_the_figures_of_their_file(garage: Sections, file: Reader) -> None:
    """The whole fleet's: those without a site, as the note says."""
    quarters = file("held_by_quarter").filter(pl.col("site").is_null())
    columns = ("n_attempts", "n_held", "n_on_watch", "observed", "n_worn_or_new", "n_still_there")
    expected = {row["quarter"]: [row[c] for c in columns] for row in quarters.to_dicts()}
    rows = [row for row in garage.of("held") if re.match(r"\d{4}-Q", row[0])]
    assert {row[0]: [int(c) for c in row[1:7]] for row in rows} == expected


def test_ways_of_working_have_the_figures_of_their_files(garage: Sections, file: Reader) -> None:
    cases = [(r["site"], r["n"], r["n_of"]) for r in file("process").to_dicts()]
    costs = [(r["site"], round(r["cost"]), r["n_orders"]) for r in file("process_costs").to_dicts()]
    rows = garage.of("habits")
    shown = [(r[0], *(int(n) for n in r[1].split(" of "))) for r in rows if " of " in r[1]]
    assert sorted(shown) == sorted(cases)
    paid = [(r[0], int(number(r[1])), int(number(r[2]))) for r in rows if " of " not in r[1]]
    assert sorted(paid) == sorted(costs)


def test_parts_and_claims_have_the_figures_of_their_files(garage: Sections, file: Reader) -> None:
    parts = file("parts").filter(pl.col("grouping").is_null() | (pl.col("grouping") == "number"))
    expected = parts.filter(pl.col("n_failed") > 0).select("n_failed", "n_fitted").rows()
    rows = [r for r in garage.of("parts") if re.fullmatch(r"\d+ of \d+", r[1])]
    shown = [(int(a), int(b)) for a, b in (r[1].split(" of ") for r in rows)]
    assert sorted(shown) == sorted(expected)
    claims = file("claims").filter(pl.col("failed"), pl.col("part_number") == "CW4410")
    (text,) = [t for t in garage.text.values() if "Claim sheet" in t and "What these parts" in t]
    assert f"{claims.height} parts that failed" in text
    cost = round(claims["part_cost"].sum())
    assert f"What these parts cost: {cost} EUR" in text


def test_stock_has_the_verdicts_of_its_file(folder: Path, file: Reader) -> None:
    page = Sections(folder / "stock.html")
    verdicts = file("stock")["verdict"].to_list()
    n = {word: verdicts.count(word) for word in ("hold", "rescan", "ready")}
    assert f"{len(verdicts)} vehicles in stock:" in page.text[""]
    assert "{hold} to hold back, {rescan} to scan again, {ready} ready".format(**n) in page.text[""]
    assert {word: len(page.of(word)) for word in n} == n


def _parts(html: str) -> dict[str, str]:
    """Divide a page into its sections, by name: the parser takes a second for sixty pages."""
    found = re.findall(r'<section aria-labelledby="(\w+)">(.*?)</section>', html, re.DOTALL)
    return {name: text.replace("\u00a0", " ") for name, text in found}


def test_each_vehicles_page_has_as_many_lines_as_its_files(folder: Path, file: Reader) -> None:
    names = ("attempts", "episodes", "odometer", "cost_orders")
    tables = {name: file(name).partition_by("vehicle_id", as_dict=True) for name in names}
    n = 0
    for vehicle in file("attempts")["vehicle_id"].unique().sort():
        html = (folder / file_names.vehicle_page(vehicle)).read_text(encoding="utf-8")
        parts = _parts(html)
        own = {name: table[(vehicle,)] for name, table in tables.items() if (vehicle,) in table}
        fixes = own["attempts"]
        assert parts["fixes"].count("<article ") == fixes.height, vehicle
        counted = re.findall(r"</span> <b>(\d+)</b>", parts["fixes"].partition("<article ")[0])
        assert sum(map(int, counted)) == fixes.filter(is_echo=False).height, vehicle
        assert parts["codes"].count('<th scope="row">') == own["episodes"].height, vehicle
        # those in its own table, and those the history shows as they were read
        told = r"in a table \((\d+),|(\d+) readings? w\w+ used as"
        readings = re.findall(told, parts["odometer"])
        # one that shows engine hours has none
        read = own["odometer"].height if "odometer" in own else 0
        assert sum(int(n) for pair in readings for n in pair if n) == read, vehicle
        for amount, currency, n_orders in re.findall(
            r"digest: ([\d,]+) ([A-Z]{3}) on (\d+) work order", parts["history"]
        ):
            paid = own["cost_orders"].filter(currency=currency)
            assert (number(amount), int(n_orders)) == (round(paid["amount"].sum()), paid.height)
            n += 1
    assert n > _PAID


_PAID: Final = 30  # vehicles and currencies whose work cost something in the year
