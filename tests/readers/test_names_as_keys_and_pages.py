"""Names that stand as keys of a tree, and reports that run over pages."""

import json
from pathlib import Path

import pytest

from afterclear.catalogue.control_units import ControlUnits
from afterclear.errors import RefusedFileError
from afterclear.readers.formats.nested import json_tree, nested_table
from afterclear.readers.formats.text_report import report_table
from afterclear.readers.maps.checked_map import MapTable
from afterclear.readers.maps.source_table import LINE
from afterclear.readers.suggest.evidence.names_as_keys import has_names_as_keys
from tests.readers.samples import IMPORTS


def rows(tree: object, path: str) -> list[dict[str, str | None]]:
    spec = MapTable(into="scans", rows=path, columns={})
    frame = nested_table(json_tree(json.dumps(tree), "x.json")[0], spec, "x.json").frame
    return list(frame.drop(LINE).iter_rows(named=True))


def test_a_step_through_names_gives_each_its_rows_and_the_empty_ones_too() -> None:
    tree = [
        {"v": "V-01", "units": {"Engine": [{"code": "P0301"}, {"code": "P0420"}], "ABS": []}},
        {"v": "V-02", "units": {}},
    ]
    found = [(r["v"], r["units.*"], r["units.*.code"]) for r in rows(tree, "units.*")]
    assert found == [("V-01", "Engine", "P0301"), ("V-01", "Engine", "P0420"),
                     ("V-01", "ABS", None), ("V-02", None, None)]  # fmt: skip


def test_bare_texts_below_a_name_stand_under_value() -> None:
    (row,) = rows([{"codes": {"P0301": "stored"}}], "codes.*")
    assert row == {"codes.*": "P0301", "codes.*.value": "stored"}


def test_something_else_in_the_place_of_names_is_not_lost_silently() -> None:
    with pytest.raises(RefusedFileError, match="at codes, where names should be keys"):
        rows([{"codes": {"P0301": {}}}, {"codes": ["P0420"]}], "codes.*")


@pytest.mark.parametrize(
    ("node", "is_named"),
    [
        ({"P0301": {"status": "stored"}, "P0420": {}}, True),
        ({"Engine": [{"code": "P0301"}], "ABS": []}, True),
        ({"Engine": {"rpm": "800"}, "ABS": {"on": "true"}}, False),
        ({"Engine": [], "ABS": []}, False),
        ({"P0301": "stored", "count": "1"}, False),
        ({}, False),
    ],
)
def test_keys_are_names_where_all_are_codes_or_units_with_codes(
    node: dict[str, object],
    is_named: bool,  # noqa: FBT001
) -> None:
    units = ControlUnits.load(Path(IMPORTS).parent)
    assert has_names_as_keys(node, units) is is_named  # type: ignore[arg-type]


_SPEC = MapTable(
    into="scans",
    columns={},
    page=(r"^Page (?P<page>\d+)",),
    begin=(r"^Vehicle: (?P<vehicle>.+)$",),
    section=(r"^Date: (?P<date>.+)$", r"^Km: (?P<km>.+)$"),
    row=(r"^(?P<code>P\w+)$",),
)


def told(*lines: str) -> list[tuple[str | None, ...]]:
    frame = report_table("\n".join(lines), _SPEC).frame
    return list(frame.select("vehicle", "date", "km", "code").iter_rows())


def test_a_further_page_that_tells_the_vehicle_again_forgets_nothing() -> None:
    first = ("Page 1", "Vehicle: V-1", "Date: today", "Km: 5", "P0301")
    again = ("Page 2", "Vehicle: V-1", "Date: today", "P0420")
    assert told(*first, *again) == [("V-1", "today", "5", "P0301"), ("V-1", "today", "5", "P0420")]


@pytest.mark.parametrize(
    "head",
    [("Page 1", "Vehicle: V-1"), ("Page 2", "Vehicle: V-2"), ("Vehicle: V-1",)],
)
def test_a_new_report_forgets_what_was_told_before(head: tuple[str, ...]) -> None:
    first = ("Page 1", "Vehicle: V-1", "Date: today", "Km: 5", "P0301")
    assert told(*first, *head, "P0420")[1][1:3] == (None, None)


def test_what_is_told_again_behind_a_row_is_new_also_on_a_further_page() -> None:
    lines = ("Page 2", "Vehicle: V-1", "Km: 5", "P0301", "Vehicle: V-1", "P0420")
    assert told(*lines)[1] == ("V-1", None, None, "P0420")
