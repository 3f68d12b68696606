"""A dossier: what the records show of one vehicle, each figure with the record it comes from."""

import json
from datetime import UTC, datetime

from afterclear.digest.dossier.build_dossier import cite, odd_readings, odometer_now
from afterclear.digest.dossier.dossier_model import RecordFile
from afterclear.digest.input.finding_rows import StockReason
from afterclear.digest.input.row_types import OdometerReading, Repair
from afterclear.digest.vehicle.vehicle_page import work_orders

FITTED = datetime(2026, 2, 16, 7, 49, tzinfo=UTC)
READ = datetime(2026, 5, 11, 8, 16, tzinfo=UTC)
LATER = datetime(2026, 8, 10, 7, 35, tzinfo=UTC)
READINGS = [
    OdometerReading("Y-1", FITTED, 123_289, 123_289, None, "repair", "DW-19"),
    OdometerReading("Y-1", READ, 3_060, 123_289, "lasting_drop", "scan", "DS-64"),
    OdometerReading("Y-1", LATER, 6_453, 126_682, None, "scan", "DS-83"),
]


def _replaced(reason: str) -> StockReason:
    facts = {"after_on": "2026-05-11T08:16:00", "replaced_on": "2026-02-16T07:49:00"}
    return StockReason("Y-1", 1, reason, "note", None, None, json.dumps(facts))


def _order() -> Repair:
    return Repair("DW-19", "Y-1", FITTED, 123_289, "Yard", None, None, "replace", None, None,
                  "instrument cluster", None, None, None, None, None)  # fmt: skip


def test_the_odometer_is_given_as_shown_and_as_joined() -> None:
    now = odometer_now(READINGS)
    assert now is not None
    assert (now.last.reading_km, now.last.line_km, now.joined) == (6_453, 126_682, True)
    plain = odometer_now(READINGS[:1])
    assert plain is not None
    assert not plain.joined
    assert odometer_now([]) is None


def test_a_join_names_the_order_that_explains_it_and_the_reading_before() -> None:
    orders = work_orders([_order()])
    (odd,) = odd_readings(READINGS, [_replaced("odometer_cluster_replaced")], orders)
    assert (odd.row.origin_id, odd.order_id) == ("DS-64", "DW-19")
    assert odd.before is READINGS[0]


def test_a_drop_that_no_order_explains_names_none() -> None:
    (odd,) = odd_readings(READINGS, [_replaced("odometer_dropped")], work_orders([_order()]))
    assert odd.order_id is None


def test_files_are_numbered_in_order_of_their_loads_and_cited_by_number() -> None:
    records = [
        RecordFile("Y-1", "scan", "S1", 15, "corrected.csv", "b" * 64),
        RecordFile("Y-1", "scan", "S1", 6, "scans.csv", "a" * 64),
        RecordFile("Y-1", "repair", "W1", 6, "scans.csv", "a" * 64),
    ]
    cited = cite(records)
    assert [(f.number, f.name) for f in cited.files] == [(1, "scans.csv"), (2, "corrected.csv")]
    assert (cited.of("scan", "S1"), cited.of("repair", "W1")) == ((1, 2), (1,))
    assert cited.of("clear", "no such") == ()
