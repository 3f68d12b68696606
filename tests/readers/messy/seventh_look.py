"""Thirty more exports of new shapes and mixtures: what they mean was written before any reading.

Their writer had not seen the importer.  Changed since are the words in which a person answers, and
one thing of the truths: a code that is present now is *confirmed* in the plain layout (*active* is
what J1939 calls it), as in every file before.
"""

import io
import json
from collections.abc import Iterator, Mapping, Sequence
from datetime import date

import xlsxwriter

from tests.readers.messy.files import VIN, Messy, clears, listed, repairs, scans, sheet, text

_SCAN = "vehicle_id scanned_at odometer_km ecu code"
_READ = "vehicle_id scanned_at odometer_km"
_WORK = "vehicle_id repaired_at odometer_km notes repair_id"


def _km(miles: float) -> float:
    return round(miles * 1.609344, 1)


def _book(sheets: Mapping[str, Sequence[Sequence[object]]], *merged: tuple[str, str]) -> bytes:
    """Write a workbook; merged names a sheet and a range of it."""
    file = io.BytesIO()
    book = xlsxwriter.Workbook(file, {"in_memory": True})
    day = book.add_format({"num_format": "dd.mm.yyyy"})
    for name, rows in sheets.items():
        page = book.add_worksheet(name)
        for of, cells in merged:
            if of == name:
                page.merge_range(cells, "")
        for at, row in enumerate(rows):
            for beside, cell in enumerate(row):
                if isinstance(cell, date):
                    page.write_datetime(at, beside, cell, day)
                elif cell is not None:
                    page.write(at, beside, cell)
    book.close()
    return file.getvalue()


def all_files() -> Iterator[Messy]:
    """By language."""
    yield from _german()
    yield from _english()
    yield from _french()
    yield from _spanish()
    yield from _polish()


def _german() -> Iterator[Messy]:
    months = [
        ["Kilometerstände 1. Quartal 2026", None, None, None, None],
        ["Stand jeweils am Monatsletzten, abgelesen durch die Fahrer", None, None, None, None],
        [],
        ["Fzg-Nr.", "Kennz.", "Monat", "km-Stand", "davon im Monat gefahren"],
        ["V-01", "NH-AB 101", "01/2026", 124001, 1210],
        [None, None, "02/2026", 125480, 1479],
        [None, None, "03/2026", 126902, 1422],
        ["V-03", "AA-103-BB", "01/2026", 71200, 640],
        [None, None, "02/2026", 71955, 755],
        [None, None, "03/2026", 72810, 855],
        ["Summe", None, None, None, 6361],
    ]
    yield Messy("monatsblatt.xlsx", "de",
                "a row for each vehicle and month, the day (last of the month) told above, merged",
                _book({"Q1 2026": months}, ("Q1 2026", "A1:E1"), ("Q1 2026", "A2:E2"),
                      ("Q1 2026", "A5:A7"), ("Q1 2026", "B5:B7"),
                      ("Q1 2026", "A8:A10"), ("Q1 2026", "B8:B10")),
                scans(("V-01", "2026-01-31T00:00", 124001), ("V-01", "2026-02-28T00:00", 125480),
                      ("V-01", "2026-03-31T00:00", 126902), ("V-03", "2026-01-31T00:00", 71200),
                      ("V-03", "2026-02-28T00:00", 71955), ("V-03", "2026-03-31T00:00", 72810),
                      names=_READ))  # fmt: skip
    turn = [
        "Diagnosebuch Halle 2", "Zeitraum: 15.12.2025 bis 31.01.2026", "",
        "Fahrzeug;Tag;km;Steuergerät;Fehler",
        "V-01;18.12.;122.640;Motor;P0301",
        "V-02;22.12.;97.310;Bremse;kein Fehler",
        "V-03;07.01.;70.880;Motor;P0420",
        "V-01;19.01.;123.700;Motor;kein Fehler",
    ]  # fmt: skip
    yield Messy("jahreswechsel.csv", "de",
                "days without a year; the period above says 2025 for December, 2026 after",
                text(turn),
                scans(("V-01", "2025-12-18T00:00", 122640, "Motor", "P0301"),
                      ("V-02", "2025-12-22T00:00", 97310, "Bremse", None),
                      ("V-03", "2026-01-07T00:00", 70880, "Motor", "P0420"),
                      ("V-01", "2026-01-19T00:00", 123700, "Motor", None), names=_SCAN))  # fmt: skip
    lights = """<!DOCTYPE html><html lang="de"><head><meta charset="utf-8"><title>Ankaufscheck</title>
</head><body><h1>Ankaufscheck</h1><p>Gedruckt am 20.02.2026</p><table>
<tr><th>Steuergerät</th><th>Ampel</th><th>Fehlercode</th></tr>
<tr><th colspan="3">NH-AB 101 &middot; ausgelesen 13.02.2026 09:30 &middot; 124.001 km</th></tr>
<tr><td>Motor</td><td>&#x1F534;</td><td>P0301, P0420</td></tr>
<tr><td>ABS</td><td>&#x1F7E2;</td><td>&ndash;</td></tr>
<tr><td>Airbag</td><td>&#x26AA;</td><td>keine Kommunikation</td></tr>
<tr><th colspan="3">AA-103-BB &middot; ausgelesen 13.02.2026 10:15 &middot; 71.200 km</th></tr>
<tr><td>Motor</td><td>&#x1F7E2;</td><td>&ndash;</td></tr>
<tr><td>ABS</td><td>&#x1F534;</td><td>C0035</td></tr>
<tr><td colspan="3">&#x1F534; Fehler &nbsp; &#x1F7E2; ohne Fehler &nbsp; &#x26AA; nicht erreichbar</td></tr>
</table></body></html>
"""
    yield Messy("ampel.html", "de",
                "one table, a vehicle's facts in a spanning sub-heading, traffic lights, a legend",
                lights.encode(),
                (*scans(("V-01", "2026-02-13T09:30", 124001, "Motor", "P0301"),
                        ("V-01", "2026-02-13T09:30", 124001, "Motor", "P0420"),
                        ("V-01", "2026-02-13T09:30", 124001, "ABS", None),
                        ("V-03", "2026-02-13T10:15", 71200, "Motor", None),
                        ("V-03", "2026-02-13T10:15", 71200, "ABS", "C0035"), names=_SCAN),
                 *scans(("V-01", "2026-02-13T09:30", 124001, "Airbag", None, "no_answer"),
                        names=_SCAN + " ecu_response")))  # fmt: skip
    counter = [
        ["Prüfliste Fahrzeuge und Arbeitsmaschinen, Februar 2026"],
        ["Gerät", "Datum", "Zählerstand", "Einheit", "Steuergerät", "Fehlercode"],
        ["V-01", "13.02.2026", "124.001", "km", "Motor", "P0301"],
        ["V-04", "13.02.2026", "3.412,5", "Bh", "Motor", "SPN 110 FMI 3"],
        ["V-05", "16.02.2026", "1.208,0", "Bh", "Hydraulik", "ohne Fehler"],
        ["V-02", "17.02.2026", "98.020", "km", "Motor", "ohne Fehler"],
    ]
    yield Messy("zaehler.csv", "de", "one column of counters, km or hours (Bh) by the unit beside it",
                sheet(counter),
                (*scans(("V-01", "2026-02-13T00:00", 124001, None, "Motor", "P0301"),
                        ("V-04", "2026-02-13T00:00", None, 3412.5, "Motor", "SPN 110 FMI 3"),
                        ("V-05", "2026-02-16T00:00", None, 1208, "Hydraulik", None),
                        ("V-02", "2026-02-17T00:00", 98020, None, "Motor", None),
                        names="vehicle_id scanned_at odometer_km engine_hours ecu code"),))  # fmt: skip
    trucks = [
        ["Fahrzeug", "Art", "Datum", "km", "System", "SPN", "FMI", "OC", "St."],
        ["V-01", "Zugmaschine", "13.02.2026", "624.001", "Motor", "100", "4", "3", "1"],
        ["V-01", "Zugmaschine", "13.02.2026", "624.001", "Motor", "4334", "18", "1", "2"],
        ["V-01", "Zugmaschine", "13.02.2026", "624.001", "Getriebe", "-", "-", "-", "-"],
        ["V-02", "Auflieger", "13.02.2026", "", "EBS", "1045", "7", "12", "1"],
        ["V-03", "Auflieger", "16.02.2026", "", "EBS", "-", "-", "-", "-"],
    ]
    yield Messy("sattelzug.csv", "de",
                "SPN and FMI apart, trailers without a distance, a status of 1 and 2 told nowhere",
                sheet(trucks, encoding="cp1252"),
                scans(("V-01", "2026-02-13T00:00", 624001, "Motor", "SPN 100 FMI 4", 3),
                      ("V-01", "2026-02-13T00:00", 624001, "Motor", "SPN 4334 FMI 18", 1),
                      ("V-01", "2026-02-13T00:00", 624001, "Getriebe", None, None),
                      ("V-02", "2026-02-13T00:00", None, "EBS", "SPN 1045 FMI 7", 12),
                      ("V-03", "2026-02-16T00:00", None, "EBS", None, None),
                      names=_SCAN + " occurrences"),
                )  # fmt: skip
    jobs = [
        ["Werkstattliste KW 7 (intern)"],
        ["AW = Arbeitswerte, 12 AW = 1 Std.; Preise netto in EUR"],
        [],
        ["Auftr.-Nr.", "Kd.-Nr.", "Kennz.", "Annahme", "Fertig", "km", "Beanst. / FS-Eintrag",
         "Ausgef. Arbeiten", "AW", "ET-Nr.", "Teile netto"],
        ["26-0411", "40117", "NH-AB 101", "11.02.26", "13.02.26", "124.001",
         "MKL an, ruckelt, P0301", "Zündspule Zyl. 1 ers.", "6", "ZS-4410", "58,90"],
        ["26-0412", "40117", "NH-AB 102", "12.02.26", "12.02.26", "98.020",
         "ABS-Lampe, C0035", "Raddrehzahlsensor VL ern.", "9", "RS 7731-L", "44,10"],
        ["26-0415", "38002", "AA-103-BB", "12.02.26", "16.02.26", "71.200",
         "quietscht beim Bremsen", "Bremsbeläge vo. ern.", "14", "BB-20.118", "1.071,30"],
        ["", "", "", "", "", "", "", "Gesamt", "29", "", "1.174,30"],
    ]  # fmt: skip
    yield Messy("kw7.csv", "de",
                "complaint and code in one cell, abbreviations, in and done dates, customer numbers",
                sheet(jobs),
                repairs(("V-01", "2026-02-13T00:00", 124001, "Zündspule Zyl. 1 ers.", "26-0411",
                         "P0301", "ZS-4410", 58.9),
                        ("V-02", "2026-02-12T00:00", 98020, "Raddrehzahlsensor VL ern.", "26-0412",
                         "C0035", "RS 7731-L", 44.1),
                        ("V-03", "2026-02-16T00:00", 71200, "Bremsbeläge vo. ern.", "26-0415",
                         None, "BB-20.118", 1071.3),
                        names=_WORK + " codes part_number part_cost"))  # fmt: skip
    stock = [
        ["Bestandsliste Verkauf", None, None, None, None, None, None, None, None],
        ["Lfd.", "Int.-Nr.", "Kd.-Nr. Vorbes.", "FIN", "Kennz.", "Bezeichnung", "EZ", "Zugang",
         "Status"],
        ["Transporter", None, None, None, None, None, None, None, None],
        [1, "B-1041", 40117, VIN(7), "NH-KL 41", "Kastenwagen L2H2", "05/2021", "12.01.2026",
         "Bestand"],
        [2, "B-1042", 38002, VIN(8), None, "Pritsche", "11/2019", "19.01.2026", "verkauft"],
        ["Motorräder", None, None, None, None, None, None, None, None],
        [3, "B-1043", 40250, VIN(9), "NH-M 7", "Reiseenduro", "03/2022", "02.02.2026",
         "Bestand"],
        ["Anzahl", 3, None, None, None, None, None, None, None],
    ]  # fmt: skip
    yield Messy("bestand.xlsx", "de",
                "a dealer's stock: sub-headings by kind, four columns that look like a number",
                _book({"Bestand": stock}, ("Bestand", "A1:I1"), ("Bestand", "A3:I3"),
                      ("Bestand", "A6:I6")),
                listed("vehicles",
                       (("B-1041", VIN(7), "NH-KL 41", "2026-01-12", "in_stock"),
                        ("B-1042", VIN(8), None, "2026-01-19", "sold"),
                        ("B-1043", VIN(9), "NH-M 7", "2026-02-02", "in_stock")),
                       "vehicle_id vin plate acquired_on stock_status"),
                answers={"heads": "kind"})  # fmt: skip
    sites = {
        "Halle Nord": [
            ["Fahrzeug", "Datum", "km-Stand", "Steuergerät", "Fehlercode"],
            ["V-01", "03.02.2026", "124.001", "Motor", "P0301"],
            ["V-02", "04.02.2026", "98.020", "Bremse", "kein Fehler"],
        ],
        "UK depot": [
            ["Reg", "Date (dd/mm/yyyy)", "Odometer (mi)", "Module", "DTC"],
            ["AB12 CDE", "03/02/2026", "51,650", "Engine", "P0420"],
            ["AB12 CDE", "05/02/2026", "51,702", "Brakes", "none"],
        ],
    }
    yield Messy("standorte.xlsx", "de",
                "two sheets, two languages, other headings, km on one and miles on the other",
                _book(sites),
                scans(("V-01", "2026-02-03T00:00", 124001, "Motor", "P0301"),
                      ("V-02", "2026-02-04T00:00", 98020, "Bremse", None),
                      ("V-06", "2026-02-03T00:00", _km(51650), "Engine", "P0420"),
                      ("V-06", "2026-02-05T00:00", _km(51702), "Brakes", None),
                      names=_SCAN),
                answers={"sheets": "stop"})  # fmt: skip


def _english() -> Iterator[Messy]:
    cards = [
        ["Job cards - period 1 to 28 Feb 2026 - all states"],
        ["Job", "Rev", "Reg", "Booked", "Completed", "Collected", "Mileage (mi)",
         "Work carried out", "State"],
        ["J-701", "A", "AB12 CDE", "09/02/2026", "13/02/2026", "14/02/2026", "51,650",
         "Wheel bearing renewed front left", "Invoiced"],
        ["J-702", "A", "NH-AB 102", "10/02/2026", "", "", "",
         "Alternator to be renewed", "Cancelled - customer no show"],
        ["J-703", "A", "AA-103-BB", "12/02/2026", "16/02/2026", "16/02/2026", "44,240",
         "Front brake discs renewed", "Superseded by rev B"],
        ["J-703", "B", "AA-103-BB", "12/02/2026", "16/02/2026", "16/02/2026", "44,240",
         "Front brake discs and pads renewed", "Invoiced"],
        ["J-701", "A", "AB12 CDE", "09/02/2026", "13/02/2026", "14/02/2026", "51,650",
         "Wheel bearing renewed front left", "Invoiced (reprint)"],
        ["J-704", "A", "NH-AB 101", "17/02/2026", "", "", "77,052",
         "EGR valve renewed", "Estimate only"],
    ]  # fmt: skip
    yield Messy("job_cards.csv", "en",
                "booked, completed, collected; a cancelled one, a revision, a reprint, an estimate",
                sheet(cards, ","),
                repairs(("V-06", "2026-02-13T00:00", _km(51650),
                         "Wheel bearing renewed front left", "J-701"),
                        ("V-03", "2026-02-16T00:00", _km(44240),
                         "Front brake discs and pads renewed", "J-703"), names=_WORK),
                answers={"rows": "leave"})  # fmt: skip
    faults = [
        ["Fleet no", "Date", "Odometer km", "ECU", "Code", "St"],
        ["V-01", date(2026, 2, 13), 83120, "Engine", "P0301", "P"],
        ["V-01", date(2026, 2, 13), 83120, "Engine", "P0420", "H"],
        ["V-01", date(2026, 2, 13), 83120, "Brakes", None, "T"],
        ["V-02", date(2026, 2, 16), 51650, "Brakes", "C0035", "P"],
        ["V-02", date(2026, 2, 16), 51650, "Airbag", None, "N"],
    ]
    key = [
        ["St", "Meaning"],
        ["P", "present (active at the time of reading)"],
        ["H", "history (stored, not active)"],
        ["T", "unit tested, no fault"],
        ["N", "unit did not answer"],
    ]
    yield Messy("fault_sheet.xlsx", "en",
                "status P looks like pending or permanent; a second sheet says it is present",
                _book({"Faults": faults, "Key": key}),
                (*scans(("V-01", "2026-02-13T00:00", 83120, "Engine", "P0301", "confirmed"),
                        ("V-01", "2026-02-13T00:00", 83120, "Engine", "P0420", "stored"),
                        ("V-01", "2026-02-13T00:00", 83120, "Brakes", None, None),
                        ("V-02", "2026-02-16T00:00", 51650, "Brakes", "C0035", "confirmed")),
                 *scans(("V-02", "2026-02-16T00:00", 51650, "Airbag", None, "no_answer"),
                        names=_SCAN + " ecu_response")))  # fmt: skip
    reads = [
        "Unit,Read at,Odo (mi),Driver ID,Site",
        '"V-01","3/13/26 12:05 AM","51,650","1042","North gate"',
        '"V-02","3/13/26 12:30 PM","60,910","1017","North gate"',
        '"V-03","3/4/26 1:15 PM","44,240","1042","South gate"',
        '"V-01","3/14/26 9:40 PM","51,871","1042","South gate"',
        '"V-02","2/30/26 8:00 AM","60,402","1017","North gate"',
    ]
    yield Messy("gate_reads.csv", "en",
                "twelve-hour times in the cell, 12:05 AM is just after midnight; month first;"
                " a day that never was",
                text(reads, end="\n"),
                scans(("V-01", "2026-03-13T00:05", _km(51650)),
                      ("V-02", "2026-03-13T12:30", _km(60910)),
                      ("V-03", "2026-03-04T13:15", _km(44240)),
                      ("V-01", "2026-03-14T21:40", _km(51871)), names=_READ), refused=1)  # fmt: skip
    mail = [
        "From: yard@depot.example",
        "To: fleet@office.example",
        "Date: Tue, 17 Mar 2026 08:12:00 +0000",
        "Subject: Re: Odometer readings 16 March - correction",
        "MIME-Version: 1.0",
        "Content-Type: text/plain; charset=utf-8",
        "",
        "Morning,",
        "digits were swapped in two readings of yesterday's list, please use this one instead.",
        "",
        "Vehicle | Read on | Odometer",
        "V-01 | 16/03/2026 | 83,120 km",
        "V-02 | 16/03/2026 | 51,650 km",
        "V-06 | 16/03/2026 | 60,910 mi",
        "",
        "Yard office",
        "",
        "> Vehicle | Read on | Odometer",
        "> V-01 | 16/03/2026 | 83,210 km",
        "> V-02 | 16/03/2026 | 56,150 km",
        "> V-06 | 16/03/2026 | 60,910 mi",
    ]
    yield Messy("re_readings.eml", "en",
                "an e-mail that corrects a list; the old list is quoted below with >",
                text(mail),
                scans(("V-01", "2026-03-16T00:00", 83120), ("V-02", "2026-03-16T00:00", 51650),
                      ("V-06", "2026-03-16T00:00", _km(60910)), names=_READ))  # fmt: skip
    frames = [
        [None, None, None, None, None, "Freeze frame", None, None, None, "At read-out", None, None],
        ["Vehicle", "Read at", "ECU", "DTC", "Status", "RPM", "Speed km/h", "Coolant °C",
         "Dist. with MIL on km", "Dist. since codes cleared km", "Odometer km", "Battery V"],
        ["V-01", "2026-03-14 09:10", "Engine", "P0301", "confirmed", 2140, 64, 88, 112, 1840,
         83120, 12.4],
        ["V-01", "2026-03-14 09:10", "Engine", "P0420", "pending", 1810, 92, 90, 112, 1840,
         83120, 12.4],
        ["V-02", "2026-03-14 10:02", "Engine", "no DTC", None, None, None, None, 0, 6020,
         51650, 12.7],
    ]  # fmt: skip
    yield Messy("freeze_columns.xlsx", "en",
                "merged groups of headings, freeze-frame columns, three distances, one the odometer",
                _book({"Readout": frames}, ("Readout", "F1:I1"), ("Readout", "J1:L1")),
                (*scans(("V-01", "2026-03-14T09:10", 83120, "Engine", "P0301", "confirmed", 1840),
                        ("V-01", "2026-03-14T09:10", 83120, "Engine", "P0420", "pending", 1840),
                        ("V-02", "2026-03-14T10:02", 51650, "Engine", None, None, 6020),
                        names=_SCAN + " status distance_since_clear_km"),))  # fmt: skip
    visits = [
        ["Visit", "Reg", "Cust", "Date in", "Km", "Control unit", "Fault codes"],
        ["V-01", "AB12 CDE", "C-104", "2026-03-02", "83120", "Engine", "P0301 P0302"],
        ["V-02", "NH-AB 101", "C-033", "2026-03-02", "124001", "Brakes", "none"],
        ["V-03", "AB12 CDE", "C-104", "2026-03-09", "83410", "Engine", "none"],
        ["V-04", "NH-AB 101", "C-033", "2026-03-10", "124260", "Brakes", "C0035"],
    ]
    yield Messy("visits.csv", "en",
                "V-01 to V-04 are numbers of visits, not of vehicles: the plates decide",
                sheet(visits, ","),
                scans(("V-06", "2026-03-02T00:00", 83120, "Engine", "P0301"),
                      ("V-06", "2026-03-02T00:00", 83120, "Engine", "P0302"),
                      ("V-01", "2026-03-02T00:00", 124001, "Brakes", None),
                      ("V-06", "2026-03-09T00:00", 83410, "Engine", None),
                      ("V-01", "2026-03-10T00:00", 124260, "Brakes", "C0035"),
                      names=_SCAN))  # fmt: skip
    ledger = [
        ["Workshop ledger, February 2026", "", "", "", "", "", "", "", ""],
        ["Amounts in GBP excl. VAT; (brackets) are reductions", "", "", "", "", "", "", "", ""],
        ["Inv no", "Reg", "Work date", "Inv date", "Miles", "Description", "Parts", "Labour",
         "Goodwill"],
        ["I-2201", "AB12 CDE", "13-Feb-26", "28-Feb-26", "51,650",
         "Injectors renewed", " £1,240.50 ", " £310.00 ", " (£120.00)"],
        ["I-2202", "NH-AB 102", "16-Feb-26", "28-Feb-26", "60,910",
         "Software update gearbox control unit", " -   ", " £85.00 ", " -   "],
        ["I-2203", "AA-103-BB", "17-Feb-26", "28-Feb-26", "44,240",
         "Starter motor renewed", " £188.00 ", " £92.50 ", " -   "],
        ["", "", "", "", "", "", " £1,428.50 ", " £487.50 ", " (£120.00)"],
    ]  # fmt: skip
    yield Messy("ledger.csv", "en",
                "accounting format: dash for nought, brackets below nought, work and invoice dates",
                sheet(ledger, ","),
                (*repairs(("V-06", "2026-02-13T00:00", _km(51650), "Injectors renewed", "I-2201",
                           310, "GBP", 1240.5),
                          ("V-03", "2026-02-17T00:00", _km(44240), "Starter motor renewed",
                           "I-2203", 92.5, "GBP", 188),
                          names=_WORK + " labour_cost currency part_cost"),
                 *repairs(("V-02", "2026-02-16T00:00", _km(60910),
                           "Software update gearbox control unit", "I-2202", 85, "GBP"),
                          names=_WORK + " labour_cost currency")))  # fmt: skip


def _french() -> Iterator[Messy]:
    bikes = [
        ["N° OR", "Immat.", "Date", "Km", "Code défaut", "Réf. pièce", "Travaux effectués", "Qté",
         "PU HT €", "Montant HT €"],
        ["M-310", "AA-103-BB", "13/02/2026", "18 240", "", "P0420", "Plaquettes avant remplacées",
         "2", "21,50", "43,00"],
        ["M-311", "NH-AB 101", "16/02/2026", "9 905", "C0035", "B1200",
         "Capteur de vitesse arrière remplacé", "1", "64,90", "64,90"],
        ["M-312", "AA-103-BB", "27/02/2026", "18 610", "", "C1234-11", "Batterie remplacée", "1",
         "89,00", "89,00"],
        ["", "", "", "", "", "", "Total HT", "", "", "196,90"],
    ]  # fmt: skip
    yield Messy("atelier_motos.csv", "fr",
                "motorbikes; part numbers that look like codes beside a real code column",
                sheet(bikes, encoding="cp1252"),
                repairs(("V-03", "2026-02-13T00:00", 18240, "Plaquettes avant remplacées", "M-310",
                         None, "P0420", 2, 43),
                        ("V-01", "2026-02-16T00:00", 9905, "Capteur de vitesse arrière remplacé",
                         "M-311", "C0035", "B1200", 1, 64.9),
                        ("V-03", "2026-02-27T00:00", 18610, "Batterie remplacée", "M-312",
                         None, "C1234-11", 1, 89),
                        names=_WORK + " codes part_number quantity part_cost"))  # fmt: skip
    wiped = [
        {"vehicule": "AA-103-BB", "horodatage": "2026-02-13T09:12:00+01:00", "km": 90120,
         "operation": "effacement mémoire défauts", "calculateur": "Moteur", "resultat": "réussi"},
        {"vehicule": "AA-103-BB", "horodatage": "2026-02-13T09:13:30+01:00", "km": 90120,
         "operation": "effacement mémoire défauts", "calculateur": "ABS",
         "resultat": "échec : conditions non remplies"},
        {"vehicule": "NH-AB 101", "horodatage": "2026-02-16T14:40:00+01:00", "km": 70210,
         "operation": "effacement mémoire défauts", "calculateur": "ABS", "resultat": "réussi"},
    ]  # fmt: skip
    yield Messy("effacements.jsonl", "fr",
                "a log of clearing where one attempt failed: its memory was not cleared",
                text([json.dumps(one, ensure_ascii=False) for one in wiped], end="\n"),
                clears(("V-03", "2026-02-13T08:12", 90120, "Moteur"),
                       ("V-01", "2026-02-16T13:40", 70210, "ABS"),
                       names="vehicle_id cleared_at odometer_km ecu"),
                answers={"rows": "leave"})  # fmt: skip
    kinds = [
        "# Export atelier - ordres de réparation terminés - montants HT en EUR",
        "# 10 = en-tête : n° OR ; immatriculation ; date de fin ; kilométrage",
        "# 20 = ligne : n° OR ; travaux effectués ; code défaut ; réf. pièce ; montant pièces",
        "# 90 = fin : nombre d'OR ; nombre de lignes ; total pièces",
        "10;OR-811;AA-103-BB;13/02/2026;90 120",
        "20;OR-811;Remplacement sonde lambda amont;P0130;SL-220;142,50",
        "20;OR-811;Nettoyage vanne EGR;P0401;;",
        "10;OR-812;NH-AB 101;16/02/2026;70 210",
        "20;OR-812;Remplacement alternateur;;AL-905;310,00",
        "90;2;3;452,50",
    ]
    yield Messy("or_lignes.txt", "fr",
                "records of three kinds, told by their first cell; their columns told above",
                text(kinds),
                repairs(("V-03", "2026-02-13T00:00", 90120, "Remplacement sonde lambda amont",
                         "OR-811", "P0130", "SL-220", 142.5),
                        ("V-03", "2026-02-13T00:00", 90120, "Nettoyage vanne EGR",
                         "OR-811", "P0401", None, None),
                        ("V-01", "2026-02-16T00:00", 70210, "Remplacement alternateur",
                         "OR-812", None, "AL-905", 310),
                        names=_WORK + " codes part_number part_cost"))  # fmt: skip
    dotted = [
        "COMPTE RENDU DE LECTURE", "=======================",
        "Véhicule ................ AA-103-BB",
        "Date et heure ........... 13/02/2026 à 9 h 05",
        "Kilométrage ............. 90 120 km",
        "Prochaine révision ...... 105 000 km",
        "Moteur .................. P0420 (présent)",
        "                          P0130 (mémorisé)",
        "ABS ..................... aucun défaut",
        "Airbag .................. pas de réponse",
        "",
        "Véhicule ................ NH-AB 101",
        "Date et heure ........... 13/02/2026 à 10 h 40",
        "Kilométrage ............. 70 050 km",
        "Prochaine révision ...... 80 000 km",
        "Moteur .................. aucun défaut",
        "ABS ..................... C0035 (présent)",
        "",
        "Fin du compte rendu - 2 véhicules",
    ]  # fmt: skip
    yield Messy("lecture_points.txt", "fr",
                "dotted lines between names and values, two vehicles, a second code below the first",
                text(dotted, encoding="cp1252"),
                (*scans(("V-03", "2026-02-13T09:05", 90120, "Moteur", "P0420", "confirmed"),
                        ("V-03", "2026-02-13T09:05", 90120, "Moteur", "P0130", "stored"),
                        ("V-03", "2026-02-13T09:05", 90120, "ABS", None, None),
                        ("V-01", "2026-02-13T10:40", 70050, "Moteur", None, None),
                        ("V-01", "2026-02-13T10:40", 70050, "ABS", "C0035", "confirmed")),
                 *scans(("V-03", "2026-02-13T09:05", 90120, "Airbag", None, "no_answer"),
                        names=_SCAN + " ecu_response")))  # fmt: skip
    card = [
        ["N° carte", "Immat.", "Date transaction", "Heure", "Km saisi", "Produit", "Litres",
         "Montant TTC", "Date facture", "Statut"],
        ["700412", "AA-103-BB", "13/02/2026", "07:48", "901200", "Gazole", "52,10", "86,49",
         "28/02/2026", "annulée"],
        ["700412", "AA-103-BB", "13/02/2026", "07:50", "90120", "Gazole", "52,10", "86,49",
         "28/02/2026", "validée"],
        ["700413", "NH-AB 101", "16/02/2026", "18:05", "70210", "Gazole", "41,75", "69,31",
         "28/02/2026", "validée"],
        ["700413", "NH-AB 101", "18/02/2026", "12:20", "0", "Lavage", "", "14,00",
         "28/02/2026", "validée"],
        ["700412", "AA-103-BB", "24/02/2026", "07:55", "90755", "Gazole", "48,90", "81,17",
         "28/02/2026", "validée"],
    ]  # fmt: skip
    yield Messy("carte.csv", "fr",
                "fuel card: a cancelled entry with a wrong distance entered again, 0 for a car wash",
                sheet(card),
                scans(("V-03", "2026-02-13T07:50", 90120), ("V-01", "2026-02-16T18:05", 70210),
                      ("V-03", "2026-02-24T07:55", 90755), names=_READ),
                answers={"table": "odometer", "rows": "leave",
                         "time": "Date transaction"})  # fmt: skip


def _spanish() -> Iterator[Messy]:
    bills = [
        ["Factura", "Fecha factura", "Fecha trabajo", "Matrícula", "Km", "Trabajo realizado",
         "Recambios €", "Observaciones"],
        ["F-101", "14/02/2026", "12/02/2026", "1104 BCD", "98.000", "Sustitución bomba de agua",
         "240,00", ""],
        ["F-102", "16/02/2026", "13/02/2026", "NH-AB 101", "70.050",
         "Sustitución sensor de rueda delantero izquierdo", "44,10", ""],
        ["R-007", "20/02/2026", "12/02/2026", "1104 BCD", "98.000", "Sustitución bomba de agua",
         "-240,00", "Rectificativa: anula F-101 por error de precio"],
        ["F-118", "20/02/2026", "12/02/2026", "1104 BCD", "98.000", "Sustitución bomba de agua",
         "210,00", "Reemplaza a F-101"],
    ]  # fmt: skip
    yield Messy("rectificativa.csv", "es",
                "an invoice, its credit note and the invoice in its place: one piece of work",
                sheet(bills),
                repairs(("V-01", "2026-02-13T00:00", 70050,
                         "Sustitución sensor de rueda delantero izquierdo", "F-102", 44.1),
                        ("V-04", "2026-02-12T00:00", 98000, "Sustitución bomba de agua",
                         "F-118", 210), names=_WORK + " part_cost"),
                answers={"time": "Fecha trabajo"})  # fmt: skip
    vans = """<?xml version="1.0" encoding="UTF-8"?>
<!-- unidades del odómetro: hm = cientos de metros -->
<lecturas generado="2026-02-20T18:00:00">
 <furgon matricula="1104 BCD" fecha="2026-02-13T09:10:00">
  <odometro unidad="hm">521303</odometro><autonomia unidad="km">184</autonomia><carga unidad="%">71</carga>
  <centralita nombre="Batería de tracción">
   <averia codigo="P0A0F" estado="presente"/><averia codigo="P0A80" estado="memorizada"/>
  </centralita>
  <centralita nombre="Cargador"><sin_averias/></centralita>
 </furgon>
 <furgon matricula="AA-103-BB" fecha="2026-02-13T11:25:00">
  <odometro unidad="hm">190047</odometro><autonomia unidad="km">92</autonomia><carga unidad="%">38</carga>
  <centralita nombre="Inversor"><averia codigo="P0A3F" estado="presente"/></centralita>
 </furgon>
</lecturas>
"""
    yield Messy("furgones_electricos.xml", "es",
                "electric vans; the odometer in hundreds of metres, the range in km",
                vans.encode(),
                (*scans(("V-04", "2026-02-13T09:10", 52130.3, "Batería de tracción", "P0A0F",
                         "confirmed"),
                        ("V-04", "2026-02-13T09:10", 52130.3, "Batería de tracción", "P0A80",
                         "stored"),
                        ("V-04", "2026-02-13T09:10", 52130.3, "Cargador", None, None),
                        ("V-03", "2026-02-13T11:25", 19004.7, "Inversor", "P0A3F",
                         "confirmed")),))  # fmt: skip
    fleet = [
        ["RELACIÓN DE VEHÍCULOS", None, None, None, None],
        ["Datos a 28/02/2026", None, None, None, None],
        ["Nº interno", "Matrícula", "Bastidor", "Clase", "Nº cliente"],
        ["Delegación Norte", None, None, None, None],
        ["V-01", "NH-AB 101", VIN(1), "Furgón", 40117],
        ["V-11", "4411 FGH", VIN(7), "Furgón", 40117],
        ["Delegación Sur", None, None, None, None],
        ["V-12", "4412 FGH", VIN(8), "Remolque", 40118],
        ["V-13", "s/m", VIN(9), "Carretilla", 40118],
        ["Total vehículos", 4, None, None, None],
    ]
    yield Messy("relacion_delegaciones.xlsx", "es",
                "a vehicle list with merged sub-headings by site, s/m (no plate), a count below",
                _book({"Relación": fleet}, ("Relación", "A1:E1"), ("Relación", "A2:E2"),
                      ("Relación", "A4:E4"), ("Relación", "A7:E7")),
                listed("vehicles",
                       (("V-01", VIN(1), "NH-AB 101", "Delegación Norte"),
                        ("V-11", VIN(7), "4411 FGH", "Delegación Norte"),
                        ("V-12", VIN(8), "4412 FGH", "Delegación Sur"),
                        ("V-13", VIN(9), None, "Delegación Sur")),
                       "vehicle_id vin plate site"))  # fmt: skip
    empty = {
        "informe": "Lecturas de taller",
        "lecturas": [
            {"vehiculo": "V-01", "fecha": "2026-02-13 09:10", "km": 70050,
             "resultado": "completada",
             "centralitas": [{"nombre": "Motor", "averias": []},
                             {"nombre": "ABS", "averias": [
                                 {"codigo": "C0035", "estado": "presente"}]}]},
            {"vehiculo": "V-02", "fecha": "2026-02-13 09:40", "km": None,
             "resultado": "interrumpida",
             "observacion": "conexión perdida antes de leer las memorias",
             "centralitas": [{"nombre": "Motor", "averias": []},
                             {"nombre": "ABS", "averias": []}]},
            {"vehiculo": "V-03", "fecha": "2026-02-13 10:15", "km": 90120,
             "resultado": "completada",
             "centralitas": [{"nombre": "Motor", "averias": []},
                             {"nombre": "ABS", "averias": []}]},
        ],
    }  # fmt: skip
    yield Messy("lecturas_vacias.json", "es",
                "empty lists are clean units, but not those of a reading that broke off",
                json.dumps(empty, ensure_ascii=False, indent=1).encode(),
                scans(("V-01", "2026-02-13T09:10", 70050, "Motor", None, None),
                      ("V-01", "2026-02-13T09:10", 70050, "ABS", "C0035", "confirmed"),
                      ("V-03", "2026-02-13T10:15", 90120, "Motor", None, None),
                      ("V-03", "2026-02-13T10:15", 90120, "ABS", None, None)),
                answers={"rows": "leave"})  # fmt: skip
    driven = [
        ["Consumo mensual por vehículo"],
        ["Km = kilómetros recorridos en el mes"],
        ["Matrícula", "Mes", "Km", "Litros", "l/100 km"],
        ["1104 BCD", "31/01/2026", "2.410", "198,4", "8,2"],
        ["1104 BCD", "28/02/2026", "1.985", "161,0", "8,1"],
        ["NH-AB 101", "31/01/2026", "3.120", "270,5", "8,7"],
        ["NH-AB 101", "28/02/2026", "2.874", "252,1", "8,8"],
    ]
    yield Messy("consumo.csv", "es",
                "Km is the distance driven in the month, no odometer: nothing to load",
                sheet(driven), (), answers={"distance": "driven"}, is_nothing=True)  # fmt: skip


def _polish() -> Iterator[Messy]:
    typed = [
        "RAPORT DIAGNOSTYCZNY", "",
        "Pojazd: WX 12345", "Data: 13.02.2026 10:20", "Przebieg: 91 200 km", "",
        "[Silnik]",
        "  U0121  bajt typu usterki 87   oczekujący   brak komunikacji z ABS",
        "  P0301  bajt typu usterki 1C   potwierdzony wypadanie zapłonów cyl. 1",
        "[ABS]",
        "  C0035  bajt typu usterki 11   potwierdzony czujnik koła, zwarcie do masy",
        "[Poduszki powietrzne]",
        "  brak usterek", "",
        "Wydrukowano: 16.02.2026", "Strona 1 z 1",
    ]  # fmt: skip
    yield Messy("raport_bajt.txt", "pl",
                "a report in sections, the byte of the failure's type in words behind each code",
                text(typed, encoding="cp1250"),
                (*scans(("V-05", "2026-02-13T10:20", 91200, "Silnik", "U0121-87", "pending"),
                        ("V-05", "2026-02-13T10:20", 91200, "Silnik", "P0301-1C", "confirmed"),
                        ("V-05", "2026-02-13T10:20", 91200, "ABS", "C0035-11", "confirmed"),
                        ("V-05", "2026-02-13T10:20", 91200, "Poduszki powietrzne", None,
                         None)),))  # fmt: skip
    books = {
        "Wykonane": [
            ["Nr zlecenia", "Nr rej.", "Data wykonania", "Przebieg km", "Czynność"],
            ["Z/26/041", "WX 12345", date(2026, 2, 13), 91200, "Wymiana świec żarowych"],
            ["Z/26/043", "1104 BCD", date(2026, 2, 16), 98000, "Wymiana czujnika ABS przód lewy"],
            ["Razem zleceń", 2],
        ],
        "Zaplanowane": [
            ["Nr zlecenia", "Nr rej.", "Termin", "Przebieg km", "Czynność"],
            ["Z/26/050", "WX 12345", date(2026, 3, 20), 91500, "Wymiana rozrusznika"],
        ],
        "Cennik": [
            ["Czynność", "Cena netto zł"],
            ["Wymiana świec żarowych", 320],
            ["Wymiana rozrusznika", 280],
        ],
    }
    yield Messy("zlecenia_arkusze.xlsx", "pl",
                "three sheets: work done, work planned (like headings), a list of prices",
                _book(books),
                repairs(("V-05", "2026-02-13T00:00", 91200, "Wymiana świec żarowych", "Z/26/041"),
                        ("V-04", "2026-02-16T00:00", 98000, "Wymiana czujnika ABS przód lewy",
                         "Z/26/043"), names=_WORK),
                answers={"sheets": "leave"})  # fmt: skip
    crossed = [
        ["Sterownik", "Kod", "WX 12345", "1104 BCD", "NH-AB 101"],
        ["", "Data odczytu", "13.02.2026", "14.02.2026", "14.02.2026"],
        ["", "Przebieg km", "91 200", "98 000", "124 001"],
        ["Silnik", "P0301", "aktywny", "", "zapisany"],
        ["Silnik", "P0420", "", "aktywny", ""],
        ["Hamulce", "C0035", "aktywny", "zapisany", ""],
        ["Hamulce", "C0040", "", "", "aktywny"],
    ]
    yield Messy("przestawna.csv", "pl",
                "a pivoted table: vehicles as headings, codes down the side, the status within",
                sheet(crossed),
                (*scans(("V-05", "2026-02-13T00:00", 91200, "Silnik", "P0301", "active"),
                        ("V-05", "2026-02-13T00:00", 91200, "Hamulce", "C0035", "active"),
                        ("V-04", "2026-02-14T00:00", 98000, "Silnik", "P0420", "active"),
                        ("V-04", "2026-02-14T00:00", 98000, "Hamulce", "C0035", "stored"),
                        ("V-01", "2026-02-14T00:00", 124001, "Silnik", "P0301", "stored"),
                        ("V-01", "2026-02-14T00:00", 124001, "Hamulce", "C0040",
                         "active")),))  # fmt: skip
    states = [
        ["Zestawienie zleceń serwisowych", None, None, None, None, None, None],
        ["Zlecenie", "Pojazd", "Data przyjęcia", "Data wydania", "Przebieg [km]", "Naprawa",
         "Stan"],
        ["S-71", "V-05", "12.02.2026", "16.02.2026", "91 200", "Wymiana pompy wody", "wydane"],
        ["S-72", "V-04", "13.02.2026", "17.02.2026", "98 000", "Wymiana alternatora", "wydane"],
        ["S-73", "V-02", "16.02.2026", None, "51 900", "Wymiana wtryskiwaczy", "w toku"],
        ["S-74", "V-03", "16.02.2026", "16.02.2026", "90 100", "Wymiana termostatu",
         "anulowane (rezygnacja klienta)"],
    ]  # fmt: skip
    yield Messy("zestawienie_stany.xlsx", "pl",
                "taken in and given back, neither the day of the work; one in progress, one cancelled",
                _book({"Zlecenia": states}, ("Zlecenia", "A1:G1")),
                repairs(("V-05", "2026-02-16T00:00", 91200, "Wymiana pompy wody", "S-71"),
                        ("V-04", "2026-02-17T00:00", 98000, "Wymiana alternatora", "S-72"),
                        names=_WORK),
                answers={"time": "Data wydania", "rows": "leave"})  # fmt: skip
    trailers = """<?xml version="1.0" encoding="windows-1250"?>
<naczepy>
  <naczepa nr="V-05"><odczyt data="13-02-2026" godzina="7:05">
    <licznik_piasty jedn="km">312 400</licznik_piasty>
    <blok nazwa="EBS"><![CDATA[SPN 1045 FMI 7; SPN 792 FMI 3]]></blok>
    <blok nazwa="TPMS"><brak_usterek/></blok></odczyt></naczepa>
  <naczepa nr="V-04"><odczyt data="13-02-2026" godzina="14:30">
    <licznik_piasty jedn="km">205 118</licznik_piasty>
    <blok nazwa="EBS"><brak_usterek/></blok></odczyt></naczepa>
</naczepy>
"""
    yield Messy("naczepy.xml", "pl",
                "trailers: a hub's counter in km, codes joined within CDATA, clean units",
                trailers.encode("cp1250"),
                scans(("V-05", "2026-02-13T07:05", 312400, "EBS", "SPN 1045 FMI 7"),
                      ("V-05", "2026-02-13T07:05", 312400, "EBS", "SPN 792 FMI 3"),
                      ("V-05", "2026-02-13T07:05", 312400, "TPMS", None),
                      ("V-04", "2026-02-13T14:30", 205118, "EBS", None), names=_SCAN))  # fmt: skip
