"""Exports that leave something open, and vehicles whose earlier readings decide it, or do not."""

from collections.abc import Iterator

from tests.readers.messy.files import Messy, scans, sheet

_NOTES = "vehicle_id scanned_at odometer_km code"
# what the garage had read before: vehicle, day, km, code
_BEFORE = (
    ("V-01", "2026-01-10", 83100, "P0301"),
    ("V-01", "2026-03-20", 84400, ""),
    ("V-02", "2026-01-12", 51200, "P0420"),
    ("V-02", "2026-03-21", 52600, ""),
    ("V-03", "2026-01-14", 71000, "P0171"),
    ("V-03", "2026-03-22", 72300, "SPN 100 FMI 4"),
    ("V-04", "2026-01-15", 98000, "P0455"),
    ("V-04", "2026-03-23", 99100, "SPN 190 FMI 2"),
    ("V-05", "2026-01-16", 45000, "SPN 110 FMI 3"),
)


def all_files() -> Iterator[Messy]:
    """Units, orders of day and month, marks, codes; then what must be asked all the same."""
    yield from _decided()
    yield from _asked()


def _decided() -> Iterator[Messy]:
    read = ("V-01", 83700), ("V-02", 52000), ("V-03", 71600), ("V-04", 98500)
    in_km = [["Vehicle", "Date", "Mileage", "DTC"],
             *([v, "2026-02-14", str(km), "P0301"] for v, km in read)]  # fmt: skip
    yield Messy("known_km.csv", "en", "mileage without a unit; the vehicles' past says km",
                sheet(in_km, ","),
                scans(*((v, "2026-02-14T00:00", km, "P0301") for v, km in read), names=_NOTES),
                before=_BEFORE)  # fmt: skip
    miles = ("V-01", 52009), ("V-02", 32311), ("V-03", 44490)
    in_miles = [["Vehicle", "Date", "Mileage", "DTC"],
                *([v, "2026-02-14", str(mi), "P0301"] for v, mi in miles)]  # fmt: skip
    yield Messy("known_miles.csv", "en", "mileage without a unit; the vehicles' past says miles",
                sheet(in_miles, ","),
                scans(*((v, "2026-02-14T00:00", mi * 1.609344, "P0301") for v, mi in miles),
                      names=_NOTES),
                before=_BEFORE)  # fmt: skip
    days = [["Vehicle", "Date", "Odometer km", "DTC"],
            ["V-01", "03/04/2026", "89900", "P0301"], ["V-02", "03/04/2026", "58400", "P0420"],
            ["V-03", "04/04/2026", "77900", "none"], ["V-04", "04/05/2026", "104700", "none"]]  # fmt: skip
    yield Messy("known_days.csv", "en", "day or month first; too far for the days before",
                sheet(days, ","),
                scans(("V-01", "2026-04-03T00:00", 89900, "P0301"),
                      ("V-02", "2026-04-03T00:00", 58400, "P0420"),
                      ("V-03", "2026-04-04T00:00", 77900, None),
                      ("V-04", "2026-05-04T00:00", 104700, None), names=_NOTES),
                before=(("V-01", "2026-03-02", 83100, ""), ("V-02", "2026-03-02", 51200, ""),
                        ("V-03", "2026-03-30", 77200, ""), ("V-04", "2026-04-03", 98000, "")))  # fmt: skip
    bare = [["Vehicle", "Date", "Odometer km", "DTC"],
            ["V-01", "2026-02-14", "83700", "0301"], ["V-02", "2026-02-14", "52000", "0420"],
            ["V-03", "2026-02-15", "71600", "0171"], ["V-04", "2026-02-15", "98500", "0133"]]  # fmt: skip
    yield Messy("known_codes.csv", "en", "codes without their letter; the vehicles had them before",
                sheet(bare, ","),
                scans(("V-01", "2026-02-14T00:00", 83700, "P0301"),
                      ("V-02", "2026-02-14T00:00", 52000, "P0420"),
                      ("V-03", "2026-02-15T00:00", 71600, "P0171"),
                      ("V-04", "2026-02-15T00:00", 98500, "P0133"), names=_NOTES),
                before=_BEFORE)  # fmt: skip
    trucks = [["Truck", "Date", "Odometer km", "Fault code"],
              ["V-03", "2026-04-14", "73600", "100-4"], ["V-04", "2026-04-14", "99900", "190-2"],
              ["V-05", "2026-04-15", "46600", "110-3"]]  # fmt: skip
    yield Messy("known_j1939.csv", "en", "SPN and FMI with a dash; the vehicles had them before",
                sheet(trucks, ","),
                scans(("V-03", "2026-04-14T00:00", 73600, "SPN 100 FMI 4"),
                      ("V-04", "2026-04-14T00:00", 99900, "SPN 190 FMI 2"),
                      ("V-05", "2026-04-15T00:00", 46600, "SPN 110 FMI 3"), names=_NOTES),
                before=_BEFORE)  # fmt: skip
    hours = [["Vehicle", "Date", "Odometer km", "Engine hours", "DTC"],
             ["V-01", "2026-02-14", "83.700", "204,500", "P0301"],
             ["V-02", "2026-02-14", "52.000", "988,250", "P0420"],
             ["V-03", "2026-02-15", "71.600", "702,125", "none"]]  # fmt: skip
    yield Messy("known_marks.csv", "en", "dots and commas before three digits; the past says which",
                sheet(hours),
                scans(("V-01", "2026-02-14T00:00", 83700, "P0301", 204.5),
                      ("V-02", "2026-02-14T00:00", 52000, "P0420", 988.25),
                      ("V-03", "2026-02-15T00:00", 71600, None, 702.125),
                      names=f"{_NOTES} engine_hours"),
                before=_BEFORE)  # fmt: skip


def _asked() -> Iterator[Messy]:
    two = [["Vehicle", "Date", "Mileage", "DTC"],
           ["V-01", "2026-02-14", "83700", "P0301"], ["V-02", "2026-02-14", "52000", "P0420"]]  # fmt: skip
    yield Messy("known_of_two.csv", "en", "mileage without a unit; the past of two is not enough",
                sheet(two, ","),
                scans(("V-01", "2026-02-14T00:00", 83700, "P0301"),
                      ("V-02", "2026-02-14T00:00", 52000, "P0420"), names=_NOTES),
                answers={"odometer-unit": "km"}, before=_BEFORE)  # fmt: skip
    one_against = [["Vehicle", "Date", "Mileage", "DTC"],
                   ["V-01", "2026-02-14", "83700", "P0301"], ["V-02", "2026-02-14", "52000", ""],
                   ["V-03", "2026-02-14", "71600", "P0171"], ["V-04", "2026-02-14", "51205", ""]]  # fmt: skip
    yield Messy("known_but_one.csv", "en", "mileage without a unit; one vehicle's past contradicts",
                sheet(one_against, ","),
                scans(("V-01", "2026-02-14T00:00", 83700, "P0301"),
                      ("V-02", "2026-02-14T00:00", 52000, None),
                      ("V-03", "2026-02-14T00:00", 71600, "P0171"),
                      ("V-04", "2026-02-14T00:00", 51205, None), names=_NOTES),
                answers={"odometer-unit": "km", "no-code": "clean"}, before=_BEFORE)  # fmt: skip
