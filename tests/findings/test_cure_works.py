"""Which work of an order each of its fixes is told to be, where the order was for more than one."""

from collections.abc import Iterator

import pytest

from afterclear.store.engine.database import Connection
from tests.findings.found import found, rows
from tests.histories.story import Story

MISFIRE, OTHER_CYLINDER, LEAK, MIXTURE = "P0301", "P0303", "P0455", "P0171"
COIL = {"action": "replace", "part_family": "ignition coil"}
INJECTOR = {"action": "replace", "part_family": "injector"}
ODD = {"action": "replace", "part_family": "Lead; the 'old' 2\u2028\x0bone", "codes": MISFIRE}
SENSOR = {"action": "replace", "part_family": "air flow sensor"}


def order(name: str, codes: str, *lines: dict[str, str]) -> Story:
    """Tell of some codes, one order with its lines, and a clear."""
    story = Story(name).scan(0, 1000, engine=codes.split())
    for line in lines:
        story.repair(10, 1200, **({"repair_id": "R1"} | line))
    return story.clear(10.1, 1200).scan(30, 3000, engine=[])


def fleet() -> list[Story]:
    both = f"{MISFIRE} {LEAK}"
    cylinders = f"{MISFIRE} {OTHER_CYLINDER}"
    mixed = f"{MISFIRE} {MIXTURE}"
    looked = {"action": "inspect", "part_family": "wheel speed sensor", "codes": "C0035"}
    wiper = {"action": "replace", "part_family": "wiper blade", "codes": "C0035"}
    by_number = {"action": "replace", "part_number": "QX 771-2", "codes": LEAK}
    return [
        order("ONE-OF-TWO", both, COIL | {"codes": both}),
        order("EACH-ITS-CODE", mixed, INJECTOR | {"codes": MISFIRE}, SENSOR | {"codes": MIXTURE}),
        order("PLACE", cylinders, COIL | {"codes": cylinders, "position": "cylinder 1"}),
        order("LOOKED", "C0035", looked, wiper),
        order("NUMBER", LEAK, by_number),
        order("UNNAMED", MISFIRE, {"action": "replace", "codes": MISFIRE}),
        order("ODD", MISFIRE, ODD),
    ]


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Connection]:
    with found(tmp_path_factory.mktemp("works"), *fleet()) as con:
        yield con


@pytest.mark.parametrize(
    ("vehicle", "works"),
    [
        pytest.param(
            "ONE-OF-TWO",
            {MISFIRE: "replace:ignition_coil", LEAK: "not_told"},
            id="work for one of an order's faults is not the other's",
        ),
        pytest.param(
            "EACH-ITS-CODE",
            {MISFIRE: "replace:injector", MIXTURE: "replace:air_flow_sensor"},
            id="a line that names its code is for that code only",
        ),
        pytest.param(
            "PLACE",
            {MISFIRE: "replace:ignition_coil", OTHER_CYLINDER: "not_told"},
            id="a part of cylinder 1 is no work on cylinder 3",
        ),
        pytest.param(
            "LOOKED",
            {"C0035": "inspect:wheel_speed_sensor"},
            id="a part only looked at was not replaced because another one was",
        ),
    ],
)
def test_a_fix_has_the_work_that_was_for_its_fault(
    store: Connection, vehicle: str, works: dict[str, str]
) -> None:
    told = {
        row["code"]: row["work"]
        for row in rows(store, "cure_fixes")
        if row["vehicle_id"] == vehicle
    }
    assert told == works


def test_a_part_is_named_by_its_number_and_work_on_no_named_part_is_of_an_unnamed_one(
    store: Connection,
) -> None:
    names = {row["work"]: row["works_label"] for row in rows(store, "cures")}
    assert names["replace:part:qx7712"] == "QX7712"
    assert names["replace:part:not_named"] == "unnamed part"
    assert "replace:misfire" not in names


def test_a_name_in_an_order_may_hold_any_sign_and_stays_one_name(store: Connection) -> None:
    (odd,) = (row for row in rows(store, "cures") if "old" in row["works_label"])
    assert " " not in odd["work"]
    assert odd["works_label"].startswith("Lead, the 'old' 2")
