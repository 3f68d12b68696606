"""The planted stories of the sample data are found, and their innocent look-alikes are not."""

import json
from typing import Any

import polars as pl
import pytest

from afterclear.commands.app import App
from afterclear.commands.init_and_demo import DemoReport
from afterclear.commands.queries.exporting import export_frame

CONTRACT = {  # columns others read
    "roles": ["scan_id", "vehicle_id", "ecu", "code", "role", "primary_ecu", "primary_code",
              "confidence", "why"],
    "stock": ["vehicle_id", "verdict", "reasons", "km_to_rescan", "last_full_scan_at"],
    "worklist": ["vehicle_id", "rank", "action", "because", "safety", "attempt_ids"],
}  # fmt: skip


@pytest.fixture(scope="module")
def demo(demo_run: tuple[App, DemoReport]) -> dict[str, pl.DataFrame]:
    """Every table of this part, exported from the analysed sample fleet."""
    names = (*CONTRACT, "leftovers", "echo_work", "related_returns", "attempts", "stock_reasons")
    return {name: export_frame(demo_run[0], name) for name in names}


def of(frame: pl.DataFrame, vehicle: str, **wanted: Any) -> list[dict[str, Any]]:
    keep = [pl.col("vehicle_id") == vehicle, *(pl.col(k) == v for k, v in wanted.items())]
    return frame.filter(*keep).to_dicts()


def stock(demo: dict[str, pl.DataFrame], vehicle: str) -> tuple[str, set[str]]:
    """Verdict and the names of its reasons, without subjects."""
    (row,) = of(demo["stock"], vehicle)
    return row["verdict"], {key.partition(":")[0] for key in json.loads(row["reasons"])}


@pytest.mark.parametrize("table", CONTRACT)
def test_exports_carry_the_contracts_columns_first(
    demo: dict[str, pl.DataFrame], table: str
) -> None:
    assert demo[table].columns[: len(CONTRACT[table])] == CONTRACT[table]


def test_m103_echoes_left_with_their_cause(demo: dict[str, pl.DataFrame]) -> None:
    roles = {
        r["ecu"]: r
        for r in of(demo["roles"], "M-103")
        if "0415" in r["code"] or r["code"] == "C003A-13"
    }
    assert roles["brakes"]["role"] == "primary"
    echoes = [r for ecu, r in roles.items() if ecu != "brakes"]
    assert {r["primary_code"] for r in echoes} == {"C003A-13"}
    assert len(echoes) == 2
    assert of(demo["leftovers"], "M-103") == []


def test_p202_the_clusters_echo_stands_alone_and_is_on_the_worklist(
    demo: dict[str, pl.DataFrame],
) -> None:
    (left,) = of(demo["leftovers"], "P-202")
    assert (left["code"], left["primary_code"], left["is_open"]) == ("U0415-86", "C0037-13", True)
    last = of(demo["roles"], "P-202")[-1]
    assert (last["code"], last["role"]) == ("U0415-86", "stands_alone")
    (line,) = of(demo["worklist"], "P-202", audience="fleet")
    assert "U0415-86" in line["action"]
    assert "is a separate fault" in line["because"]
    assert "C0037-13" in line["because"]


def test_leftovers_are_found_nowhere_else(demo: dict[str, pl.DataFrame]) -> None:
    assert demo["leftovers"]["vehicle_id"].to_list() == ["P-202"]


def test_p203_the_part_fitted_for_an_echo_is_shown_with_its_cost(
    demo: dict[str, pl.DataFrame],
) -> None:
    (work,) = of(demo["echo_work"], "P-203")
    assert (work["code"], work["primary_code"]) == ("U0415-86", "C0031-13")
    assert work["cost"] == pytest.approx(153.09)
    (attempt,) = demo["attempts"].filter(attempt_id=work["attempt_id"]).to_dicts()
    assert attempt["outcome"] == "came_back"


def test_p207_a_steering_code_is_back_with_its_echo(demo: dict[str, pl.DataFrame]) -> None:
    last = {r["code"]: r for r in of(demo["roles"], "P-207")[-2:]}
    assert last["C0051-54"]["role"] == "primary"
    assert last["U0428-86"]["primary_code"] == "C0051-54"
    (line,) = of(demo["worklist"], "P-207", audience="fleet")
    assert line["safety"]
    assert "steering" in line["cautions"].split()
    assert "came back" in line["because"]


def test_p209_came_back_under_another_code_of_the_family(demo: dict[str, pl.DataFrame]) -> None:
    (row,) = of(demo["related_returns"], "P-209", code="C0031-13")
    assert row["related_code"] == "C0031-2F"
    (line,) = of(demo["worklist"], "P-209", audience="fleet")
    assert "same component" in line["because"]
    assert row["attempt_id"] in line["attempt_ids"].split()


def test_h402_low_voltage_explains_the_others(demo: dict[str, pl.DataFrame]) -> None:
    many = [
        r for r in of(demo["roles"], "H-402") if r["seen_at"].date().isoformat() == "2026-01-20"
    ]
    assert len(many) == 7
    assert [r["role"] for r in many if r["code"] == "P0562"] == ["primary"]
    assert {r["primary_code"] for r in many if r["code"] != "P0562"} == {"P0562"}


def test_h403_high_voltage_is_first_on_the_worklist(demo: dict[str, pl.DataFrame]) -> None:
    first = demo["worklist"].filter(audience="fleet", rank=1).to_dicts()[0]
    assert first["vehicle_id"] == "H-403"
    assert first["safety"]
    assert first["cautions"].split()[0] == "high_voltage"
    assert json.loads(first["codes"])[0] == "P0AA6-1A"


def test_t304_a_speed_message_in_error_is_an_echo_of_the_wheel_sensor(
    demo: dict[str, pl.DataFrame],
) -> None:
    (echo,) = {
        (r["role"], r["primary_code"]) for r in of(demo["roles"], "T-304", code="SPN 84 FMI 19")
    }
    assert echo == ("consequential", "SPN 789 FMI 8")


@pytest.mark.parametrize(
    ("vehicle", "verdict", "found", "not_accused_of"),
    [
        # cleared days before it was bought
        ("Y-501", "hold",
         {"recent_clear_unrecorded", "monitors_incomplete", "permanent_code"}, set()),
        # look-alike: a new battery
        ("Y-502", "rescan", {"recent_clear_explained", "monitors_incomplete"},
         {"recent_clear_unrecorded", "permanent_code"}),
        # look-alike: a replaced instrument cluster; its last scan is old, too
        ("Y-503", "rescan", {"odometer_cluster_replaced"},
         {"odometer_dropped", "odometer_below_unit_record"}),
        # an odometer that went back
        ("Y-504", "hold", {"odometer_dropped", "odometer_below_unit_record"},
         {"odometer_cluster_replaced"}),
        # a control unit from another car
        ("Y-505", "hold", {"vin_differs"}, set()),
        ("Y-506", "ready", set(), {"scan_old"}),
        # look-alike: a fresh repair
        ("Y-507", "rescan", {"recent_clear_explained", "permanent_code_repaired"},
         {"recent_clear_unrecorded", "permanent_code", "open_fault"}),
        # look-alike: a partial scan
        ("Y-508", "rescan", {"scan_partial"}, {"unit_silent", "recent_clear_unrecorded"}),
        ("Y-509", "hold", {"open_safety_fault"}, set()),
    ],
)  # fmt: skip
def test_the_yards_stories(
    demo: dict[str, pl.DataFrame],
    vehicle: str,
    verdict: str,
    found: set[str],
    not_accused_of: set[str],
) -> None:
    told, names = stock(demo, vehicle)
    assert told == verdict
    assert found <= names
    assert names.isdisjoint(not_accused_of)


def test_a_ready_car_has_no_line_on_the_yards_list(demo: dict[str, pl.DataFrame]) -> None:
    assert of(demo["worklist"], "Y-506") == []


def test_y502_says_after_how_many_km_to_scan_again(demo: dict[str, pl.DataFrame]) -> None:
    (row,) = of(demo["stock"], "Y-502")
    assert 100 < row["km_to_rescan"] < 1000


def test_every_reason_can_be_read_aloud(demo: dict[str, pl.DataFrame]) -> None:
    """Sentences, with no brackets or marks of a program in them, and nobody accused."""
    told = [
        *demo["roles"]["why"], *demo["stock_reasons"]["because"], *demo["worklist"]["because"],
        *demo["worklist"]["action"], *demo["worklist"]["evidence"], *demo["leftovers"]["why"],
        *demo["echo_work"]["why"], *demo["related_returns"]["why"],
    ]  # fmt: skip
    assert len(told) > 400
    for text in told:
        assert text[0].isalnum()
        assert text.endswith("."), text
        assert not set("_{}[]<>|=\\") & set(text), text
        assert not any(word in text.lower() for word in ("fraud", "manipulat", "tamper", "cheat"))


def test_each_list_is_ranked_from_one_safety_first(demo: dict[str, pl.DataFrame]) -> None:
    for (audience,), lines in demo["worklist"].group_by("audience"):
        assert lines["rank"].to_list() == list(range(1, len(lines) + 1)), audience
        # of the fleet, first what to bring in, then what to scan, as pages print it
        parts = lines.partition_by("kind") if audience != "stock" else [lines]
        for part in parts:
            assert part["safety"].to_list() == sorted(part["safety"], reverse=True), audience


def test_losses_are_priced_by_the_fleets_own_orders(demo: dict[str, pl.DataFrame]) -> None:
    """A quieter line of the fleet's list: its cost is a median of real orders."""
    priced = demo["worklist"].filter(pl.col("loss_basis").str.contains("median of"))
    assert len(priced) > len(demo["worklist"]) // 2
