"""The stories about fixes are in the rows."""

from datetime import timedelta

from tests.scenario.reading import (
    clears,
    driven,
    instant,
    looks_after,
    of,
    with_code,
    work,
)

SAME_VISIT = timedelta(hours=12)
SENSOR_FROM = instant("2026-05-18T00:00:00Z")  # the first of its kind was in ordinary life


def test_the_held_fix_is_followed_by_clean_looks_only() -> None:
    fixed = work("M-101", "C0034-13")[0]
    later = looks_after("M-101", "brakes", fixed["at"])
    assert with_code("M-101", "C0034-13")[-1].at < fixed["at"]
    assert any(fixed["at"] < at < fixed["at"] + SAME_VISIT for at in clears("M-101"))
    assert len(later) > 5
    assert driven(fixed, later[-1]) > 15000
    assert all(row.answered and not row.code for row in later)


def test_the_come_back_is_seen_about_400_km_later() -> None:
    first, *_, last = work("P-201", "p0302")
    back = [row for row in with_code("P-201", "P0302") if row.at > first["at"]]
    assert 300 < driven(first, back[0]) < 500
    assert back[-1].at < last["at"]
    assert {row["part_family"] for row in work("P-201", "p0302")} == {"ignition coil", "spark plug"}


def test_the_bare_clears_never_hold_and_nothing_is_repaired() -> None:
    seen = with_code("T-301", "P0401")
    wiped = [at for at in clears("T-301") if at > seen[0].at]
    assert len(seen) == 5
    assert len(wiped) == 4
    assert not [cells for cells in work("T-301", "P0401") if cells["at"] > seen[0].at]
    assert seen[-1].at == of("T-301")[-1].at


def test_the_stayed_code_is_in_the_scan_after_the_clear() -> None:
    first, second = work("M-110", "P0672")
    after = next(row for row in with_code("M-110", "P0672") if row.at > first["at"])
    assert after.reason == "post_repair"
    assert any(first["at"] < at < after.at for at in clears("M-110"))
    assert driven(first, after) < 25
    assert not [row for row in with_code("M-110", "P0672", "engine")
                if row.at > second["at"] and row.status != "permanent"]  # fmt: skip


def test_the_echoes_leave_with_their_cause() -> None:
    fixed = work("M-103", "C003A-13")[0]
    echoes = with_code("M-103", "U0415-86")
    assert {row.ecu for row in echoes} >= {"steering", "instrument cluster"}
    for ecu in ("brakes", "steering", "instrument cluster"):
        later = looks_after("M-103", ecu, fixed["at"])
        assert later
        assert not [row for row in later if row.code]


def test_one_echo_stays_although_its_cause_is_gone() -> None:
    fixed = work("P-202", "c0037")[-1]
    left = [row for row in with_code("P-202", "U0415-86") if row.at > fixed["at"]]
    assert {row.ecu for row in left} == {"instrument cluster"}
    assert left[0].reason == "post_repair"
    assert len([at for at in clears("P-202") if at > fixed["at"]]) == 2
    assert left[-1].scan_id == of("P-202")[-1].scan_id
    assert all(not row.code for row in looks_after("P-202", "brakes", fixed["at"]))


def test_a_part_is_fitted_for_an_echo_before_its_cause_is_found() -> None:
    wrong = work("P-203", "u0415")[0]
    right = next(cells for cells in work("P-203", "c0031") if cells["at"] > wrong["at"])
    before = [row for row in of("P-203") if wrong["at"] - SAME_VISIT < row.at < wrong["at"]]
    assert wrong["part_family"] == "steering angle sensor"
    assert {row.ecu for row in before} == {"engine", "steering"}
    between = {row.code for row in of("P-203") if wrong["at"] < row.at < right["at"]}
    assert {"C0031-13", "U0415-86"} <= between
    assert not [row for row in of("P-203") if row.at > right["at"] and row.code]


def test_the_fresh_repair_has_few_km() -> None:
    fixed = work("M-106", "P0133")[-1]
    later = looks_after("M-106", "engine", fixed["at"])
    assert 200 < driven(fixed, later[-1]) < 800
    assert all(row.code != "P0133" or row.status == "permanent" for row in later)


def test_the_related_come_back_has_another_failure_type() -> None:
    fixed = work("P-209", "c0031")[-1]
    later = [row for row in looks_after("P-209", "brakes", fixed["at"]) if row.code]
    assert {row.code for row in later} == {"C0031-2F"}
    assert 1000 < driven(fixed, later[0]) < 3000


def test_the_same_part_is_fitted_twice_for_one_fault() -> None:
    fitted = [cells for cells in work("P-211", "p0717") if cells["part_number"]]
    mended = [cells for cells in work("P-211", "p0717") if cells["action"] == "repair"]
    assert len(fitted[-2:]) == 2
    assert len({cells["part_number"] for cells in fitted[-2:]}) == 1
    between = [row for row in with_code("P-211", "P0717") if row.at > fitted[-2]["at"]]
    assert len(between) == 2
    assert between[-1].at < mended[-1]["at"]


def test_the_come_back_is_seen_at_another_site() -> None:
    own, other = work("P-212", "P0299")[-2:]
    assert (own["site"], other["site"]) == ("Orrinby", "Velmarsh")
    back = next(row for row in with_code("P-212", "P0299") if row.at > own["at"])
    assert "velmarsh" in back.file
    assert driven(own, back) > 1000


def test_the_steering_code_is_back_and_open() -> None:
    fixed = work("P-207", "c0051")[-1]
    back = [row for row in with_code("P-207", "C0051-54") if row.at > fixed["at"]]
    assert fixed["action"] == "adjust"
    assert back[-1].scan_id == of("P-207")[-1].scan_id
    assert with_code("P-207", "U0428-86", "brakes")[-1].scan_id == back[-1].scan_id


def test_the_sensor_is_fitted_four_times_and_the_code_goes_by_itself() -> None:
    fitted = [cells for cells in work("M-111", "C0037-13") if cells["at"] > SENSOR_FROM]
    seen = with_code("M-111", "C0037-13")[-1]
    later = looks_after("M-111", "brakes", seen.at)
    assert len(fitted) == 4
    assert len({cells["part_number"] for cells in fitted}) == 1
    assert fitted[-1]["at"] < seen.at
    assert (seen.at.month, [row.at.month for row in later]) == (9, [10])
    assert not later[0].code
    assert not [at for at in clears("M-111") if at > fitted[-1]["at"] + SAME_VISIT]
