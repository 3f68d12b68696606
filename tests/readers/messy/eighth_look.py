"""Ordinary files of garages, fleets and dealers, and a few where a small thing decides.

What they mean was written before any reading, by someone who had not seen the importer; one truth
was wrong and is mended: a complaint belongs to the notes.  The other languages: eighth_look_abroad.
"""

import io
import json
from collections.abc import Iterator, Sequence
from datetime import datetime

import xlsxwriter

from tests.readers.messy.files import VIN, Messy, repairs, scans, sheet, text

_MILE = 1.609344
SCAN = "vehicle_id scanned_at odometer_km ecu code status description"


def all_files() -> Iterator[Messy]:
    """By language, then those that something small decides."""
    yield from _german()
    yield from _english()
    yield from _decided()


def _miles(number: float) -> float:
    return round(number * _MILE, 1)


def book_of(*sheets: tuple[str, Sequence[Sequence[object]]], form: str = "dd/mm/yyyy") -> bytes:
    """Write a workbook; days as true dates."""
    file = io.BytesIO()
    book = xlsxwriter.Workbook(file, {"in_memory": True})
    day = book.add_format({"num_format": form})
    bold = book.add_format({"bold": True})
    for name, rows in sheets:
        page = book.add_worksheet(name)
        for down, row in enumerate(rows):
            for across, cell in enumerate(row):
                if isinstance(cell, datetime):
                    page.write_datetime(down, across, cell, day)
                elif cell not in ("", None):
                    page.write(down, across, cell, bold if down == 0 else None)
    book.close()
    return file.getvalue()


def day_of(text_of: str) -> datetime:
    """Read a day."""
    return datetime.fromisoformat(text_of)


def _german() -> Iterator[Messy]:
    bay = [
        ["Auftr.-Nr.", "Kd.-Nr.", "Kennz.", "Annahme", "Fertig", "KM", "Beanstandung", "Ausgef. Arbeit",
         "Mechaniker", "Lohn €", "Material €", "MwSt. €", "Brutto €", "nächster Service"],
        ["26-0311", "10442", "NH-AB 101", "09.03.2026", "11.03.2026", "83.120", "Motor ruckelt",
         "Zündspule Zyl. 3 erneuert", "Brenk", "64,50", "58,90", "23,45", "146,85", "09/2026"],
        ["26-0312", "10107", "NH-AB 102", "10.03.2026", "10.03.2026", "51.310", "ABS-Leuchte an",
         "Raddrehzahlsensor v.l. ersetzt", "Oske", "86,00", "1.104,20", "226,14", "1.416,34", "03/2027"],
        ["26-0315", "10442", "WX 12345", "12.03.2026", "16.03.2026", "91.205", "",
         "Radlager h.r. erneuert", "Brenk", "129,00", "74,10", "38,59", "241,69", "01/2027"],
        ["Summe", "", "", "", "", "", "", "", "", "279,50", "1.237,20", "288,18", "1.804,88", ""],
    ]  # fmt: skip
    yield Messy("hebebuehne.csv", "de",
                "work orders with days in and done, customer numbers, wages, parts, tax and gross",
                sheet(bay, encoding="cp1252"),
                repairs(("V-01", "2026-03-11T00:00", 83120, "26-0311",
                         "Motor ruckelt | Zündspule Zyl. 3 erneuert",
                         "Brenk", 64.5, 58.9, "EUR"),
                        ("V-02", "2026-03-10T00:00", 51310, "26-0312",
                         "ABS-Leuchte an | Raddrehzahlsensor v.l. ersetzt", "Oske", 86.0, 1104.2,
                         "EUR"),
                        ("V-05", "2026-03-16T00:00", 91205, "26-0315", "Radlager h.r. erneuert",
                         "Brenk", 129.0, 74.1, "EUR"),
                        names="vehicle_id repaired_at odometer_km repair_id notes technician "
                              "labour_cost part_cost currency"))  # fmt: skip
    wheels = [
        ["Fzg.", "Kennz.", "Datum", "Uhrzeit", "km", "Reifen VA", "mm VA", "Reifen HA", "mm HA",
         "Stg.", "FC", "Fehlertext", "FC-Status", "nächste HU", ""],
        ["V-01", "NH-AB 101", "13.03.26", "08:10", "83.120", "205/55 R16", "4,5", "205/55 R16", "5",
         "Motor", "p0301", "Verbrennungsaussetzer Zyl. 1", "sporadisch", "11/26", ""],
        ["V-01", "NH-AB 101", "13.03.26", "08:10", "83.120", "205/55 R16", "4,5", "205/55 R16", "5",
         "ABS", "C0035-11", "Raddrehzahlsensor VL Kurzschluss nach Masse", "Vorhanden", "11/26", ""],
        ["V-02", "NH-AB 102", "13.03.26", "10:45", "51.310", "195/65 R15", "3,1", "195/65 R15", "3,8",
         "Motor", "", "ohne Eintrag", "", "04/26", ""],
    ]  # fmt: skip
    yield Messy("raederwechsel.csv", "de",
                "tyres, treads and the next inspection beside the codes; code, text, status apart",
                sheet(wheels),
                scans(("V-01", "2026-03-13T08:10", 83120, "Motor", "P0301", "stored",
                       "Verbrennungsaussetzer Zyl. 1"),
                      ("V-01", "2026-03-13T08:10", 83120, "ABS", "C0035-11", "confirmed",
                       "Raddrehzahlsensor VL Kurzschluss nach Masse"),
                      ("V-02", "2026-03-13T10:45", 51310, "Motor", None), names=SCAN))  # fmt: skip
    heads = ["Fahrzeug", "Standort", "Erledigt am", "km-Stand", "km seit letztem Besuch", "", "Arbeit",
             "Teile-Nr.", "Menge", "Teilepreis ges. (EUR)", "Bearbeiter"]  # fmt: skip
    week_11 = [
        ["Werkstattliste KW 11"], [], heads,
        ["V-01", "Halle Nord", day_of("2026-03-10"), 83120, 4020, "", "Bremsbeläge vorn ersetzt",
         "QX 4410-2", 1, 61.4, "J. Terwin"],
        ["V-03", "Halle Süd", day_of("2026-03-12"), 71200, 8115, "", "Batterie erneuert", "QX 9001",
         1, 118, "Molch"],
    ]  # fmt: skip
    week_12 = [
        ["Werkstattliste KW 12"], [], heads,
        ["V-02", "Halle Nord", day_of("2026-03-17"), 51650, 340, "", "Glühkerzen ersetzt", "QX 0117",
         4, 96.8, "J. Terwin"],
        [],
        ["Bitte Stunden bis Freitag nachtragen!"],
    ]  # fmt: skip
    yield Messy("fuhrpark_kw11_12.xlsx", "de",
                "a sheet a week, titles, an empty column, km since the last visit, a note below",
                book_of(("KW 11", week_11), ("KW 12", week_12), form="dd.mm.yyyy"),
                repairs(("V-01", "2026-03-10T00:00", 83120, "Halle Nord", "Bremsbeläge vorn ersetzt",
                         "QX 4410-2", 1, 61.4, "EUR", "J. Terwin"),
                        ("V-03", "2026-03-12T00:00", 71200, "Halle Süd", "Batterie erneuert",
                         "QX 9001", 1, 118.0, "EUR", "Molch"),
                        ("V-02", "2026-03-17T00:00", 51650, "Halle Nord", "Glühkerzen ersetzt",
                         "QX 0117", 4, 96.8, "EUR", "J. Terwin"),
                        names="vehicle_id repaired_at odometer_km site notes part_number quantity "
                              "part_cost currency technician"))  # fmt: skip
    page = [
        "<!DOCTYPE html><html><head><meta charset='utf-8'><title>Hereinnahme</title></head><body>",
        "<h1>Hereinnahmen Gebrauchtwagen</h1><p>Bearbeitet: Frau Lindo, Platz 2</p>",
        "<table border=1><tr><th>Lager-Nr.</th><th>FIN</th><th>EK-Preis</th><th>Hereinnahme</th>",
        "<th>Diagnose am</th><th>km</th><th>System</th><th>Fehler</th><th>Reparatur gesch.</th></tr>",
        f"<tr><td>V-01</td><td>{VIN(1)}</td><td>8.900 €</td><td>02.03.2026</td>",
        "<td>05.03.2026 14:20</td><td>83.120&nbsp;km</td><td>Motor</td>",
        "<td>P0420 Katalysator Wirkung zu gering - statisch vorhanden</td><td>650 €</td></tr>",
        f"<tr><td>V-06</td><td>{VIN(6)}</td><td>12.450 €</td><td>03.03.2026</td>",
        "<td>05.03.2026 15:05</td><td>44.870&nbsp;km</td><td>Airbag</td>",
        "<td>kein Fehler</td><td>0 €</td></tr>",
        f"<tr><td>V-06</td><td>{VIN(6)}</td><td>12.450 €</td><td>03.03.2026</td>",
        "<td>05.03.2026 15:05</td><td>44.870&nbsp;km</td><td>Motor</td>",
        "<td>P0171 Gemisch zu mager - gespeichert</td><td>120 €</td></tr>",
        "</table></body></html>",
    ]
    yield Messy("uebergabe.html", "de",
                "a dealer's intake: two days, prices, code and text and status in one cell",
                text(page),
                scans(("V-01", "2026-03-05T14:20", 83120, "Motor", "P0420", "confirmed",
                       "Katalysator Wirkung zu gering"),
                      ("V-06", "2026-03-05T15:05", 44870, "Airbag", None),
                      ("V-06", "2026-03-05T15:05", 44870, "Motor", "P0171", "stored",
                       "Gemisch zu mager"), names=SCAN),
                answers={"table": "scans"})  # fmt: skip


def _english() -> Iterator[Messy]:
    jobs = [
        ["Job", "Cust. No", "Reg", "Booked", "Date Out", "Odo (miles)", "Tyre Size", "Work Carried Out",
         "Mech", "Parts GBP", "Labour GBP", "Inc VAT GBP", "Job Status", "Next Svc (miles)"],
        ["4411", "C208", "AB12 CDE", "09/03/2026", "13/03/2026", "31,250", "205/55 R16",
         "Alternator replaced", "DK", "212.40", "90.00", "362.88", "Closed", "40,000"],
        ["4412", "C017", "NH-AB 101", "10/03/2026", "13/03/2026", "51,648", "215/65 R16",
         "Thermostat replaced", "PW", "41.10", "60.00", "121.32", "CLOSED", "60,000"],
        ["4413", "C017", "NH-AB 102", "11/03/2026", "", "", "195/65 R15",
         "Fuel pump replaced", "", "180.00", "120.00", "360.00", "Quote", ""],
        ["4414", "C208", "AB12 CDE", "12/03/2026", "", "31,260", "205/55 R16",
         "Heater blower replaced", "DK", "77.00", "45.00", "146.40", "Cancelled", ""],
        ["4415", "C330", "WX 12345", "16/03/2026", "", "56,700", "225/75 R16",
         "Starter motor replaced", "PW", "", "", "", "Open", ""],
    ]  # fmt: skip
    yield Messy("service_jobs.csv", "en",
                "jobs closed, open, cancelled and quoted; tyres, next service, booked and out",
                sheet(jobs, ","),
                repairs(("V-06", "2026-03-13T00:00", _miles(31250), "4411", "Alternator replaced",
                         "DK", 212.4, 90.0, "GBP"),
                        ("V-01", "2026-03-13T00:00", _miles(51648), "4412", "Thermostat replaced",
                         "PW", 41.1, 60.0, "GBP"),
                        names="vehicle_id repaired_at odometer_km repair_id notes technician "
                              "part_cost labour_cost currency"),
                answers={"rows": "leave", "time": "Date Out"})  # fmt: skip
    depot = [
        ["FLEET NO.", "Depot", "Read On", "Odo (km)", "Km Since Last", "System", "DTC", "Fault Text",
         "State", "Count", "Driver Ref"],
        ["v-01", "Easthay", "2026-03-14 06:50", "83120", "412", "Engine", "p0301",
         "Misfire cylinder 1", "PRESENT", "12", "D-19"],
        ["v-01", "Easthay", "2026-03-14 06:50", "83120", "412", "Brakes", "c0040-1c",
         "Wheel speed sensor front right", "Intermittent", "2", "D-19"],
        ["V-02", "EASTHAY", "2026-03-14 07:15", "51650", "98", "Engine", "P0442",
         "Evap small leak", "history", "1", "D-07"],
        ["V-04", "Quarryside", "2026-03-14 07:40", "98000", "1204", "Engine", "-", "No faults", "-",
         "0", "D-22"],
    ]  # fmt: skip
    yield Messy("depot_faults.csv", "en",
                "mixed case, km since the last reading, depots, code and text and state apart",
                sheet(depot, ","),
                scans(("V-01", "2026-03-14T06:50", 83120, "Engine", "P0301", "confirmed",
                       "Misfire cylinder 1", 12),
                      ("V-01", "2026-03-14T06:50", 83120, "Brakes", "C0040-1C", "stored",
                       "Wheel speed sensor front right", 2),
                      ("V-02", "2026-03-14T07:15", 51650, "Engine", "P0442", "stored",
                       "Evap small leak", 1),
                      ("V-04", "2026-03-14T07:40", 98000, "Engine", None),
                      names=f"{SCAN} occurrences"),
                answers={"numbers": "same"})  # fmt: skip
    stock = [
        ["Forecourt check - week 11"], [],
        ["Stock No", "Reg", "Price £", "Tyres mm", "Checked", "Miles", "Module", "Code", "Type",
         "State", "MOT Due", "Remarks"],
        ["V-01", "NH-AB 101", 6995, "4/4/5/5", day_of("2026-03-13"), 51648, "Engine", "P0420", "",
         "Current", day_of("2026-09-30"), ""],
        ["V-01", "NH-AB 101", 6995, "4/4/5/5", day_of("2026-03-13"), 51648, "ABS", "C0035", "11",
         "History", day_of("2026-09-30"), "ring the auction"],
        ["V-06", "AB12 CDE", 9495, "6/6/6/6", day_of("2026-03-14"), 31250, "Engine", "No codes", "",
         "", day_of("2027-01-15"), "valet done"],
    ]  # fmt: skip
    yield Messy("stock_check.xlsx", "en",
                "a dealer's cars: prices, treads, a test due, the failure type in its own column",
                book_of(("Week 11", stock)),
                scans(("V-01", "2026-03-13T00:00", _miles(51648), "Engine", "P0420", "confirmed"),
                      ("V-01", "2026-03-13T00:00", _miles(51648), "ABS", "C0035-11", "stored"),
                      ("V-06", "2026-03-14T00:00", _miles(31250), "Engine", None)),
                answers={"table": "scans", "time": "Checked"})  # fmt: skip
    feed = {"generated": "2026-03-16", "depot": "Easthay", "vans": [
        {"fleet_no": "V-01", "read_at": "2026-03-14T07:40:00", "odometer_km": 83120,
         "km_since_last": 412, "next_service_km": 90000,
         "tyres": {"size": "215/65 R16", "front_mm": 4.1},
         "units": [
             {"unit": "Engine", "fault_count": 1, "faults": [
                 {"code": "P0301", "text": "Misfire cylinder 1", "state": "present", "count": 3}]},
             {"unit": "Brakes", "fault_count": 0, "faults": []}]},
        {"fleet_no": "V-05", "read_at": "2026-03-15T06:20:00", "odometer_km": 91205,
         "km_since_last": 77, "next_service_km": 100000,
         "tyres": {"size": "225/75 R16", "front_mm": 6},
         "units": [
             {"unit": "Engine", "fault_count": 2, "faults": [
                 {"code": "P0101", "text": "Air mass range", "state": "pending", "count": 1},
                 {"code": "P0234", "text": "Overboost", "state": "past", "count": 5}]}]},
    ]}  # fmt: skip
    yield Messy("van_feed.json", "en",
                "three distances a van, tyres, a count beside an empty list of faults",
                json.dumps(feed, indent=1).encode(),
                scans(("V-01", "2026-03-14T07:40", 83120, "Engine", "P0301", "confirmed",
                       "Misfire cylinder 1", 3),
                      ("V-01", "2026-03-14T07:40", 83120, "Brakes", None),
                      ("V-05", "2026-03-15T06:20", 91205, "Engine", "P0101", "pending",
                       "Air mass range", 1),
                      ("V-05", "2026-03-15T06:20", 91205, "Engine", "P0234", "stored",
                       "Overboost", 5), names=f"{SCAN} occurrences"))  # fmt: skip
    prices = [
        ["Workshop price list - valid from 01/03/2026"], [],
        ["Part No", "Description", "For Fault", "Price GBP", "Labour GBP", "In Stock"],
        ["QX-4410", "Ignition coil", "P0351", "58.90", "45.00", "12"],
        ["QX-7731", "Wheel speed sensor", "C0035", "74.10", "60.00", "3"],
        ["QX-9001", "Battery", "", "118.00", "20.00", "7"],
        ["Prices subject to change"],
    ]  # fmt: skip
    yield Messy("price_list.csv", "en",
                "parts with prices and the fault each is for: no vehicle, no work", sheet(prices, ","),
                (), is_nothing=True)  # fmt: skip


def _decided() -> Iterator[Messy]:
    """Files in which a legend, a heading, a total or another column decides."""
    letters = [
        ["Véhicule", "Date", "Km", "Calc.", "Code", "Ét.", "Pneus"],
        ["V-03", "13/03/2026", "90 455", "Moteur", "P0420", "A", "195/65 R15"],
        ["V-03", "13/03/2026", "90 455", "ABS", "C0035-11", "N", "195/65 R15"],
        ["V-04", "16/03/2026", "98 020", "Moteur", "P0171", "A", "205/55 R16"],
        ["V-01", "16/03/2026", "83 120", "Moteur", "aucun", "", "205/55 R16"],
        ["", "", "", "", "", "", ""],
        ["Ét. : A = ancien (mémorisé, plus présent) ; N = nouveau (présent)", "", "", "", "", "", ""],
    ]  # fmt: skip
    yield Messy("releve_lettres.csv", "fr",
                "A looks like actif; a legend below says ancien, and N is the present one",
                sheet(letters),
                scans(("V-03", "2026-03-13T00:00", 90455, "Moteur", "P0420", "stored"),
                      ("V-03", "2026-03-13T00:00", 90455, "ABS", "C0035-11", "confirmed"),
                      ("V-04", "2026-03-16T00:00", 98020, "Moteur", "P0171", "stored"),
                      ("V-01", "2026-03-16T00:00", 83120, "Moteur", None)))  # fmt: skip
    each = [
        ["Job No", "Vehicle", "Done", "Odometer km", "Work", "Part No", "Part Price", "Qty", "Labour",
         "Total GBP"],
        ["J-701", "V-01", "2026-03-13", "83120", "Spark plugs replaced", "QX-3100", "14.50", "4",
         "60.00", "118.00"],
        ["J-702", "V-02", "2026-03-14", "51650", "Front brake discs replaced", "QX-4470", "39.00", "2",
         "85.00", "163.00"],
        ["J-703", "V-05", "2026-03-16", "91205", "Thermostat replaced", "QX-3318", "41.10", "1",
         "60.00", "101.10"],
    ]  # fmt: skip
    yield Messy("part_price.csv", "en",
                "a part's price is of one piece: only so do the totals add up", sheet(each, ","),
                repairs(("V-01", "2026-03-13T00:00", 83120, "J-701", "Spark plugs replaced", "QX-3100",
                         4, 58.0, 60.0, "GBP"),
                        ("V-02", "2026-03-14T00:00", 51650, "J-702", "Front brake discs replaced",
                         "QX-4470", 2, 78.0, 85.0, "GBP"),
                        ("V-05", "2026-03-16T00:00", 91205, "J-703", "Thermostat replaced", "QX-3318",
                         1, 41.1, 60.0, "GBP"),
                        names="vehicle_id repaired_at odometer_km repair_id notes part_number "
                              "quantity part_cost labour_cost currency"))  # fmt: skip
    driven = [
        ["Van", "Date", "Odometer", "Driven since last (km)", "Module", "DTC"],
        ["V-01", "2026-03-02", "51000", "", "Engine", "P0301"],
        ["V-01", "2026-03-09", "51250", "402", "Engine", "none"],
        ["V-02", "2026-03-02", "32400", "", "Engine", "none"],
        ["V-02", "2026-03-09", "32520", "193", "Engine", "P0420"],
        ["V-02", "2026-03-16", "32700", "290", "Engine", "P0420"],
    ]
    yield Messy("since_last.csv", "en",
                "no unit at the odometer; what was driven in km shows that it counts miles",
                sheet(driven, ","),
                scans(("V-01", "2026-03-02T00:00", _miles(51000), "Engine", "P0301"),
                      ("V-01", "2026-03-09T00:00", _miles(51250), "Engine", None),
                      ("V-02", "2026-03-02T00:00", _miles(32400), "Engine", None),
                      ("V-02", "2026-03-09T00:00", _miles(32520), "Engine", "P0420"),
                      ("V-02", "2026-03-16T00:00", _miles(32700), "Engine", "P0420"),
                      names="vehicle_id scanned_at odometer_km ecu code"))  # fmt: skip
    weekday = [
        ["Coche", "Fecha", "Día", "Km", "Centralita", "Avería", "Estado"],
        ["V-04", "03/10/2026", "martes", "98020", "Motor", "P0420", "presente"],
        ["V-03", "03/11/2026", "miércoles", "90455", "Motor", "sin averías", ""],
        ["V-01", "04/02/2026", "jueves", "83120", "Frenos", "C0035-11", "histórico"],
    ]
    yield Messy("lecturas_dia.csv", "es",
                "a Spanish list with the month first, as the weekdays beside show", sheet(weekday),
                scans(("V-04", "2026-03-10T00:00", 98020, "Motor", "P0420", "confirmed"),
                      ("V-03", "2026-03-11T00:00", 90455, "Motor", None),
                      ("V-01", "2026-04-02T00:00", 83120, "Frenos", "C0035-11", "stored")))  # fmt: skip
    active = [
        "Odczyt skrócony: tylko usterki aktywne w chwili badania, pamięć usterek nieczytana;;;;;",
        ";;;;;",
        "Pojazd;Data;Przebieg [km];Sterownik;Kod usterki;Nast. serwis",
        "V-05;13.03.2026;91 205;Silnik;P0301;09.2026",
        "V-05;13.03.2026;91 205;ABS;brak;09.2026",
        "V-02;16.03.2026;51 650;Silnik;brak;10.2026",
    ]
    yield Messy("odczyt_skrocony.csv", "pl",
                "a line above says that only active faults were read, the memory was not",
                text(active, "cp1250"),
                scans(("V-05", "2026-03-13T00:00", 91205, "Silnik", "P0301", "active_only"),
                      ("V-05", "2026-03-13T00:00", 91205, "ABS", None, "active_only"),
                      ("V-02", "2026-03-16T00:00", 51650, "Silnik", None, "active_only"),
                      names="vehicle_id scanned_at odometer_km ecu code memory"),
                answers={"encoding": "cp1250"})  # fmt: skip
    stars = [
        ["Auftrag", "Fahrzeug", "Datum", "km-Stand", "Arbeit", "Lohn EUR", "Teile EUR"],
        ["A-61", "V-01", "13.03.2026", "83.120", "Zündkerzen erneuert", "45,00", "38,00"],
        [
            "A-61",
            "V-01",
            "13.03.2026",
            "83.120",
            "Bremsscheiben vorn erneuert *",
            "110,00",
            "142,00",
        ],
        ["A-62", "V-02", "16.03.2026", "51.650", "Thermostat ersetzt", "60,00", "41,10"],
        ["A-63", "V-05", "16.03.2026", "91.205", "Anlasser ersetzt *", "90,00", "205,00"],
        ["Summe", "", "", "", "", "105,00", "79,10"],
        ["* = nur angeboten, vom Kunden nicht beauftragt", "", "", "", "", "", ""],
    ]
    yield Messy("sternchen.csv", "de",
                "a star is work only offered, so a line below; the sum leaves it out", sheet(stars),
                repairs(("V-01", "2026-03-13T00:00", 83120, "A-61", "Zündkerzen erneuert", 45.0, 38.0,
                         "EUR"),
                        ("V-02", "2026-03-16T00:00", 51650, "A-62", "Thermostat ersetzt", 60.0, 41.1,
                         "EUR"),
                        names="vehicle_id repaired_at odometer_km repair_id notes labour_cost "
                              "part_cost currency"),
                answers={"rows": "leave"})  # fmt: skip
