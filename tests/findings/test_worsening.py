"""New faults ever closer together: what is an event, and from when a trend is called."""

import math
from pathlib import Path

import pytest

from tests.findings.found import found, rows
from tests.histories.story import Story

pytestmark = pytest.mark.slow

CODES = [f"P0{n}" for n in (130, 171, 201, 335, 402, 442, 506, 562, 601, 700, 715, 740)]


def broken_down(vehicle: str, kms: list[float], end: float = 40_000) -> Story:
    """Tell of a new fault at each of these km, complained of and mended at once."""
    story = Story(vehicle).scan(0, 0, engine=[])
    for number, km in enumerate(kms):
        day = km / 50
        story.scan(day, km, visit_reason="complaint", engine=[CODES[number]])
        story.repair(day + 0.1, km, codes=CODES[number], action="repair")
        story.clear(day + 0.2, km)
    return story.scan(end / 50, end, engine=[])


CLOSER = [8000, 14_500, 20_000, 24_500, 28_000, 31_000, 33_500, 35_500, 37_200, 38_500, 39_300]
APART = [300, 700, 1200, 1900, 2800, 4000, 5600, 7800, 10_800, 15_000, 21_000]
EVEN = [3000 * n for n in range(1, 13)]


def test_faults_at_ever_shorter_distances_are_called_worsening(tmp_path: Path) -> None:
    stories = [broken_down("V1", CLOSER)]
    stories += [broken_down(f"V{n}", [float(km) + 17 * n for km in EVEN]) for n in range(2, 5)]
    with found(tmp_path, *stories) as con:
        told = {row["vehicle_id"]: row for row in rows(con, "worsening")}
    assert told["V1"]["trend"] == "worsening"
    assert told["V1"]["n_events"] == 11
    assert told["V1"]["q_value"] < 0.1
    assert told["V1"]["shape_low"] > 1
    assert {told[f"V{n}"]["trend"] for n in range(2, 5)} == {"none"}
    assert "at shorter and shorter distances" in told["V1"]["sentence"]


def test_faults_at_ever_longer_distances_are_called_improving(tmp_path: Path) -> None:
    stories = [broken_down("V1", APART)]
    stories += [broken_down(f"V{n}", [float(km) + 17 * n for km in EVEN]) for n in range(2, 5)]
    with found(tmp_path, *stories) as con:
        told = {row["vehicle_id"]: row["trend"] for row in rows(con, "worsening")}
    assert told["V1"] == "improving"


def test_a_complaint_that_ended_the_watching_is_no_late_event(tmp_path: Path) -> None:
    """Never read but for faults: chi-square with 2 (n - 1) degrees of freedom, not 2 n.

    8 faults at even distances: shape 8 / sum ln(8 / k); 5.6287 and 26.1189 are the 2.5 % and
    97.5 % points of chi-square with 14 degrees of freedom (from memory).
    """
    story = Story("V1").scan(0, 0, engine=[])
    for number in range(8):
        km = 3000 * (number + 1)
        story.scan(km / 50, km, visit_reason="complaint", engine=[CODES[number]])
        story.clear(km / 50 + 0.2, km)
    with found(tmp_path, story) as con:
        (row,) = rows(con, "worsening")
    shape = 8 / sum(math.log(8 / k) for k in range(1, 9))
    assert (row["n_events"], row["trend"]) == (8, "none")
    assert row["shape_own"] == pytest.approx(shape, rel=1e-9)
    assert row["shape_low"] == pytest.approx(shape * 5.6287 / 16, rel=1e-4)
    assert row["shape_high"] == pytest.approx(shape * 26.1189 / 16, rel=1e-4)


def test_seven_faults_are_too_few(tmp_path: Path) -> None:
    with found(tmp_path, broken_down("V1", CLOSER[-7:])) as con:
        (row,) = rows(con, "worsening")
    assert (row["trend"], row["p_value"], row["q_value"]) == ("too_few", None, None)
    assert "7 new faults" in row["sentence"]
    assert "too few" in row["sentence"]


def test_codes_found_in_one_visit_are_one_event(tmp_path: Path) -> None:
    story = Story().scan(0, 0, engine=[], brakes=[])
    story.scan(30, 3000, visit_reason="complaint", engine=["P0130"], brakes=["C0034-13"])
    story.scan(30.2, 3005, engine=["P0130", "P0171"], brakes=[]).scan(60, 9000, engine=[])
    with found(tmp_path, story) as con:
        (event,) = rows(con, "worsening_events")
    assert event["faults"] == "C0034-13 P0130 P0171"


def test_the_return_of_a_repaired_fault_is_no_new_one(tmp_path: Path) -> None:
    story = Story().scan(0, 0, engine=[]).scan(30, 3000, engine=["P0130"])
    story.repair(30.1, 3000, codes="P0130", action="replace").clear(30.2, 3000)
    story.scan(40, 3500, engine=["P0130"]).scan(60, 9000, engine=["P0130"])
    with found(tmp_path, story) as con:
        (event,) = rows(con, "worsening_events")
    # routine scans: the onset lay anywhere in (0, 3000]
    assert event["event_km"] == pytest.approx(1500)


def test_a_fault_found_at_the_first_look_has_no_place(tmp_path: Path) -> None:
    story = Story().scan(0, 5000, engine=["P0130"]).scan(30, 9000, engine=["P0130"])
    with found(tmp_path, story) as con:
        (row,) = rows(con, "worsening")
        assert row["n_events"] == 0
        assert row["exposure_km"] == 4000


def test_the_curve_counts_events_per_vehicle(tmp_path: Path) -> None:
    with found(tmp_path, broken_down("V1", [3000, 6000]), broken_down("V2", [4000])) as con:
        curve = rows(con, "fault_curves")
    assert [(p["km"], p["mean"]) for p in curve] == [(3000, 0.5), (4000, 1.0), (6000, 1.5)]
