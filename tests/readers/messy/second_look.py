"""Ten more shapes, written after the strangers were mended: their truth, too, was set down first."""

import datetime as dt
import json
from collections.abc import Iterator

from tests.readers.messy.delimited import ALL
from tests.readers.messy.files import VIN, Messy, repairs, scans, sheet, text
from tests.readers.printed import paper, raw, ruled, say
from tests.readers.workbooks import xlsx


def tables() -> Iterator[Messy]:
    """Delimited text and workbooks."""
    checked = [
        ["Kennz.", "Prüfdatum", "KM", "Motor", "Getriebe", "Bremse", "Airbag"],
        ["NH-AB 101", "13.02.2026", "123456", "P0301", "i.O.", "i.O.", "i.O."],
        ["NH-AB 102", "14.02.2026", "98020", "i.O.", "P0730", "C0035", "i.O."],
    ]
    yield Messy("pruefliste.csv", "de", "a column for each control unit, codes or i.O. within",
                sheet(checked),
                scans(("V-01", "2026-02-13T00:00", 123456, "Motor", "P0301"),
                      ("V-01", "2026-02-13T00:00", 123456, "Getriebe", None),
                      ("V-01", "2026-02-13T00:00", 123456, "Bremse", None),
                      ("V-01", "2026-02-13T00:00", 123456, "Airbag", None),
                      ("V-02", "2026-02-14T00:00", 98020, "Motor", None),
                      ("V-02", "2026-02-14T00:00", 98020, "Getriebe", "P0730"),
                      ("V-02", "2026-02-14T00:00", 98020, "Bremse", "C0035"),
                      ("V-02", "2026-02-14T00:00", 98020, "Airbag", None)))  # fmt: skip
    costs = [
        ["Véhicule", "Date entrée", "Date sortie", "Km entrée", "Km sortie", "Travaux", "Montant"],
        ["V-03", "10/03/2026", "12/03/2026", "124 020", "124 025", "Bobine cyl. 2", "210,50 €"],
        ["V-01", "13/03/2026", "13/03/2026", "88 400", "88 401", "Vidange", "99,00 €"],
    ]
    yield Messy("passages.csv", "fr", "in and out, each with a date and a distance", sheet(costs),
                repairs(("V-03", "2026-03-12T00:00", 124025, "Bobine cyl. 2"),
                        ("V-01", "2026-03-13T00:00", 88401, "Vidange")),
                answers={"time": "Date sortie", "odometer": "Km sortie"})  # fmt: skip
    twice = [
        ["Unit", "Date", "Miles", "Km", "Fault", "Prev. fault"],
        ["V-01", "2026-03-14", "51650", "83122.6", "P0301", "P0420"],
        ["V-02", "2026-03-15", "60000", "96560.6", "C0035", ""],
    ]
    yield Messy("both_units.csv", "en", "the distance in miles and in km, the fault before",
                sheet(twice, ","),
                scans(("V-01", "2026-03-14T00:00", 83122.6, ALL, "P0301"),
                      ("V-02", "2026-03-15T00:00", 96560.6, ALL, "C0035")),
                answers={"codes": "Fault"})  # fmt: skip
    undated = [
        ["Pojazd", "Data", "Przebieg", "Kod", "Status zlecenia"],
        ["V-05", "13.02.2026", "91200", "P0301", "otwarte"],
        ["V-06", "14.02.2026", "51650", "P0420", "zamknięte"],
    ]
    yield Messy("kody_zlecen.csv", "pl", "codes with the state of their order", sheet(undated),
                scans(("V-05", "2026-02-13T00:00", 91200, ALL, "P0301"),
                      ("V-06", "2026-02-14T00:00", 51650, ALL, "P0420")),
                answers={"table": "scans"})  # fmt: skip
    tab = [
        "Taller Norte\tListado\t\t\t",
        "Bastidor\tFecha\tKm\tAverías\tUnidad",
        f"{VIN(4)}\t14/03/2026 10:05\t98.000\tP0301 (presente), P0420 (memorizado)\tMotor",
        f"{VIN(5)}\t15/03/2026 09:40\t101.500\tSin averías\tMotor",
    ]
    yield Messy("listado.tsv", "es", "tabs, a title, a status behind each code", text(tab, "cp1252"),
                scans(("V-04", "2026-03-14T10:05", 98000, "Motor", "P0301", "confirmed"),
                      ("V-04", "2026-03-14T10:05", 98000, "Motor", "P0420", "stored"),
                      ("V-05", "2026-03-15T09:40", 101500, "Motor", None, None)))  # fmt: skip
    hours = {
        "Machines": [
            ["Fleet list of readings", None, None, None, None],
            ["Unit", "Read on", "Hours", "Code", "Remarks"],
            ["V-01", dt.datetime(2026, 3, 14, 6, 30), 1250.5, "SPN 100 FMI 4", "low oil"],  # noqa: DTZ001
            ["V-02", dt.datetime(2026, 3, 15, 6, 45), 2375, "none", None],  # noqa: DTZ001
        ]
    }
    yield Messy("machines.xlsx", "en", "hours and no distance, real times", xlsx(hours),
                scans(("V-01", "2026-03-14T06:30", 1250.5, "SPN 100 FMI 4"),
                      ("V-02", "2026-03-15T06:45", 2375, None),
                      names="vehicle_id scanned_at engine_hours code"))  # fmt: skip


def others() -> Iterator[Messy]:
    """JSON, reports and pages."""
    keyed = {
        "exported": "2026-11-28T10:00:00Z",
        "vehicles": {
            "V-01": {"read": "2026-03-14T10:00:00Z", "km": 83120, "dtc": ["P0301"]},
            "V-02": {"read": "2026-03-15T11:00:00Z", "km": 51650, "dtc": []},
        },
    }
    yield Messy("by_key.json", "en", "vehicles as keys, no list", json.dumps(keyed).encode(),
                (), is_nothing=True)  # fmt: skip
    lines = [
        "Fahrzeug: V-01      Datum: 13.02.2026 14:05      km: 123.456",
        "  Motor",
        "    P0301  Zündaussetzer Zylinder 1  sporadisch",
        "  ABS",
        "    kein Fehler",
        "Fahrzeug: V-02      Datum: 14.02.2026 08:15      km: 98.020",
        "  Motor",
        "    P0420  Katalysator  gespeichert",
        "Anzahl Fahrzeuge: 2",
    ]
    yield Messy("tagesbericht.txt", "de", "a report of two vehicles, three facts in a line",
                text(lines),
                scans(("V-01", "2026-02-13T14:05", 123456, "Motor", "P0301", "stored"),
                      ("V-01", "2026-02-13T14:05", 123456, "ABS", None, None),
                      ("V-02", "2026-02-14T08:15", 98020, "Motor", "P0420", "stored")))  # fmt: skip
    made = paper("Raport")
    say(made, "Pojazd: V-05", "Data: 13.02.2026", "Przebieg: 91 200 km", "")
    ruled(made, [("Sterownik", "Kod", "Stan"), ("Silnik", "P0301", "zapisany")], (30, 20, 30))
    say(made, "", "Pojazd: V-06", "Data: 14.02.2026", "Przebieg: 51 650 km", "")
    ruled(made, [("Sterownik", "Kod", "Stan"), ("Silnik", "P0420", "obecny")], (30, 20, 30))
    yield Messy("dwa_pojazdy.pdf", "pl", "PDF: two vehicles on a page, a table each", raw(made),
                scans(("V-05", "2026-02-13T00:00", 91200, "Silnik", "P0301", "stored"),
                      ("V-06", "2026-02-14T00:00", 51650, "Silnik", "P0420", "confirmed")))  # fmt: skip
    page = (
        "<table><tr><th rowspan=2>Vehicle</th><th rowspan=2>Date</th><th colspan=2>Fault</th></tr>"
        "<tr><th>Code</th><th>State</th></tr>"
        "<tr><td rowspan=2>V-01</td><td rowspan=2>2026-03-14</td><td>P0301</td><td>current</td></tr>"
        "<tr><td>P0420</td><td>history</td></tr></table>"
    )
    yield Messy("spans.html", "en", "headings and vehicles that span rows",
                f"<html><body>{page}</body></html>".encode(),
                scans(("V-01", "2026-03-14T00:00", None, ALL, "P0301", "confirmed"),
                      ("V-01", "2026-03-14T00:00", None, ALL, "P0420", "stored")))  # fmt: skip


def all_files() -> Iterator[Messy]:
    """List them."""
    yield from tables()
    yield from others()
