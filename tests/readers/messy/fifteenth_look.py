"""Tables that mix kinds of rows: a column says which is a reading, a clearing, a repair."""

import json
from collections.abc import Iterator

from tests.readers.messy.files import Messy, clears, repairs, scans, sheet, text
from tests.readers.workbooks import xlsx

_READ = "vehicle_id scanned_at odometer_km ecu code"
_PART = "vehicle_id repaired_at odometer_km notes part_number"


def all_files() -> Iterator[Messy]:
    """List them."""
    german = [
        [
            "Fahrzeug",
            "Datum",
            "km-Stand",
            "Art",
            "Steuergerät",
            "Fehlercode",
            "Arbeit",
            "Teilenummer",
        ],
        ["V-01", "13.02.2026", "124001", "Auslesung", "Motor", "P0301", "", ""],
        ["V-01", "13.02.2026", "124001", "Reparatur", "", "", "Zündspule Zyl. 1 ersetzt", "ZS-118"],
        ["V-01", "13.02.2026", "124002", "Löschung", "", "", "", ""],
        ["V-02", "14.02.2026", "98020", "Auslesung", "ABS", "C0035", "", ""],
        [
            "V-02",
            "16.02.2026",
            "98031",
            "Reparatur",
            "",
            "",
            "Raddrehzahlsensor vl ersetzt",
            "RS-20",
        ],
        ["V-02", "16.02.2026", "98033", "Auslesung", "ABS", "C0035", "", ""],
    ]
    read = scans(("V-01", "2026-02-13T00:00", 124001, "Motor", "P0301"),
                 ("V-02", "2026-02-14T00:00", 98020, "ABS", "C0035"),
                 ("V-02", "2026-02-16T00:00", 98033, "ABS", "C0035"), names=_READ)  # fmt: skip
    done = repairs(("V-01", "2026-02-13T00:00", 124001, "Zündspule Zyl. 1 ersetzt", "ZS-118"),
                   ("V-02", "2026-02-16T00:00", 98031, "Raddrehzahlsensor vl ersetzt", "RS-20"),
                   names=_PART)  # fmt: skip
    yield Messy("vorgaenge.csv", "de", "readings, clearings and repairs in one table, told by a column",
        sheet(german), (*read, *done, *clears(("V-01", "2026-02-13T00:00", 124002))))  # fmt: skip
    probe = ["V-02", "17.02.2026", "98040", "Probefahrt", "", "", "", ""]
    yield Messy("vorgaenge_probefahrt.csv", "de", "a kind of rows that nobody knows",
        sheet([*german, probe]), (*read, *done, *clears(("V-01", "2026-02-13T00:00", 124002))),
        answers={"kinds": "leave"})  # fmt: skip
    both = ["V-02", "17.02.2026", "98040", "Löschung", "ABS", "C0035", "", ""]
    yield Messy("vorgaenge_code_geloescht.csv", "de", "a clearing that has a code",
        sheet([*german, both]), (*read, *done, *clears(("V-01", "2026-02-13T00:00", 124002))),
        answers={"kinds:clears": "leave"})  # fmt: skip
    fitted = ["V-02", "17.02.2026", "98040", "Auslesung", "ABS", "C0035", "", "RS-20"]
    yield Messy("vorgaenge_teil_gelesen.csv", "de", "a reading that has a part",
        sheet([*german, fitted]), (*read, *done, *clears(("V-01", "2026-02-13T00:00", 124002))),
        answers={"kinds:scans": "leave"})  # fmt: skip
    yield Messy("operations.xlsx", "fr", "a worksheet of readings, clearings and repairs",
        xlsx({"Opérations": [["Véhicule", "Date", "Kilométrage", "Opération", "Calculateur", "Code défaut", "Travaux effectués", "Référence pièce"],
                   ["V-01", "13/02/2026", "124001", "Lecture", "Moteur", "P0301", "", ""],
                   ["V-01", "13/02/2026", "124003", "Effacement", "", "", "", ""],
                   ["V-03", "16/02/2026", "71200", "Réparation", "", "", "Bobine remplacée", "BA-7"],
                   ["V-03", "17/02/2026", "71230", "Lecture", "Moteur", "P0171", "", ""]]}),
        (*scans(("V-01", "2026-02-13T00:00", 124001, "Moteur", "P0301"),
                ("V-03", "2026-02-17T00:00", 71230, "Moteur", "P0171"), names=_READ),
         *clears(("V-01", "2026-02-13T00:00", 124003)),
         *repairs(("V-03", "2026-02-16T00:00", 71200, "Bobine remplacée", "BA-7"), names=_PART)))  # fmt: skip
    told = [
        {"vehiculo": "V-01", "fecha": "2026-02-13 10:05", "km": 124001, "tipo": "lectura", "centralita": "Motor", "codigo": "P0301"},
        {"vehiculo": "V-01", "fecha": "2026-02-13 11:30", "km": 124001, "tipo": "reparación", "trabajo": "Cambio de bobina", "referencia": "BO-12"},
        {"vehiculo": "V-01", "fecha": "2026-02-13 11:45", "km": 124002, "tipo": "borrado"},
        {"vehiculo": "V-02", "fecha": "2026-02-14 08:20", "km": 98020, "tipo": "lectura", "centralita": "ABS", "codigo": "C0035"},
    ]  # fmt: skip
    yield Messy("eventos.jsonl", "es", "lines of JSON with a type each",
        text([json.dumps(each, ensure_ascii=False) for each in told]),
        (*scans(("V-01", "2026-02-13T10:05", 124001, "Motor", "P0301"),
                ("V-02", "2026-02-14T08:20", 98020, "ABS", "C0035"), names=_READ),
         *repairs(("V-01", "2026-02-13T11:30", 124001, "Cambio de bobina")),
         *clears(("V-01", "2026-02-13T11:45", 124002))))  # fmt: skip
    yield Messy("zdarzenia.csv", "pl", "readings, clearings and repairs, with hours",
        sheet([["Pojazd", "Data", "Przebieg", "Rodzaj", "Sterownik", "Kod błędu", "Opis naprawy", "Numer części"],
               ["V-05", "2026-02-13 08:10", "71200", "odczyt", "Silnik", "P0171", "", ""],
               ["V-05", "2026-02-13 09:40", "71200", "naprawa", "", "", "Wymiana przepływomierza", "PM-3"],
               ["V-05", "2026-02-13 09:55", "71201", "kasowanie", "", "", "", ""],
               ["V-05", "2026-02-20 08:00", "71560", "odczyt", "Silnik", "P0171", "", ""]]),
        (*scans(("V-05", "2026-02-13T08:10", 71200, "Silnik", "P0171"),
                ("V-05", "2026-02-20T08:00", 71560, "Silnik", "P0171"), names=_READ),
         *repairs(("V-05", "2026-02-13T09:40", 71200, "Wymiana przepływomierza", "PM-3"), names=_PART),
         *clears(("V-05", "2026-02-13T09:55", 71201))))  # fmt: skip
    yield Messy("events.csv", "en", "scans and jobs in one table, told by a column",
        sheet([["Vehicle", "Date", "Odometer km", "Type", "Module", "Code", "Work done", "Part number"],
               ["V-06", "2026-02-13", "124001", "Scan", "Engine", "P0301", "", ""],
               ["V-06", "2026-02-14", "124010", "Repair", "", "", "Ignition coil replaced", "IC-4"],
               ["V-06", "2026-02-21", "124400", "Scan", "Engine", "P0171", "", ""]]),
        (*scans(("V-06", "2026-02-13T00:00", 124001, "Engine", "P0301"),
                ("V-06", "2026-02-21T00:00", 124400, "Engine", "P0171"), names=_READ),
         *repairs(("V-06", "2026-02-14T00:00", 124010, "Ignition coil replaced", "IC-4"), names=_PART)))  # fmt: skip
