"""Exports of shapes that nothing was written for: their truth was set down before their first run."""

import datetime as dt
import json
from collections.abc import Iterator

from tests.readers.messy.delimited import ALL
from tests.readers.messy.files import VIN, Messy, clears, listed, repairs, scans, sheet, text
from tests.readers.printed import bare, paper, raw, say
from tests.readers.workbooks import xlsx

_MILE = 1.609344
_HOURS = "vehicle_id scanned_at engine_hours ecu code"


def rooms() -> Iterator[Messy]:
    """From garages and their desks."""
    intake = [
        ["Ankaufprotokolle Halle 3", "", "", "", "", ""],
        ["Fahrgestell-Nr.", "geprüft am", "km lt. Tacho", "Steuergerät", "Fehler", "Bemerkung"],
        [VIN(1), "13.02.2026", "123.456", "Motor", "P0171; P0174", "Leerlauf; unruhig\nbei kalt"],
        [VIN(2), "14.02.2026", "98.020", "Motor", "keine", ""],
    ]
    yield Messy("ankauf_halle3.csv", "de", "marks and a line break within quotes, a title above",
                sheet(intake, encoding="cp1252"),
                scans(("V-01", "2026-02-13T00:00", 123456, "Motor", "P0171"),
                      ("V-01", "2026-02-13T00:00", 123456, "Motor", "P0174"),
                      ("V-02", "2026-02-14T00:00", 98020, "Motor", None)))  # fmt: skip
    both = [
        ["Fahrzeug", "Datum", "km-Stand", "Steuergerät", "Fehlercode", "Vorgang"],
        ["V-01", "13.02.2026 09:00", "123.456", "Motor", "P0301", "gelesen"],
        ["V-01", "13.02.2026 11:30", "123.456", "Motor", "P0301", "gelöscht"],
        ["V-02", "14.02.2026 08:00", "98.020", "Motor", "P0420", "gelesen"],
    ]
    yield Messy("vorgaenge.csv", "de", "codes read and codes cleared in one table", sheet(both),
                (*scans(("V-01", "2026-02-13T09:00", 123456, "Motor", "P0301"),
                        ("V-02", "2026-02-14T08:00", 98020, "Motor", "P0420")),
                 *clears(("V-01", "2026-02-13T11:30", 123456))),
                answers={"rows": "clears"})  # fmt: skip
    lines = [
        ["Auftrag", "Kennzeichen", "Datum", "km", "Pos", "Leistung", "Teil", "Betrag"],
        ["4711", "NH-AB 101", "03.03.2026", "124.001", "1", "Zündkerzen ersetzt", "ZK-4", "48,00"],
        ["", "", "", "", "2", "Zündspule Zyl. 2 ersetzt", "SP-2", "61,50"],
        ["Zwischensumme", "", "", "", "", "", "", "109,50"],
        ["4712", "NH-AB 102", "04.03.2026", "98.500", "1", "Bremsflüssigkeit", "", "35,00"],
        ["Zwischensumme", "", "", "", "", "", "", "35,00"],
    ]
    yield Messy("auftragszeilen.csv", "de", "an order's first line only names it, sums between",
                sheet(lines),
                repairs(("V-01", "2026-03-03T00:00", 124001, "4711", 48),
                        ("V-01", "2026-03-03T00:00", 124001, "4711", 61.5),
                        ("V-02", "2026-03-04T00:00", 98500, "4712", 35),
                        names="vehicle_id repaired_at odometer_km repair_id"),
                answers={"blank-vehicle": "above"})  # fmt: skip
    page = "".join(
        f"<h2>Fahrzeug: {vehicle}</h2><p>Datum: {day}</p><p>km-Stand: {km}</p>"
        "<table><tr><th>Steuergerät</th><th>Fehlercode</th><th>Status</th></tr>"
        f"<tr><td>Motor</td><td>{code}</td><td>gespeichert</td></tr></table>"
        for vehicle, day, km, code in (
            ("V-01", "13.02.2026", "123.456", "P0301"),
            ("V-02", "14.02.2026", "98.020", "P0420"),
        )
    )
    yield Messy("sammelbericht.html", "de", "a heading and a table for each vehicle",
                f"<html><body>{page}</body></html>".encode(),
                scans(("V-01", "2026-02-13T00:00", 123456, "Motor", "P0301", "stored"),
                      ("V-02", "2026-02-14T00:00", 98020, "Motor", "P0420", "stored")))  # fmt: skip
    parts = [
        ["Día", "Mes", "Año", "Hora", "Vehículo", "Km", "Centralita", "Avería"],
        ["14", "3", "2026", "10:05", "V-04", "98.000", "Motor", "P0301"],
        ["15", "3", "2026", "9:40", "V-05", "101.500", "ABS", "C0035"],
    ]
    yield Messy("partes.csv", "es", "day, month and year in three columns", sheet(parts),
                scans(("V-04", "2026-03-14T10:05", 98000, "Motor", "P0301"),
                      ("V-05", "2026-03-15T09:40", 101500, "ABS", "C0035")))  # fmt: skip
    quoted = [
        ["Matrícula", "Fecha", "Kilómetros", "Avería", "Situación"],
        ["1104 BCD", "14/03/2026 10:05:00", "98.020,5", "p0301", "Presente"],
        ["1104 BCD", "15/03/2026 10:05:00", "98.130,0", "P0420 ", "Memorizado"],
    ]
    yield Messy("averias_marzo.csv", "es", "commas part columns and decimals; small letters",
                sheet(quoted, ","),
                scans(("V-04", "2026-03-14T10:05", 98020.5, ALL, "P0301", "confirmed"),
                      ("V-04", "2026-03-15T10:05", 98130, ALL, "P0420", "stored")))  # fmt: skip
    hundred = [
        ["Nr rej.", "Data", "Przebieg [tys. km]", "Sterownik", "Kod", "Uwagi"],
        ["WX 12345", "2026-02-13", "91,2", "silnik", "P0301", "stan: sporadyczny"],
        ["WX 12345", "2026-02-20", "91,9", "silnik", "brak", ""],
    ]
    yield Messy("przebiegi_tys.csv", "pl", "distances in thousands of km",
                sheet(hundred, encoding="cp1250"),
                scans(("V-05", "2026-02-13T00:00", 91200, "silnik", "P0301"),
                      ("V-05", "2026-02-20T00:00", 91900, "silnik", None)))  # fmt: skip
    ahead = [
        ["Véhicule", "Date", "Km", "Prochaine révision", "Code défaut", "Statut"],
        ["V-03", "13/02/26", "91 200,5", "13/02/27", "P0420", "historique"],
        ["V-01", "14/02/26", "71 200,0", "01/09/26", "C0035", "actif"],
    ]
    yield Messy("suivi.csv", "fr", "a date to come beside that of the reading",
                sheet(ahead, encoding="utf-8-sig"),
                scans(("V-03", "2026-02-13T00:00", 91200.5, ALL, "P0420", "stored"),
                      ("V-01", "2026-02-14T00:00", 71200, ALL, "C0035", "active")),
                answers={"word:actif": "active"})  # fmt: skip


def fleets() -> Iterator[Messy]:
    """From fleets and what rides along in their vehicles."""
    mixed = [
        ["Truck", "Read", "Reading", "UoM", "DTC", "Suffix"],
        ["V-01", "2026-03-14 10:00", "83120", "km", "P0301", "00"],
        ["V-02", "2026-03-15 11:00", "51650", "mi", "C0035", "11"],
    ]
    yield Messy("uom.csv", "en", "km and miles by a column, the code's suffix in its own",
                sheet(mixed, ","),
                scans(("V-01", "2026-03-14T10:00", 83120, ALL, "P0301"),
                      ("V-02", "2026-03-15T11:00", 51650 * _MILE, ALL, "C0035")))  # fmt: skip
    events = [
        ["assetId", "eventTime", "spn", "fmi", "oc", "isActive", "odometer_m", "source"],
        ["V-01", "2026-03-14T10:00:00+01:00", "100", "4", "3", "true", "83120400", "0"],
        ["V-01", "2026-03-14T09:30:00Z", "3216", "31", "126", "false", "83120900", "0"],
    ]
    yield Messy("events.csv", "en", "metres, offsets that differ, SPN and FMI", sheet(events, ","),
                scans(("V-01", "2026-03-14T09:00", 83120.4, "SPN 100 FMI 4", "active"),
                      ("V-01", "2026-03-14T09:30", 83120.9, "SPN 3216 FMI 31", "previously_active"),
                      names="vehicle_id scanned_at odometer_km code status"))  # fmt: skip
    wide = [
        ["Vehicle", "Date", "Time", "Odo km", *(f"Code {n}" for n in range(1, 7)), "Lamp"],
        ["V-01", "20260314", "0905", "83120", "P0301-00", "P0420-00", "", "", "", "", "on"],
        ["V-02", "20260315", "1410", "51650", "C0035-11", "", "", "", "", "", "off"],
        ["V-03", "20260316", "0700", "71200", "OK", "", "", "", "", "", "off"],
    ]
    yield Messy("nightly_0316.csv", "en", "days and times without marks, OK where there is no code",
                sheet(wide, ","),
                scans(("V-01", "2026-03-14T09:05", 83120, ALL, "P0301"),
                      ("V-01", "2026-03-14T09:05", 83120, ALL, "P0420"),
                      ("V-02", "2026-03-15T14:10", 51650, ALL, "C0035-11"),
                      ("V-03", "2026-03-16T07:00", 71200, ALL, None)))  # fmt: skip
    tails = [
        ["VIN (last 8)", "Date", "Odometer km", "DTC"],
        ["2C300001", "2026-03-14", "83120", "P0301"],
        ["2C300002", "2026-03-15", "51650", "C0035"],
    ]
    yield Messy("last_eight.csv", "en", "the last eight characters of a VIN", sheet(tails, ","),
                (), is_nothing=True)  # fmt: skip
    named = [
        ["Date", "Odometer km", "Module", "DTC", "Status"],
        ["2026-03-14 10:00", "83120", "Engine", "P0301", "history"],
        ["2026-03-14 10:00", "83120", "ABS", "", ""],
    ]
    yield Messy("scan_V-02_0314.csv", "en", "the vehicle in the file's name", sheet(named, ","),
                scans(("V-02", "2026-03-14T10:00", 83120, "Engine", "P0301", "stored"),
                      ("V-02", "2026-03-14T10:00", 83120, "ABS", None, None)))  # fmt: skip
    period = [
        "Fault export",
        "From,01/03/2026,To,31/03/2026",
        "",
        "Vehicle,Date,Odometer (km),System,Fault,State",
        'V-01,14/03/2026 10:00,"83,120",Engine,P0301 - Cylinder 1 misfire,Current',
        'V-02,25/03/2026 11:00,"51,650",Engine,"P0420 - Catalyst, efficiency",History',
        "Records: 2",
        "Report generated on 28/11/2026 by the night desk",
    ]
    yield Messy("period.csv", "en", "a period above, records counted below", text(period),
                scans(("V-01", "2026-03-14T10:00", 83120, "Engine", "P0301", "confirmed"),
                      ("V-02", "2026-03-25T11:00", 51650, "Engine", "P0420", "stored")))  # fmt: skip
    before = [
        ["Stock no", "Date", "Odometer km", "Codes at arrival", "Codes after work"],
        ["V-01", "2026-03-14", "83120", "P0301, P0420", "P0420"],
        ["V-02", "2026-03-15", "51650", "none", "none"],
    ]
    yield Messy("arrival_and_after.csv", "en", "codes before and after work in one row",
                sheet(before, ","), (), is_nothing=True)  # fmt: skip
    trips = [
        ["Unit", "Start", "End", "Start km", "End km", "Faults"],
        ["V-01", "2026-03-14 06:00", "2026-03-14 14:00", "83000", "83120", "P0301"],
        ["V-02", "2026-03-15 06:00", "2026-03-15 15:00", "51400", "51650", ""],
    ]
    yield Messy("trips.csv", "en", "begin and end of a trip, each with its distance",
                sheet(trips, ","),
                scans(("V-01", "2026-03-14T14:00", 83120, ALL, "P0301"),
                      ("V-02", "2026-03-15T15:00", 51650, ALL, None)),
                answers={"time": "End", "odometer": "End km", "no-code": "clean"})  # fmt: skip
    plant = [
        ["Machine", "Date", "SMH", "ECM", "SPN/FMI", "Count"],
        ["V-01", "14-Mar-2026", "1,250.5", "Engine", "100/4", "3"],
        ["V-02", "15-Mar-2026", "2,375.0", "Engine", "3216/31", "1"],
    ]
    yield Messy("plant.csv", "en", "hours of a machine, SPN and FMI in one cell", sheet(plant, ","),
                scans(("V-01", "2026-03-14T00:00", 1250.5, "Engine", "SPN 100 FMI 4"),
                      ("V-02", "2026-03-15T00:00", 2375, "Engine", "SPN 3216 FMI 31"),
                      names=_HOURS))  # fmt: skip
    undone = [
        ["Vehicle", "Date", "km", "Job", "State"],
        ["V-01", "2026-03-14", "83120", "Replace coil cylinder 1", "done"],
        ["V-02", "2026-03-20", "51650", "Replace front pads", "planned"],
    ]
    yield Messy("jobs.csv", "en", "work that is done and work that is planned", sheet(undone, ","),
                repairs(("V-01", "2026-03-14T00:00", 83120, "Replace coil cylinder 1")),
                answers={"table": "repairs", "rows": "leave"})  # fmt: skip


def books() -> Iterator[Messy]:
    """Workbooks."""
    head = ["N° OR", "Immatriculation", "Date", "Km", "Nature des travaux", "Total TTC"]
    months = {
        "Janvier": [
            ["Interventions du mois", None, None, None, None, None],
            head,
            [101, "AA-103-BB", dt.datetime(2026, 1, 12), 90100, "Vidange", 99.0],  # noqa: DTZ001
            ["Total général", None, None, None, None, 99.0],
        ],
        "Février": [
            ["Interventions du mois", None, None, None, None, None],
            head,
            [102, "AA-103-BB", dt.datetime(2026, 2, 9), 91400, "Remplacement bobine", 210.5],  # noqa: DTZ001
            ["Total général", None, None, None, None, 210.5],
        ],
        "Légende": [["OR", "ordre de réparation"], ["TTC", "toutes taxes comprises"]],
    }
    yield Messy("interventions.xlsx", "fr", "a sheet a month, totals, a sheet of explanations",
                xlsx(months),
                repairs(("V-03", "2026-01-12T00:00", 90100, "Vidange", "101"),
                        ("V-03", "2026-02-09T00:00", 91400, "Remplacement bobine", "102"),
                        names="vehicle_id repaired_at odometer_km notes repair_id"))  # fmt: skip
    serial = {
        "Readings": [
            ["Asset", "Day", "Clock", "Odometer", "Controller", "Fault code"],
            ["V-01", 46095, 0.5, "83,120 km", "Engine", "P0301"],
            ["V-02", 46096, 0.75, "51,650 mi", "Brakes", "C0035"],
        ]
    }
    yield Messy("readings.xlsx", "en", "days and times as bare numbers, units within cells",
                xlsx(serial),
                scans(("V-01", "2026-03-14T12:00", 83120, "Engine", "P0301"),
                      ("V-02", "2026-03-15T18:00", 51650 * _MILE, "Brakes", "C0035")))  # fmt: skip
    down = {
        "Lecturas": [
            ["Vehículo", "Fecha", "Km", "Código", "Descripción", "Estado"],
            ["V-04", dt.datetime(2026, 3, 14), 98000, "P0301", "Fallo cil. 1", "presente"],  # noqa: DTZ001
            [None, None, None, "P0420", "Catalizador", "memorizado"],
            ["V-05", dt.datetime(2026, 3, 15), 101500, "C0035", "Sensor rueda", "presente"],  # noqa: DTZ001
        ]
    }
    yield Messy("lecturas_2026.xlsx", "es", "a vehicle's further codes below its first", xlsx(down),
                scans(("V-04", "2026-03-14T00:00", 98000, ALL, "P0301", "confirmed"),
                      ("V-04", "2026-03-14T00:00", 98000, ALL, "P0420", "stored"),
                      ("V-05", "2026-03-15T00:00", 101500, ALL, "C0035", "confirmed")),
                answers={"blank-vehicle": "above"})  # fmt: skip


def trees() -> Iterator[Messy]:
    """JSON and XML."""
    units = [
        {"nombre": "Motor", "averias": [{"codigo": "P0301", "estado": "memorizado"}]},
        {"nombre": "ABS", "averias": []},
    ]
    report = {
        "taller": "Norte",
        "vehiculos": [
            {
                "matricula": "1104 BCD",
                "lecturas": [{"fecha": "14/03/2026 10:05", "km": 98000, "modulos": units}],
            }
        ],
    }
    yield Messy("lecturas.json", "es", "nested four deep, a unit without codes, Spanish names",
                json.dumps(report, ensure_ascii=False).encode(),
                scans(("V-04", "2026-03-14T10:05", 98000, "Motor", "P0301", "stored"),
                      ("V-04", "2026-03-14T10:05", 98000, "ABS", None, None)))  # fmt: skip
    stream = [
        {"vehicle": {"id": "V-01"}, "ts": 1773482400000, "odo": {"m": 83120400},
         "dtcs": ["P0301", "P0420"]},
        {"vehicle": {"id": "V-02"}, "ts": 1773486000000, "odo": {"m": 51650000}, "dtcs": []},
    ]  # fmt: skip
    yield Messy("feed.json", "en", "lists of bare codes, milliseconds, metres",
                json.dumps(stream).encode(),
                scans(("V-01", "2026-03-14T10:00", 83120.4, ALL, "P0301"),
                      ("V-01", "2026-03-14T10:00", 83120.4, ALL, "P0420"),
                      ("V-02", "2026-03-14T11:00", 51650, ALL, None)),
                answers={"no-code": "clean"})  # fmt: skip
    document = (
        '<?xml version="1.0" encoding="ISO-8859-2"?><raport>'
        '<pojazd nrRej="WX 12345" przebieg="91200" data="2026-02-13 14:05">'
        '<sterownik nazwa="Silnik"><usterka kod="P0301" stan="pamiętany" opis="wypadanie zapłonu"/>'
        '<usterka kod="P0420" stan="obecny"/></sterownik>'
        '<sterownik nazwa="Hamulce"/></pojazd></raport>'
    )
    yield Messy("raport.xml", "pl", "all in attributes, ISO 8859-2, a word nobody knows",
                document.encode("iso-8859-2"),
                scans(("V-05", "2026-02-13T14:05", 91200, "Silnik", "P0301", "stored"),
                      ("V-05", "2026-02-13T14:05", 91200, "Silnik", "P0420", "confirmed"),
                      ("V-05", "2026-02-13T14:05", 91200, "Hamulce", None, None)),
                answers={"word:pamiętany": "stored"})  # fmt: skip


REPORT = (
    "VEHICLE SCAN REPORT",
    "Vehicle: V-01",
    "Date: 2026-03-14 10:05",
    "Odometer: 83120 km",
    "",
    "[Engine]",
    "P0301  Cylinder 1 misfire  stored",
    "P0420  Catalyst efficiency  pending",
    "[Brakes]",
    "no faults",
    "End of report",
)


def reports() -> Iterator[Messy]:
    """Print reports in lines, and what else has no plain table."""
    yield Messy("report_0314.txt", "en", "a report of sections, a unit without faults",
                text(REPORT),
                scans(("V-01", "2026-03-14T10:05", 83120, "Engine", "P0301", "stored"),
                      ("V-01", "2026-03-14T10:05", 83120, "Engine", "P0420", "pending"),
                      ("V-01", "2026-03-14T10:05", 83120, "Brakes", None, None)))  # fmt: skip
    made = paper("Rapport de diagnostic")
    say(made, "Immatriculation : AA-103-BB", "Date : 13/02/2026 14:05", "Kilométrage : 91 200 km")
    say(made, "", "Calculateur : Moteur")
    say(made, "P0420 Catalyseur, rendement sous le seuil (mémorisé)")
    say(made, "P0301 Ratés cylindre 1 (présent)")
    say(made, "Calculateur : Freins", "aucun défaut", "Fin du rapport")
    yield Messy("rapport_lignes.pdf", "fr", "PDF: a report in lines, no table", raw(made),
                scans(("V-03", "2026-02-13T14:05", 91200, "Moteur", "P0420", "stored"),
                      ("V-03", "2026-02-13T14:05", 91200, "Moteur", "P0301", "confirmed"),
                      ("V-03", "2026-02-13T14:05", 91200, "Freins", None, None)))  # fmt: skip
    invoice = paper("Rechnung", "Seite {}")
    say(invoice, "Rechnung Nr.: 2026-118    Datum: 14.03.2026", "Kennzeichen: NH-AB 101")
    say(invoice, "km-Stand: 124.001", "")
    rows = [
        ("Pos", "Leistung", "Menge", "Betrag"),
        ("1", "Zündspule Zyl. 2 ersetzt", "1", "61,50"),
        ("2", "Fehlerspeicher gelöscht", "1", "15,00"),
        ("", "Summe netto", "", "76,50"),
        ("", "MwSt 19 %", "", "14,54"),
        ("", "Gesamtbetrag", "", "91,04"),
    ]
    bare(invoice, rows, (10, 25, 120, 160))
    yield Messy("rechnung.pdf", "de", "PDF: an invoice with taxes and sums below its lines",
                raw(invoice),
                repairs(("V-01", "2026-03-14T00:00", 124001, "Zündspule Zyl. 2 ersetzt"),
                        ("V-01", "2026-03-14T00:00", 124001, "Fehlerspeicher gelöscht")))  # fmt: skip
    cells = [
        ("Pojazd", "V-05", "V-06"),
        ("Data", "13.02.2026", "14.02.2026"),
        ("Przebieg", "91 200", "51 650"),
        ("Kod błędu", "P0301", "P0420"),
    ]
    rows_of = "".join(f"<tr>{''.join(f'<td>{c}</td>' for c in row)}</tr>" for row in cells)
    yield Messy("poziomo.html", "pl", "vehicles side by side, headings down the left",
                f"<html><meta charset='utf-8'><table>{rows_of}</table></html>".encode(),
                (), is_nothing=True)  # fmt: skip
    fleet = listed(
        "vehicles",
        [("V-11", "XZ9AA11B2C3000011", "NH-CD 11"), ("V-12", "XZ9AA11B2C3000012", "NH-CD 12")],
        "vehicle_id vin plate",
    )
    parc = [
        ["N° parc", "N° de châssis", "Immat.", "Mise en circulation", "Fin de contrat", "Km/an"],
        ["V-11", "XZ9AA11B2C3000011", "NH-CD 11", "01/07/2019", "30/06/2027", "30 000"],
        ["V-12", "XZ9AA11B2C3000012", "NH-CD 12", "15/03/2020", "14/03/2028", "25 000"],
    ]
    yield Messy("parc_2026.csv", "fr", "a vehicle list with dates of contracts", sheet(parc), fleet)


def all_files() -> Iterator[Messy]:
    """List them."""
    for each in (rooms, fleets, books, trees, reports):
        yield from each()
