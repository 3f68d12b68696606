"""Shapes that nets without a rule for them catch, and some that one more stranger taught."""

import json
from collections.abc import Iterator

from tests.readers.messy.files import Messy, clears, repairs, scans, sheet, text


def all_files() -> Iterator[Messy]:
    """List them."""
    yield Messy("silent_in_words.csv", "en", "a unit's silence told in words beside clean ones",
        sheet([["Vehicle", "Date", "Odometer km", "Module", "Code", "Description", "State"],
               ["V-01", "2026-02-13", "124001", "Engine", "P0301", "Misfire cylinder 1", "Active"],
               ["V-01", "2026-02-13", "124001", "ABS", "", "No faults", ""],
               ["V-02", "2026-02-14", "98020", "Gearbox", "P0700", "Gearbox control", "Active"],
               ["V-02", "2026-02-14", "98020", "Airbag", "", "Unit did not respond at all", ""]]),
        scans(("V-01", "2026-02-13T00:00", 124001, "Engine", "P0301", "answered"),
              ("V-01", "2026-02-13T00:00", 124001, "ABS", None, "answered"),
              ("V-02", "2026-02-14T00:00", 98020, "Gearbox", "P0700", "answered"),
              ("V-02", "2026-02-14T00:00", 98020, "Airbag", None, "no_answer"),
              names="vehicle_id scanned_at odometer_km ecu code ecu_response"))  # fmt: skip
    yield Messy("geloescht_komplett.csv", "de", "clears of a unit, and of the whole vehicle under the unit",
        sheet([["Fahrzeug", "Datum gelöscht", "km", "Steuergerät", "Grund"],
               ["V-01", "13.02.2026", "124001", "Motor", "nach Probefahrt"],
               ["V-02", "14.02.2026", "98020", "Komplettes Fahrzeug", "Batterie ab"],
               ["V-03", "16.02.2026", "71200", "ABS", "Stecker gesteckt"]]),
        clears(("V-01", "2026-02-13T00:00", 124001, "Motor"),
               ("V-02", "2026-02-14T00:00", 98020, None),
               ("V-03", "2026-02-16T00:00", 71200, "ABS"),
               names="vehicle_id cleared_at odometer_km ecu"))  # fmt: skip
    told = [
        {"lu": "2026-02-13T10:05", "vehicule": "V-01", "km": 124001, "calculateur": "Moteur", "code": "P0301"},
        {"lu": "2026-02-14T11:20", "vehicule": "V-02", "km": 98020, "calculateur": "ABS", "code": "C0035", "annule": True},
        {"lu": "2026-02-16T08:40", "vehicule": "V-03", "km": 71200, "calculateur": "Moteur", "code": "P0171"},
    ]  # fmt: skip
    yield Messy("annulees.jsonl", "fr", "a reading with a flag that it was cancelled",
        text([json.dumps(each) for each in told]),
        scans(("V-01", "2026-02-13T10:05", 124001, "Moteur", "P0301"),
              ("V-03", "2026-02-16T08:40", 71200, "Moteur", "P0171"),
              names="vehicle_id scanned_at odometer_km ecu code"),
        answers={"aside:annule": "leave"})  # fmt: skip
    yield Messy("camionnette.csv", "fr", "a nickname and a plate where others have their number",
        sheet([["Véhicule", "Date", "Km", "Calculateur", "Code"],
               ["V-01", "13/02/2026", "124001", "Moteur", "P0301"],
               ["Camionnette du dépôt / AA-103-BB", "14/02/2026", "71200", "ABS", "C0035"],
               ["V-02", "16/02/2026", "98020", "Moteur", "P0171"]]),
        scans(("V-01", "2026-02-13T00:00", 124001, "Moteur", "P0301"),
              ("V-02", "2026-02-16T00:00", 98020, "Moteur", "P0171"),
              names="vehicle_id scanned_at odometer_km ecu code"),
        answers={"sense:longer-vehicle": "leave"})  # fmt: skip
    yield Messy("wie_oben.csv", "de", "ditto marks under units and codes",
        sheet([["Fahrzeug", "Datum", "km", "Steuergerät", "Fehlercode"],
               ["V-01", "13.02.2026", "124001", "Motor", "P0301"],
               ["V-01", "13.02.2026", "124001", "dito", "P0171"],
               ["V-02", "16.02.2026", "98020", "ABS", "C0035"]]),
        scans(("V-01", "2026-02-13T00:00", 124001, "Motor", "P0301"),
              ("V-02", "2026-02-16T00:00", 98020, "ABS", "C0035"),
              names="vehicle_id scanned_at odometer_km ecu code"),
        answers={"sense:as-above": "leave"})  # fmt: skip
    yield Messy("przy_okazji.csv", "pl", "a remark that names another vehicle than its row",
        sheet([["Pojazd", "Data", "Przebieg", "Sterownik", "Kod", "Uwagi"],
               ["V-01", "2026-02-13", "124001", "Silnik", "P0301", ""],
               ["V-02", "2026-02-14", "98020", "ABS", "C0035", "to było w V-03"],
               ["V-03", "2026-02-16", "71200", "Silnik", "P0171", ""]]),
        scans(("V-01", "2026-02-13T00:00", 124001, "Silnik", "P0301"),
              ("V-03", "2026-02-16T00:00", 71200, "Silnik", "P0171"),
              names="vehicle_id scanned_at odometer_km ecu code"),
        answers={"aside:Uwagi": "leave"})  # fmt: skip
    yield Messy("abonos.csv", "es", "an amount below zero takes work back",
        sheet([["Orden", "Fecha", "Coche", "Km", "Trabajo", "Importe"],
               ["101", "13/02/2026", "V-01", "124001", "Batería nueva", "118,00"],
               ["102", "14/02/2026", "V-02", "98020", "Cambio de sonda lambda", "342,70"],
               ["103", "16/02/2026", "V-02", "98100", "Cambio de sonda lambda", "-342,70"]]),
        repairs(("V-01", "2026-02-13T00:00", 124001, "Batería nueva"),
                ("V-02", "2026-02-14T00:00", 98020, "Cambio de sonda lambda")),
        answers={"sense:below-zero": "leave"})  # fmt: skip
    yield Messy("teil_und_nummer.csv", "de", "parts by name and by number, codes cleared among the work",
        sheet([["Auftrag", "Datum", "Kennz.", "km-Stand", "Tätigkeit", "Teil", "Teilenr.", "Menge"],
               ["A-1", "13.02.2026", "AA-103-BB", "71200", "ersetzt", "Zündspule Zyl. 2", "ZS 118/2", "1"],
               ["A-1", "13.02.2026", "AA-103-BB", "71200", "gelöscht", "Fehlerspeicher Motor", "", ""],
               ["A-2", "14.02.2026", "NH-AB 102", "98020", "gereinigt", "Drosselklappe", "", "1"]]),
        repairs(("V-03", "2026-02-13T00:00", 71200, "Zündspule Zyl. 2", "ZS 118/2", "replace"),
                ("V-02", "2026-02-14T00:00", 98020, "Drosselklappe", None, "clean"),
                names="vehicle_id repaired_at odometer_km notes part_number action"),
        answers={"sense:cleared-work": "leave"})  # fmt: skip
    orders = {"orders": [
        {"no": "WO-71", "date": "2026-02-13", "vehicle": "V-01", "odometer": {"value": 124001, "unit": "km"},
         "lines": [{"item": "Ignition coil", "part_no": "KV-77"}]},
        {"no": "WO-72", "date": "2026-02-14", "vehicle": "V-02", "odometer": {"value": 3455, "unit": "h"},
         "lines": [{"item": "Oil cooler", "part_no": "KV-31"}]},
    ]}  # fmt: skip
    yield Messy("orders_hours.json", "en", "orders of a machine that counts hours",
        json.dumps(orders).encode(),
        repairs(("V-01", "2026-02-13T00:00", 124001, "KV-77"), ("V-02", "2026-02-14T00:00", None, "KV-31"),
                names="vehicle_id repaired_at odometer_km part_number"))  # fmt: skip
