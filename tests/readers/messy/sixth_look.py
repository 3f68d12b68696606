"""Exports of shapes nobody had thought of: what they mean was written before they were read."""

import json
from collections.abc import Iterator

from tests.readers.messy.files import VIN, Messy, clears, repairs, scans, sheet, text

_WITH_NOTES = "vehicle_id scanned_at odometer_km ecu code"


def all_files() -> Iterator[Messy]:
    """Tables, then trees."""
    yield from _distances()
    yield from _codes()
    yield from _kinds()
    yield from _times()
    yield from _trees()


def _distances() -> Iterator[Messy]:
    yield Messy("sep_line.csv", "en", "the mark named in the first line, a mark behind each row",
                text(["sep=;", "Vehicle;Date;Odometer km;Module;DTC;",
                      "V-01;2026-03-14;83120;Engine;P0301;", "V-02;2026-03-15;51650;Brakes;none;",
                      "\x1a"]),
                scans(("V-01", "2026-03-14T00:00", 83120, "Engine", "P0301"),
                      ("V-02", "2026-03-15T00:00", 51650, "Brakes", None)))  # fmt: skip
    typists = [
        ["Vehículo", "Fecha", "Kilómetros", "Centralita", "Avería"],
        ["V-01", "14/03/2026", "98.000", "Motor", "P0420"],
        ["V-02", "15/03/2026", "51 310", "Motor", "P0301"],
        ["V-03", "16/03/2026", "90,450", "Motor", "sin averías"],
    ]
    yield Messy("tres_manos.csv", "es", "three ways to part thousands in one column",
                sheet(typists),
                scans(("V-01", "2026-03-14T00:00", 98000, "Motor", "P0420"),
                      ("V-02", "2026-03-15T00:00", 51310, "Motor", "P0301"),
                      ("V-03", "2026-03-16T00:00", 90450, "Motor", None)))  # fmt: skip
    unknown = [
        ["Fahrzeug", "Datum", "km-Stand", "Steuergerät", "Fehlercode"],
        ["V-01", "13.02.2026", "124001", "Motor", "P0301"],
        ["V-02", "14.02.2026", "999999", "Motor", "P0420"],
        ["V-03", "15.02.2026", "0", "Bremse", "C0035"],
        ["V-04", "16.02.2026", "98000", "Bremse", "kein Fehler"],
    ]
    yield Messy("platzhalter.csv", "de", "0 and 999999 where nobody read the distance",
                sheet(unknown),
                scans(("V-01", "2026-02-13T00:00", 124001, "Motor", "P0301"),
                      ("V-02", "2026-02-14T00:00", None, "Motor", "P0420"),
                      ("V-03", "2026-02-15T00:00", None, "Bremse", "C0035"),
                      ("V-04", "2026-02-16T00:00", 98000, "Bremse", None)))  # fmt: skip
    about = [
        ["Auftrag", "Fahrzeug", "Datum", "Tachostand", "Arbeit"],
        ["A-1", "V-01", "13.02.2026", "ca. 124.000 km", "Zündspule ersetzt"],
        ["A-2", "V-02", "14.02.2026", "98.020 km", "Radsensor ersetzt"],
        ["A-3", "V-03", "15.02.2026", "~71.200", "Bremsbeläge vorn ersetzt"],
    ]
    yield Messy("circa.csv", "de", "distances said to be about so much", sheet(about),
                repairs(("V-01", "2026-02-13T00:00", 124000, "Zündspule ersetzt", "A-1"),
                        ("V-02", "2026-02-14T00:00", 98020, "Radsensor ersetzt", "A-2"),
                        ("V-03", "2026-02-15T00:00", 71200, "Bremsbeläge vorn ersetzt", "A-3"),
                        names="vehicle_id repaired_at odometer_km notes repair_id"),
                answers={"about": "take"})  # fmt: skip
    weeks = [
        ["Véhicule", "12/01/2026", "19/01/2026", "26/01/2026"],
        ["V-01", "70 050", "70 410", "70 990"],
        ["V-03", "90 100", "90 100", "90 755"],
    ]
    yield Messy("semaines.csv", "fr", "a column of distances for each week", sheet(weeks),
                scans(("V-01", "2026-01-12T00:00", 70050), ("V-01", "2026-01-19T00:00", 70410),
                      ("V-01", "2026-01-26T00:00", 70990), ("V-03", "2026-01-12T00:00", 90100),
                      ("V-03", "2026-01-19T00:00", 90100), ("V-03", "2026-01-26T00:00", 90755),
                      names="vehicle_id scanned_at odometer_km"))  # fmt: skip


def _codes() -> Iterator[Messy]:
    spans = [
        ["Véhicule", "Date", "Km", "Calculateur", "Défauts"],
        ["V-01", "13/02/2026", "70 050", "Moteur", "P0301 à P0304"],
        ["V-03", "16/02/2026", "90 100", "Moteur", "P0420"],
        ["V-02", "17/02/2026", "52 000", "Moteur", "P0301-P0303"],
    ]
    yield Messy("intervalles.csv", "fr", "codes from one to another", sheet(spans),
                scans(*(("V-01", "2026-02-13T00:00", 70050, "Moteur", f"P030{n}")
                        for n in range(1, 5)),
                      ("V-03", "2026-02-16T00:00", 90100, "Moteur", "P0420"),
                      *(("V-02", "2026-02-17T00:00", 52000, "Moteur", f"P030{n}")
                        for n in range(1, 4)), names=_WITH_NOTES),
                answers={"code-range": "all"})  # fmt: skip
    denied = [
        ["Vehicle", "Date", "Odometer km", "Module", "DTC"],
        ["V-01", "2026-03-14", "83120", "Engine", "P0301"],
        ["V-02", "2026-03-15", "51650", "Engine", "no P0420"],
        ["V-03", "2026-03-16", "71200", "Brakes", "C0035 not found"],
        ["V-04", "2026-03-17", "98000", "Brakes", "C0040"],
    ]
    yield Messy("not_found.csv", "en", "codes that were looked for and not found",
                sheet(denied, ","),
                scans(("V-01", "2026-03-14T00:00", 83120, "Engine", "P0301"),
                      ("V-02", "2026-03-15T00:00", 51650, "Engine", None),
                      ("V-03", "2026-03-16T00:00", 71200, "Brakes", None),
                      ("V-04", "2026-03-17T00:00", 98000, "Brakes", "C0040"),
                      names=_WITH_NOTES),
                answers={"denied": "clean"})  # fmt: skip
    wiped = [
        ["Stock no", "VIN", "Date", "Mileage (mi)", "Module", "DTC", "Cleared"],
        ["V-01", VIN(1), "14/03/2026", "51,650", "Engine", "P0301", "Yes"],
        ["V-02", VIN(2), "15/03/2026", "48,020", "Engine", "P0420", "No"],
        ["V-03", VIN(3), "16/03/2026", "12,400", "Brakes", "none", ""],
    ]
    yield Messy("cleared_flag.csv", "en", "a column says which codes were cleared after reading",
                sheet(wiped),
                (*scans(("V-01", "2026-03-14T00:00", 83122.6, "Engine", "P0301"),
                        ("V-02", "2026-03-15T00:00", 77280.7, "Engine", "P0420"),
                        ("V-03", "2026-03-16T00:00", 19955.9, "Brakes", None), names=_WITH_NOTES),
                 *clears(("V-01", "2026-03-14T00:00", 83122.6))),
                answers={"rows": "both"})  # fmt: skip
    texts = [
        ["Pojazd", "Data", "Przebieg", "Sterownik", "Usterki"],
        [
            "V-05",
            "13.02.2026",
            "91 200",
            "Silnik",
            "P0301 - wypadanie zapłonu\nP0420 - sprawność katalizatora",
        ],
        ["V-02", "14.02.2026", "51 900", "Hamulce", "C0035 - czujnik koła"],
        ["V-04", "15.02.2026", "98 000", "Silnik", "brak usterek"],
    ]
    yield Messy("opisy.csv", "pl", "codes with their texts, a line each within the cell",
                sheet(texts, encoding="cp1250"),
                scans(("V-05", "2026-02-13T00:00", 91200, "Silnik", "P0301"),
                      ("V-05", "2026-02-13T00:00", 91200, "Silnik", "P0420"),
                      ("V-02", "2026-02-14T00:00", 51900, "Hamulce", "C0035"),
                      ("V-04", "2026-02-15T00:00", 98000, "Silnik", None),
                      names=_WITH_NOTES))  # fmt: skip
    headed = [
        ["Fahrzeug", "Datum", "km-Stand", "P0301", "P0420", "C0035"],
        ["V-01", "13.02.2026", "124.001", "x", "", ""],
        ["V-02", "14.02.2026", "98.020", "", "x", "x"],
    ]
    yield Messy("codes_oben.csv", "de", "codes as headings, a mark below each that was stored",
                sheet(headed),
                scans(("V-01", "2026-02-13T00:00", 124001, "P0301"),
                      ("V-02", "2026-02-14T00:00", 98020, "P0420"),
                      ("V-02", "2026-02-14T00:00", 98020, "C0035"),
                      names="vehicle_id scanned_at odometer_km code"))  # fmt: skip


def _kinds() -> Iterator[Messy]:
    units = [
        ["Vehicle no", "Date", "Odometer km", "Order no", "Control unit", "Unit part number",
         "Fault code", "Status"],
        ["V-01", "2026-03-14", "83120", "J-501", "Engine", "KX-4410", "P0301", "confirmed"],
        ["V-01", "2026-03-14", "83120", "J-501", "Brakes", "KX-7731", "C0035", "pending"],
        ["V-02", "2026-03-15", "51650", "J-502", "Engine", "KX-4412", "P0420", "confirmed"],
    ]  # fmt: skip
    yield Messy("unit_parts.csv", "en", "part numbers of control units, and for which order one read",
                sheet(units, ","),
                scans(("V-01", "2026-03-14T00:00", 83120, "Engine", "P0301", "confirmed"),
                      ("V-01", "2026-03-14T00:00", 83120, "Brakes", "C0035", "pending"),
                      ("V-02", "2026-03-15T00:00", 51650, "Engine", "P0420", "confirmed")),
                answers={"table": "scans"})  # fmt: skip
    coils = [
        ["Order", "Vehicle", "Date", "Odometer km", "DTC", "Work done", "Labour GBP"],
        ["J-501", "V-01", "2026-03-14", "83120", "P0301", "Ignition coil renewed", "61.50"],
        ["J-501", "V-01", "2026-03-14", "83120", "P0302", "Ignition coil renewed", "61.50"],
        ["J-502", "V-02", "2026-03-16", "51650", "C0035", "Wheel speed sensor renewed", "84.00"],
    ]
    names = "vehicle_id repaired_at notes repair_id codes labour_cost"
    sensor = ("V-02", "2026-03-16T00:00", "Wheel speed sensor renewed", "J-502", "C0035", 84.0)
    coil = ("V-01", "2026-03-14T00:00", "Ignition coil renewed", "J-501")
    yield Messy("two_coils.csv", "en", "two coils, or one line told for two codes: a coil each",
                sheet(coils, ","),
                repairs((*coil, "P0301", 61.5, "cylinder 1"), (*coil, "P0302", 61.5, "cylinder 2"),
                        sensor, names=f"{names} position"),
                answers={"places": "each"})  # fmt: skip
    yield Messy("two_codes.csv", "en", "two coils, or one line told for two codes: one line",
                sheet(coils, ","),
                repairs((*coil, "P0301 P0302", 61.5), sensor, names=names),
                answers={"places": "one"})  # fmt: skip


def _times() -> Iterator[Messy]:
    shift = [
        "Zmiana: 13.02.2026", "",
        "Godzina;Pojazd;Przebieg;Sterownik;Kod",
        "06:15;V-05;91 200;Silnik;P0301", "07:40;V-04;98 000;Hamulce;brak",
    ]  # fmt: skip
    yield Messy("zmiana.csv", "pl", "the day above, a time of day in each row", text(shift),
                scans(("V-05", "2026-02-13T06:15", 91200, "Silnik", "P0301"),
                      ("V-04", "2026-02-13T07:40", 98000, "Hamulce", None)))  # fmt: skip
    span = [
        ["Zlecenie", "Pojazd", "Data", "Przebieg", "Czynność"],
        ["Z/1", "V-05", "12-14.02.2026", "91 200", "Wymiana świec żarowych"],
        ["Z/2", "V-04", "13.02.2026", "98 000", "Wymiana łożyska koła"],
    ]
    yield Messy("od_do.csv", "pl", "an order that took three days", sheet(span),
                repairs(("V-05", "2026-02-14T00:00", 91200, "Wymiana świec żarowych", "Z/1"),
                        ("V-04", "2026-02-13T00:00", 98000, "Wymiana łożyska koła", "Z/2"),
                        names="vehicle_id repaired_at odometer_km notes repair_id"))  # fmt: skip
    iso = [
        ["Unit", "Week day", "Odo km", "ECU", "Fault"],
        ["V-01", "2026-W11-6", "83120", "Engine", "P0301"],
        ["V-02", "2026-W11-7", "51650", "Engine", "none"],
    ]
    yield Messy("weeks.csv", "en", "days as week and weekday of ISO 8601", sheet(iso, ","),
                scans(("V-01", "2026-03-14T00:00", 83120, "Engine", "P0301"),
                      ("V-02", "2026-03-15T00:00", 51650, "Engine", None)))  # fmt: skip


def _trees() -> Iterator[Messy]:
    by_code = [
        {"vehicle": "V-01", "time": "2026-03-14T09:00:00Z", "odometer_km": 83120,
         "modules": [{"name": "Engine", "dtc": {"P0301": {"status": "confirmed"},
                                                "P0420": {"status": "pending"}}},
                     {"name": "Brakes", "dtc": {}}]},
        {"vehicle": "V-02", "time": "2026-03-15T09:00:00Z", "odometer_km": 51650,
         "modules": [{"name": "Engine", "dtc": {"P0301": {"status": "stored"}}}]},
    ]  # fmt: skip
    yield Messy("codes_as_keys.json", "en", "codes as keys, a unit without any",
                json.dumps(by_code).encode(),
                scans(("V-01", "2026-03-14T09:00", 83120, "Engine", "P0301", "confirmed"),
                      ("V-01", "2026-03-14T09:00", 83120, "Engine", "P0420", "pending"),
                      ("V-01", "2026-03-14T09:00", 83120, "Brakes", None),
                      ("V-02", "2026-03-15T09:00", 51650, "Engine", "P0301", "stored")))  # fmt: skip
