"""Exports of further strange shapes, from German garages and English desks: their truth was set down by one who had not seen the reader.

Times that name a zone are meant in UTC, all others as they are written.
"""

import datetime as dt
from collections.abc import Iterator

from tests.readers.messy.delimited import ALL
from tests.readers.messy.files import Messy, repairs, scans, sheet, text
from tests.readers.workbooks import xlsx

_MILE = 1.609344
_ORDERS = "vehicle_id repaired_at odometer_km notes repair_id"


def garages() -> Iterator[Messy]:
    """From German garages: tables."""
    plates = [
        ["Amtl. Kennz.", "Auslesung", "Wegstrecke km", "System", "Fehlercode", "Fehlerart"],
        ["D NH-AB 101", "13.02.2026 09:05", "123.456", "Motor", "p 0301", "sporadisch"],
        ["nh ab101", "20.02.2026 09:10", "123.900", "Motor", "P-0301", "sporadisch"],
        ["NH - AB 102", "21.02.2026 10:00", "98.020", "Bremse", "C 0035", "gespeichert"],
        ["D-NH AB 102", "28.02.2026 10:00", "98.400", "Bremse", "i.O.", ""],
    ]
    yield Messy("kennzeichen_bunt.csv", "de", "plates with a country, codes with blanks and dashes",
                sheet(plates, encoding="cp1252"),
                scans(("V-01", "2026-02-13T09:05", 123456, "Motor", "P0301", "stored"),
                      ("V-01", "2026-02-20T09:10", 123900, "Motor", "P0301", "stored"),
                      ("V-02", "2026-02-21T10:00", 98020, "Bremse", "C0035", "stored"),
                      ("V-02", "2026-02-28T10:00", 98400, "Bremse", None, None)))  # fmt: skip
    both = [
        ["Auftrag", "Fahrzeug", "Datum", "km Annahme", "km Abgabe", "Fehlerspeicher bei Annahme"],
        ["26-118", "V-01", "13.02.2026", "123.456", "123.471", "P0171+P0174"],
        ["26-119", "V-02", "14.02.2026", "98.020", "98.026", "leer"],
    ]
    yield Messy("annahme_abgabe.csv", "de", "two distances and one date, codes joined by plus",
                sheet(both),
                scans(("V-01", "2026-02-13T00:00", 123456, ALL, "P0171"),
                      ("V-01", "2026-02-13T00:00", 123456, ALL, "P0174"),
                      ("V-02", "2026-02-14T00:00", 98020, ALL, None)))  # fmt: skip
    orders = [
        ["Auftrags-Nr.", "Kennzeichen", "Auftragsdatum", "KM", "Arbeitsposition", "Menge", "ME",
         "Netto EUR", "Status"],
        ["26-201", "NH-AB 101", "03.03.2026", "124.001", "Zündspule Zyl. 1 ersetzt", "1,00", "Stk",
         "61,50", "erledigt"],
        ["26-201", "NH-AB 101", "03.03.2026", "124.001", "Masseleitung erneuert", "0,80", "Std",
         "72,00", "erledigt"],
        ["26-202", "NH-AB 102", "04.03.2026", "98.500", "Radsensor vorn ersetzt", "1,00", "Stk",
         "1.048,90", "storniert"],
        ["26-203", "NH-AB 102", "10.03.2026", "98.640", "Bremsflüssigkeit gewechselt", "1,00", "l",
         "18,00", "erledigt"],
    ]  # fmt: skip
    yield Messy("auftraege_storno.csv", "de", "a cancelled order, hours and pieces and litres",
                sheet(orders),
                repairs(("V-01", "2026-03-03T00:00", 124001, "Zündspule Zyl. 1 ersetzt", "26-201"),
                        ("V-01", "2026-03-03T00:00", 124001, "Masseleitung erneuert", "26-201"),
                        ("V-02", "2026-03-10T00:00", 98640, "Bremsflüssigkeit gewechselt",
                         "26-203"),
                        names=_ORDERS),
                answers={"table": "repairs", "rows": "leave"})  # fmt: skip
    dos = [
        ["Fahrzeug", "Prüfdatum", "Kilometer", "Steuergerät", "Fehlercode", "Zustand"],
        ["V-01", "13.02.2026", "123456", "Türsteuergerät", "U0100", "gespeichert"],
        ["V-02", "14.02.2026", "98020", "Getriebe", "P0730", "sporadisch"],
    ]
    yield Messy("dos_export.csv", "de", "letters as an old DOS program wrote them, code page 850",
                sheet(dos, encoding="cp850"),
                scans(("V-01", "2026-02-13T00:00", 123456, "Türsteuergerät", "U0100", "stored"),
                      ("V-02", "2026-02-14T00:00", 98020, "Getriebe", "P0730", "stored")))  # fmt: skip


def halls() -> Iterator[Messy]:
    """From German garages: a report in lines and a wide workbook."""
    lines = [
        "FEHLERSPEICHER-PROTOKOLL",
        "Fahrzeug:       V-01",
        "Ausgelesen am:  13.02.2026 um 14:05 Uhr",
        "Kilometerstand: 123.456 km",
        "",
        "Motorsteuerung",
        "--------------",
        "P0301  Verbrennungsaussetzer Zylinder 1   gespeichert",
        "    Umgebungsdaten zum Fehler:",
        "    Datum: 10.02.2026 07:31   km-Stand: 123.310",
        "    Drehzahl: 812 1/min   Kühlmittel: 21 °C",
        "P0420  Katalysator, Wirkung zu gering     sporadisch",
        "    Umgebungsdaten zum Fehler:",
        "    Datum: 12.02.2026 17:02   km-Stand: 123.402",
        "    Drehzahl: 2150 1/min   Kühlmittel: 88 °C",
        "",
        "Bremsen",
        "-------",
        "Kein Fehler gespeichert",
        "",
        "Klima",
        "-----",
        "Kein Fehler gespeichert",
        "",
        "Ende des Protokolls",
    ]
    yield Messy("pruefprotokoll.txt", "de", "frozen data below each code, with their own distance",
                "\r\n".join(lines).encode("utf-8-sig"),
                scans(("V-01", "2026-02-13T14:05", 123456, "Motorsteuerung", "P0301", "stored"),
                      ("V-01", "2026-02-13T14:05", 123456, "Motorsteuerung", "P0420", "stored"),
                      ("V-01", "2026-02-13T14:05", 123456, "Bremsen", None, None),
                      ("V-01", "2026-02-13T14:05", 123456, "Klima", None, None)),
                answers={"odometer": "kilometerstand"})  # fmt: skip
    head = [
        "Lfd.\nNr.", "Standort", "Kosten-\nstelle", "Kenn-\nzeichen", "Erst-\nzulassung",
        "HU\nfällig", "Prüf-\ndatum", "Kilometer-\nstand", "nächster Ölwechsel\nbei km",
        "Profil VL\n[mm]", "Profil VR\n[mm]", "Profil HL\n[mm]", "Profil HR\n[mm]",
        "Batterie\n[V]", "Fehler-\ncode 1", "Fehler-\ncode 2", "Fehler-\ncode 3", "Prüfer",
    ]  # fmt: skip
    first, due = dt.datetime(2019, 7, 1), dt.datetime(2026, 7, 31)  # noqa: DTZ001
    one, two = dt.datetime(2026, 2, 13), dt.datetime(2026, 2, 14)  # noqa: DTZ001
    wide = {
        "Fuhrpark": [
            head,
            [1, "Nord", 4100, "NH-AB 101", first, due, one, 123456, 135000,
             5.5, 5.4, 6.1, 6.0, 12.4, "P0301", "P0420", None, "ke"],
            [2, "Süd", 4200, "NH-AB 102", first, due, two, 98020, 110000,
             4.1, 4.0, 4.8, 4.9, 12.6, "keine", None, None, "ke"],
            ["Anzahl Fahrzeuge: 2", *[None] * 17],
        ]
    }  # fmt: skip
    yield Messy("fuhrpark_breit.xlsx", "de", "headings broken within words, other dates and km",
                xlsx(wide),
                scans(("V-01", "2026-02-13T00:00", 123456, ALL, "P0301"),
                      ("V-01", "2026-02-13T00:00", 123456, ALL, "P0420"),
                      ("V-02", "2026-02-14T00:00", 98020, ALL, None)))  # fmt: skip


def desks() -> Iterator[Messy]:
    """From English desks: tables."""
    zones = [
        ["Vehicle", "Read at", "Odometer (km)", "Module", "Code", "State"],
        ["V-01", "Mar 14, 2026 09:05 PM CET", "83,120", "Engine", "P0301", "Pending"],
        ["V-02", "Apr 2, 2026 12:15 AM CEST", "51,650", "Brakes", "C0035", "History"],
        ["V-03", "Apr 2, 2026 12:40 PM CEST", "71,200", "Engine", "No codes", ""],
    ]
    yield Messy("zone_names.csv", "en", "a clock of twelve hours, zones by name, round midnight",
                sheet(zones, ","),
                scans(("V-01", "2026-03-14T20:05", 83120, "Engine", "P0301", "pending"),
                      ("V-02", "2026-04-01T22:15", 51650, "Brakes", "C0035", "stored"),
                      ("V-03", "2026-04-02T10:40", 71200, "Engine", None, None)))  # fmt: skip
    log = [
        "# gateway export, all times UTC",
        "# period 2026-03-01 to 2026-03-31",
        "vehicle,time_utc,odo_mi,unit,dtc,state",
        "V-01,2026-03-14 10:00:00,51650.5,Engine,P0301,stored",
        "# V-02,2026-03-14 10:20:00,44100.0,Engine,P0420,stored",
        "# the line above is withdrawn: wrong vehicle on the cable",
        "V-02,2026-03-15 11:00:00,44110.0,Engine,P0171,pending",
        "# link lost 11:05, back 11:40",
        "V-02,2026-03-15 11:00:00,44110.0,Brakes,,",
        "# end of file, 3 rows",
    ]
    yield Messy("gateway_log.csv", "en", "remarks between the rows, one of them a withdrawn row",
                text(log),
                scans(("V-01", "2026-03-14T10:00", 51650.5 * _MILE, "Engine", "P0301", "stored"),
                      ("V-02", "2026-03-15T11:00", 44110 * _MILE, "Engine", "P0171", "pending"),
                      ("V-02", "2026-03-15T11:00", 44110 * _MILE, "Brakes", None, None)),
                answers={"no-code": "clean"})  # fmt: skip
    frozen = [
        ["Vehicle", "FF date", "FF odometer km", "FF rpm", "FF coolant C", "FF speed km/h",
         "Scan date", "Scan odometer km", "Module", "DTC", "DTC status"],
        ["V-01", "2026-03-10 07:31", "83007", "812", "21", "0",
         "2026-03-14 10:00", "83120", "Engine", "P0301", "stored"],
        ["V-01", "2026-03-12 17:02", "83066", "2150", "88", "64",
         "2026-03-14 10:00", "83120", "Engine", "P0420", "pending"],
        ["V-01", "", "", "", "", "", "2026-03-14 10:00", "83120", "ABS", "none", ""],
    ]  # fmt: skip
    yield Messy("freeze_frames.csv", "en", "the freeze frame's date and distance before the scan's",
                sheet(frozen, ","),
                scans(("V-01", "2026-03-14T10:00", 83120, "Engine", "P0301", "stored"),
                      ("V-01", "2026-03-14T10:00", 83120, "Engine", "P0420", "pending"),
                      ("V-01", "2026-03-14T10:00", 83120, "ABS", None, None)),
                answers={"time": "Scan date", "odometer": "Scan odometer km"})  # fmt: skip
    pasted = [
        "Vehicle,Date,Odometer km,Module,DTC,Status",
        "V-01,2026-03-14 10:00,83120,Engine,P0301,stored",
        "V-02,2026-03-14 10:30,51650,Brakes,C0035,stored",
        "",
        "DTC,Status,Module,Vehicle,Odometer mi,Date",
        "P0420,pending,Engine,V-03,44100,2026-03-15 09:00",
        "U0100,stored,Body,V-04,30250,2026-03-15 09:40",
    ]
    yield Messy("two_exports_pasted.csv", "en", "a second export below, other order, other unit",
                text(pasted),
                scans(("V-01", "2026-03-14T10:00", 83120, "Engine", "P0301", "stored"),
                      ("V-02", "2026-03-14T10:30", 51650, "Brakes", "C0035", "stored"),
                      ("V-03", "2026-03-15T09:00", 44100 * _MILE, "Engine", "P0420", "pending"),
                      ("V-04", "2026-03-15T09:40", 30250 * _MILE, "Body", "U0100", "stored")))  # fmt: skip


def yards() -> Iterator[Messy]:
    """From English yards: what a table hides, and what is no reading."""
    quoted = [
        '"Vehicle,Date,Odometer (km),Module,DTC,Description"',
        '"V-01,2026-03-14 10:00,""83,120"",Engine,P0301,""Misfire, cylinder 1"""',
        '"V-02,2026-03-15 11:00,""51,650"",Brakes,C0035,""Wheel sensor, front"""',
    ]
    yield Messy("outer_quotes.csv", "en", "each line as a whole within quotes, saved twice",
                text(quoted),
                scans(("V-01", "2026-03-14T10:00", 83120, "Engine", "P0301"),
                      ("V-02", "2026-03-15T11:00", 51650, "Brakes", "C0035")))  # fmt: skip
    short = [
        ["Vehicle", "Date", "Odometer km", "DTC"],
        ["V-01", "10/11/12", "83120", "P0301"],
        ["V-02", "09/10/11", "51650", "C0035"],
        ["V-03", "11/12/10", "71200", "P0420"],
    ]
    yield Messy("short_days.csv", "en", "days of three small numbers: any of them may be the year",
                sheet(short, ","), (), is_nothing=True)  # fmt: skip
    plan = {
        "Week 12": [
            ["Workshop plan, calendar week 12", None, None, None, None],
            ["Unit", "Planned for", "Odometer km", "Work planned", "Bay"],
            ["V-01", dt.datetime(2026, 3, 16), 83120, "Replace coil cylinder 1", 2],  # noqa: DTZ001
            ["V-02", dt.datetime(2026, 3, 17), 51650, "Replace front pads", 1],  # noqa: DTZ001
        ]
    }
    yield Messy("plan_week_12.xlsx", "en", "nothing but planned work", xlsx(plan),
                (), is_nothing=True)  # fmt: skip


def all_files() -> Iterator[Messy]:
    """List them."""
    for each in (garages, halls, desks, yards):
        yield from each()
