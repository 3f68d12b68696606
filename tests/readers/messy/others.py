"""Exports that are no delimited text: workbooks, JSON, XML, pages, printed columns; and odd ones."""

import json
from collections.abc import Iterator

from tests.readers.messy.delimited import ALL
from tests.readers.messy.files import VIN, Messy, clears, listed, repairs, scans, sheet, text
from tests.readers.workbooks import xlsx


def books() -> Iterator[Messy]:
    """Workbooks."""
    head = ["Datum", "km-Stand", "Fehlercode", "Status"]
    pages = {
        name: [
            ["Prüfprotokoll"],
            head,
            [f"1{n}.02.2026", f"{90 + n}.500", f"P030{n}", "gespeichert"],
        ]
        for n, name in enumerate(("V-01", "V-02"), 1)
    }
    yield Messy(
        "protokolle.xlsx",
        "de",
        "a sheet a vehicle, its number the sheet's name",
        xlsx(pages),
        scans(
            ("V-01", "2026-02-11T00:00", 91500, ALL, "P0301", "stored"),
            ("V-02", "2026-02-12T00:00", 92500, ALL, "P0302", "stored"),
        ),
    )
    mixed = {
        "Data": [
            ["Vehicle", "Date", "Odometer km", "Code"],
            ["V-01", "2026-03-04", 83120, "P0301"],
            ["V-02", "2026-03-05", 51650.5, "P0302"],
            [None, None, None, None],
            ["Total", None, 134770.5, None],
        ]
    }
    yield Messy(
        "numbers.xlsx",
        "en",
        "numbers as numbers, a total below",
        xlsx(mixed),
        scans(
            ("V-01", "2026-03-04T00:00", 83120, ALL, "P0301"),
            ("V-02", "2026-03-05T00:00", 51650.5, ALL, "P0302"),
        ),
    )
    groups = {
        "Averías": [
            ["Vehículo", "Fecha", "Km", "Motor", None, "Frenos", None],
            [None, None, None, "Código", "Estado", "Código", "Estado"],
            ["V-04", "14/03/2026", 98000, "P0301", "presente", "C0035", "almacenado"],
        ]
    }
    yield Messy(
        "grupos.xlsx",
        "es",
        "headings in two lines, a group a control unit",
        xlsx(groups),
        scans(
            ("V-04", "2026-03-14T00:00", 98000, "Motor", "P0301", "confirmed"),
            ("V-04", "2026-03-14T00:00", 98000, "Frenos", "C0035", "stored"),
        ),
    )
    orders = {
        "OR": [
            ["N° OR", "Immat", "Date", "Km", "Libellé", "Pièces", "MO"],
            ["A1", "AA-103-BB", "12/03/2026", "124 020", "Remplacement sonde lambda", 120.5, 60],
        ]
    }
    yield Messy(
        "or_mars.xlsx",
        "fr",
        "work orders, plates",
        xlsx(orders),
        repairs(
            ("V-03", "2026-03-12T00:00", 124020, "Remplacement sonde lambda", 120.5),
            names="vehicle_id repaired_at odometer_km notes part_cost",
        ),
    )
    fleet = {
        "Flota": [
            ["Nr boczny", "VIN", "Nr rejestracyjny", "Marka", "Model", "Rok produkcji"],
            ["V-11", "XZ9AA99B2C3000011", "WX 11111", "Norda", "Trasa", 2021],
            ["V-12", "XZ9AA88B2C3000012", "WX 22222", "Norda", "Mila", 2022],
        ]
    }
    yield Messy(
        "flota.xlsx",
        "pl",
        "a vehicle list",
        xlsx(fleet),
        listed(
            "vehicles",
            [
                ("V-11", "XZ9AA99B2C3000011", "WX 11111", "Norda", "Trasa", 2021),
                ("V-12", "XZ9AA88B2C3000012", "WX 22222", "Norda", "Mila", 2022),
            ],
            "vehicle_id vin plate make model model_year",
        ),
        knows=False,
    )


def documents() -> Iterator[Messy]:
    """JSON, XML and pages."""
    readings = [
        {
            "vehicle": {"id": "V-01"},
            "taken": "2026-03-04T10:00:00Z",
            "odometer": {"value": 76543, "unit": "mi"},
            "modules": [
                {"name": "Engine", "codes": [{"code": "P0301", "status": "stored"}]},
                {"name": "ABS", "codes": []},
            ],
        }
    ]
    yield Messy(
        "export.json",
        "en",
        "the odometer's unit beside it, a module without codes",
        json.dumps(readings).encode(),
        scans(
            ("V-01", "2026-03-04T10:00", 76543 * 1.609344, "Engine", "P0301", "stored"),
            ("V-01", "2026-03-04T10:00", 76543 * 1.609344, "ABS", None, None),
        ),
    )
    lines = [
        {
            "vin": VIN(n),
            "ts": 1772618400 + n,
            "spn": 100 + n,
            "fmi": 4,
            "active": n == 1,
            "km": 1000.5,
        }
        for n in (1, 2)
    ]
    yield Messy(
        "stream.jsonl",
        "en",
        "seconds since 1970, SPN and FMI apart, active or not",
        "\n".join(map(json.dumps, lines)).encode(),
        scans(
            ("V-01", "2026-03-04T10:00", 1000.5, ALL, "SPN 101 FMI 4", "active"),
            ("V-02", "2026-03-04T10:00", 1000.5, ALL, "SPN 102 FMI 4", "previously_active"),
        ),
    )
    xml = f"""<?xml version="1.0" encoding="UTF-8"?><relevés><relevé vin="{VIN(3)}" date="2026-03-05" km="99000">
<calculateur nom="Moteur"><défaut code="P0301" état="présent"/></calculateur></relevé></relevés>"""
    yield Messy(
        "releves.xml",
        "fr",
        "names with accents, attributes",
        xml.encode(),
        scans(("V-03", "2026-03-05T00:00", 99000, "Moteur", "P0301", "confirmed")),
    )
    page = """<html><body><h1>Diagnosebericht</h1>
<table><tr><td>Kennzeichen</td><td>NH-AB 101</td></tr><tr><td>Datum</td><td>13.02.2026 14:05</td></tr>
<tr><td>Kilometerstand</td><td>123.456 km</td></tr></table>
<table><tr><th>Steuergerät</th><th>Fehlercode</th><th>Status</th></tr>
<tr><td>Motor</td><td>P0301</td><td>sporadisch</td></tr><tr><td>ABS</td><td>kein Fehler</td><td></td></tr>
</table></body></html>"""
    yield Messy(
        "bericht.html",
        "de",
        "facts in a table of two columns",
        page.encode(),
        scans(
            ("V-01", "2026-02-13T14:05", 123456, "Motor", "P0301", "stored"),
            ("V-01", "2026-02-13T14:05", 123456, "ABS", None, None),
        ),
    )
    above = [
        "Fahrzeug: V-02;;;",
        "Auslesung vom: 13.02.2026;;;",
        "km-Stand: 98.020;;;",
        ";;;",
        "Steuergerät;Fehlercode;Beschreibung;Status",
        "Motor;P0420;Katalysator;vorhanden",
    ]
    yield Messy(
        "einzelbericht.csv",
        "de",
        "one vehicle, told above the table",
        text(above),
        scans(("V-02", "2026-02-13T00:00", 98020, "Motor", "P0420", "confirmed")),
    )


def odd() -> Iterator[Messy]:
    """Give what goes wrong on the way."""
    rows = [["Fahrzeug", "Datum", "km", "Fehlercode"], ["V-01", "13.02.2026", "1.200", "P0301"]]
    yield Messy(
        "utf16.csv",
        "de",
        "UTF-16",
        sheet(rows, encoding="utf-16"),
        scans(("V-01", "2026-02-13T00:00", 1200, ALL, "P0301")),
    )
    zeros = sheet([*rows, *[["V-02", f"1{n}.02.2026", f"{n}.300", "P0302"] for n in range(2, 9)]])
    yield Messy(
        "nullbytes.csv",
        "de",
        "zero bytes within",
        zeros.replace(b"1.200", b"1.200\x00"),
        scans(
            ("V-01", "2026-02-13T00:00", 1200, ALL, "P0301"),
            *(("V-02", f"2026-02-1{n}T00:00", 1000 * n + 300, ALL, "P0302") for n in range(2, 9)),
        ),
    )
    far = [
        ["Vehicle", "Date", "Odometer km", "Code"],
        ["V-01", "2026-03-14", "98765432", "P0301"],
        ["V-01", "2031-03-14", "5000", "P0301"],
        ["V-02", "2026-03-15", "6000", "P0302"],
    ]
    yield Messy(
        "typing_errors.csv",
        "en",
        "98,765,432 km and the year 2031",
        sheet(far, ","),
        scans(("V-02", "2026-03-15T00:00", 6000, ALL, "P0302")),
        refused=2,
    )
    near = [
        ["VIN", "Date", "Odometer km", "Code"],
        [VIN(1)[:-1] + "9", "2026-03-14", "5000", "P0301"],
        [VIN(2).replace("0", "O", 1), "2026-03-14", "5000", "P0301"],
        [VIN(3)[:-1], "2026-03-14", "5000", "P0301"],
        [VIN(4), "2026-03-15", "6000", "P0302"],
    ]
    yield Messy(
        "near_vins.csv",
        "en",
        "VINs with a typing error",
        sheet(near, ","),
        scans(("V-04", "2026-03-15T00:00", 6000, ALL, "P0302")),
        refused=3,
    )
    again = [
        ["Pojazd", "Data", "Przebieg", "Kod błędu"],
        ["V-05", "13.02.2026", "1 200", "P0301"],
        ["Pojazd", "Data", "Przebieg", "Kod błędu"],
        ["V-05", "14.02.2026", "1 300", "P0302"],
        ["Strona 1 z 1", "", "", ""],
    ]
    yield Messy(
        "wydruk.csv",
        "pl",
        "headings again on each page, a footer",
        sheet(again),
        scans(
            ("V-05", "2026-02-13T00:00", 1200, ALL, "P0301"),
            ("V-05", "2026-02-14T00:00", 1300, ALL, "P0302"),
        ),
    )
    blank = [
        ["Véhicule", "Date", "Km", "Code défaut"],
        ["V-03", "13/02/2026", "91200", "P0301"],
        ["", "13/02/2026", "91200", "P0302"],
    ]
    yield Messy(
        "groupes.csv",
        "fr",
        "a vehicle named in the first of its rows",
        sheet(blank),
        scans(
            ("V-03", "2026-02-13T00:00", 91200, ALL, "P0301"),
            ("V-03", "2026-02-13T00:00", 91200, ALL, "P0302"),
        ),
        answers={"blank-vehicle": "above"},
    )
    spare = [
        ["Vehicle", "Date", "Odometer km", "Code", "Unit of measure", "ECU", "ecu "],
        ["V-01", "2026-03-14", "5000", "P0301", "km", "Engine", "x"],
    ]
    yield Messy(
        "spare.csv",
        "en",
        "headings alike but for case",
        sheet(spare, ","),
        scans(("V-01", "2026-03-14T00:00", 5000, "Engine", "P0301")),
    )
    printed = [
        "REG       DATE        KM      CODE   STATE",
        "AB12 CDE  14/03/2026  083120  P0301  stored",
        "NH-AB 101 15/03/2026  120100  P0420  pending",
        "WX 12345  16/03/2026  020500  C0035  stored",
    ]
    yield Messy(
        "printed.txt",
        "en",
        "printed columns",
        text(printed),
        scans(
            ("V-06", "2026-03-14T00:00", 83120, ALL, "P0301", "stored"),
            ("V-01", "2026-03-15T00:00", 120100, ALL, "P0420", "pending"),
            ("V-05", "2026-03-16T00:00", 20500, ALL, "C0035", "stored"),
        ),
    )
    silent = [
        ["Fahrzeug", "Datum", "Steuergerät", "Kommunikation", "Fehlercode"],
        ["V-01", "13.02.2026", "Motor", "i.O.", "P0301"],
        ["V-01", "13.02.2026", "Türmodul", "keine Antwort", ""],
    ]
    yield Messy(
        "antworten.csv",
        "de",
        "a unit that did not answer",
        sheet(silent),
        scans(
            ("V-01", "2026-02-13T00:00", None, "Motor", "P0301", "answered"),
            ("V-01", "2026-02-13T00:00", None, "Türmodul", None, "no_answer"),
            names="vehicle_id scanned_at odometer_km ecu code ecu_response",
        ),
    )
    word = [
        ["Fahrzeug", "Datum", "Fehlercode", "Status"],
        ["V-01", "13.02.2026", "P0301", "behoben"],
    ]
    yield Messy(
        "unbekannt.csv",
        "de",
        "a word nobody knows",
        sheet(word),
        scans(("V-01", "2026-02-13T00:00", None, ALL, "P0301", "stored")),
        answers={"word:behoben": "stored"},
    )
    borrados = [["Matrícula", "Fecha de borrado", "Km"], ["1104 BCD", "14/03/2026 10:30", "98.000"]]
    yield Messy(
        "borrados.csv",
        "es",
        "cleared memories, plates",
        sheet(borrados),
        clears(("V-04", "2026-03-14T10:30", 98000)),
    )
    lost = [["Date", "Odometer km", "Code"], ["2026-03-14", "5000", "P0301"]]
    yield Messy(
        "no_vehicle.csv",
        "en",
        "no vehicle named",
        sheet(lost, ","),
        scans(("V-02", "2026-03-14T00:00", 5000, ALL, "P0301")),
        vehicle="V-02",
    )
    two = [
        ["Vehicle", "Reported", "Closed", "Odometer km", "Work done"],
        ["V-01", "2026-03-14", "2026-03-16", "5000", "Replaced coil 1"],
    ]
    yield Messy(
        "two_times.csv",
        "en",
        "two dates, one of them when it was done",
        sheet(two, ","),
        repairs(("V-01", "2026-03-16T00:00", 5000, "Replaced coil 1")),
    )
    blanks = [
        ["Vehicle", "Date", "Odometer km", "Code"],
        ["V-01", "14 Mar 2026", "n/a", "P0301"],
        ["V-02", "15 Mar 2026", "6000", "---"],
        ["V-03", "16 Mar 2026", "7000", "P0000"],
    ]
    yield Messy(
        "fillers.csv",
        "en",
        "n/a for a distance, --- and P0000 for no code",
        sheet(blanks, ","),
        scans(
            ("V-01", "2026-03-14T00:00", None, ALL, "P0301"),
            ("V-02", "2026-03-15T00:00", 6000, ALL, None),
            ("V-03", "2026-03-16T00:00", 7000, ALL, None),
        ),
    )


def all_files() -> Iterator[Messy]:
    """List them."""
    for each in (books, documents, odd):
        yield from each()
