"""How soon: which rule of the shipped table counts, and what is wrong in a table of one's own."""

from pathlib import Path

import pytest

from afterclear.config import shipped
from afterclear.errors import ConfigError
from afterclear.findings.work.urgency import (
    Asked,
    most_urgent,
    read_urgency_rules,
    urgency_of,
)
from afterclear.reasons import Urgency

RULES = read_urgency_rules(shipped("config") / "urgency.csv")
HEAD = "urgency,deeds,cautions,families,codes,due,source\n"
LAST = "next_visit,,,,,,own judgement\n"
ASKED = [
    (("find_and_repair", ("high_voltage",), "hv_isolation", "P0AA6-1A", 1000), "do_not_drive"),
    # a temperature sensor of the same battery warns of the work, not of the way to it
    (
        ("find_and_repair", ("high_voltage",), "hv_battery_temperature", "P0A9C", 9),
        "book_this_week",
    ),
    (("diagnose_anew", ("brakes",), "brake_fluid_level", "C0267", 1000), "do_not_drive"),
    # UN R13-H tells a red warning (braking is no longer ensured) from a yellow one (anti-lock)
    (("diagnose_anew", ("brakes",), "wheel_speed_sensor:front_left", "C0031", 9), "book_this_week"),
    # codes for low oil pressure need no caution; J1939-73 has FMI 1 as the most severe level
    (("find_and_repair", (), "oil_pressure_sensor", "SPN 100 FMI 1", 1000), "do_not_drive"),
    (("find_and_repair", (), "oil_pressure_sensor", "SPN 100 FMI 4", 1000), "next_visit"),
    (("find_and_repair", (), "misfire:cylinder_1", "P0301", 1000), "book_this_week"),
    # with a failure type it is the same code
    (("find_and_repair", (), "oil_pressure_sensor", "P0524-00", 1000), "do_not_drive"),
    (("find_and_repair", (), "egr_valve", "P0401", 1000), "next_visit"),
    # a fix on the brakes that nobody has checked: now, or when it has been driven far enough
    (("scan_unit", ("brakes",), "wheel_speed_sensor:front_left", "C0031", 0), "book_this_week"),
    (("scan_unit", ("brakes",), "wheel_speed_sensor:front_left", "C0031", 30), "next_visit"),
    # the code of another unit that follows from a fault there never keeps a vehicle standing
    (("scan_before_work", ("high_voltage",), "hv_isolation", "P0AA6", 0), "book_this_week"),
]


@pytest.mark.parametrize(("asked", "level"), ASKED, ids=[" ".join(map(str, a)) for a, _ in ASKED])
def test_the_first_rule_that_fits_counts(
    asked: tuple[str, tuple[str, ...], str, str, float], level: str
) -> None:
    assert urgency_of(Asked(*asked), RULES) == level


def test_a_line_is_as_urgent_as_its_first_matter() -> None:
    levels = [Urgency.NEXT_VISIT, Urgency.DO_NOT_DRIVE, Urgency.BOOK_THIS_WEEK]
    assert most_urgent(levels) == "do_not_drive"


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        (
            "soon,,,,,,own judgement\n" + LAST,
            "line 2: there is no urgency 'soon'; there are do_not",
        ),
        ("next_visit,mend,,,,,own judgement\n" + LAST, "never asks for 'mend'"),
        ("next_visit,,,,,later,own judgement\n" + LAST, "now"),
        ("next_visit,,,,,,\n", "line 2: name the source"),
        ("next_visit,,brakes,,,,own judgement\n", "the last row must fit anything"),
        ("", "the last row must fit anything"),
    ],
)
def test_a_wrong_rule_is_told_with_its_line(tmp_path: Path, rows: str, said: str) -> None:
    (tmp_path / "urgency.csv").write_text(HEAD + rows, "utf-8")
    with pytest.raises(ConfigError, match=said):
        read_urgency_rules(tmp_path / "urgency.csv")
