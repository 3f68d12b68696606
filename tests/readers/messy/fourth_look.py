"""Twelve exports of shapes the corpus lacked: what they mean was written before they were read."""

import io
import json
from collections.abc import Iterator

import xlsxwriter

from tests.readers.messy.files import Messy, repairs, scans, sheet, text
from tests.readers.workbooks import xlsx

_ORDERS = "vehicle_id repaired_at odometer_km notes repair_id"


def tables() -> Iterator[Messy]:
    """Delimited text."""
    twice = [
        ["Fahrzeug", "Datum", "km-Stand", "Steuergerät", "Fehlercode"],
        ["Vehicle", "Date", "Odometer km", "Module", "DTC"],
        ["V-01", "13.02.2026", "123.456", "Motor", "P0301"],
        ["V-02", "14.02.2026", "98.020", "Bremse", "kein Fehler"],
    ]
    yield Messy("zweisprachig.csv", "de", "headings in two languages, one below the other",
                sheet(twice),
                scans(("V-01", "2026-02-13T00:00", 123456, "Motor", "P0301"),
                      ("V-02", "2026-02-14T00:00", 98020, "Bremse", None)))  # fmt: skip
    sums = [
        ["Véhicule", "N° OR", "Date", "Km", "Travaux", "Montant"],
        ["V-03", "OR-401", "12/01/2026", "90 100", "Remplacement bobine", "61,50"],
        ["V-03", "OR-401", "12/01/2026", "90 100", "Nettoyage connecteur", "24,00"],
        ["V-03", "Sous-total", "", "", "", "85,50"],
        ["V-01", "OR-402", "19/01/2026", "70 050", "Remplacement capteur roue", "84,00"],
        ["V-01", "Sous-total", "", "", "", "84,00"],
        ["", "Total général", "", "", "", "169,50"],
    ]
    yield Messy("sous_totaux.csv", "fr", "a sum below each vehicle, in the order's column",
                sheet(sums),
                repairs(("V-03", "2026-01-12T00:00", 90100, "Remplacement bobine", "OR-401"),
                        ("V-03", "2026-01-12T00:00", 90100, "Nettoyage connecteur", "OR-401"),
                        ("V-01", "2026-01-19T00:00", 70050, "Remplacement capteur roue", "OR-402"),
                        names=_ORDERS),
                answers={"blank-vehicle": "refuse"})  # fmt: skip
    thin = [
        ["Matrícula", "Fecha", "Kilómetros", "Centralita", "Avería"],
        ["1104 BCD", "14/03/2026", "98\u2009000", "Motor", "P0420"],
        ["1104 BCD", "21/03/2026", "98\u2009310", "Motor", "sin averías"],
    ]
    yield Messy("espacio_fino.csv", "es", "thin blanks part thousands", sheet(thin),
                scans(("V-04", "2026-03-14T00:00", 98000, "Motor", "P0420"),
                      ("V-04", "2026-03-21T00:00", 98310, "Motor", None)))  # fmt: skip
    letters = [
        ["Vehicle", "Date", "Odometer km", "Module", "DTC"],
        ["V-01", "2026-03-14", "83120", "Engine", "PO3O1"],
        ["V-02", "2026-03-15", "51650", "Engine", "P0420"],
        ["V-03", "2026-03-16", "71200", "Brakes", "CO035"],
    ]
    yield Messy("letter_o.csv", "en", "codes with the letter O for the figure 0",
                sheet(letters, ","),
                scans(("V-01", "2026-03-14T00:00", 83120, "Engine", "P0301"),
                      ("V-02", "2026-03-15T00:00", 51650, "Engine", "P0420"),
                      ("V-03", "2026-03-16T00:00", 71200, "Brakes", "C0035")))  # fmt: skip
    hours = [
        ["Maszyna", "Data", "Motogodziny", "Sterownik", "Kod usterki"],
        ["V-05", "13.02.2026", "1820,25", "Silnik", "SPN 100 FMI 4"],
        ["V-05", "20.02.2026", "1838,5", "Silnik", "brak"],
    ]
    yield Messy("motogodziny.csv", "pl", "hours with fractions, no distance",
                sheet(hours, encoding="cp1250"),
                scans(("V-05", "2026-02-13T00:00", 1820.25, "Silnik", "SPN 100 FMI 4"),
                      ("V-05", "2026-02-20T00:00", 1838.5, "Silnik", None),
                      names="vehicle_id scanned_at engine_hours ecu code"))  # fmt: skip


def orders() -> Iterator[Messy]:
    """Work orders."""
    credit = [
        ["Auftrag", "Belegart", "Fahrzeug", "Datum", "km", "Arbeit", "Betrag EUR"],
        ["26-301", "Rechnung", "V-01", "03.03.2026", "124.001", "Zündspule ersetzt", "61,50"],
        ["26-302", "Rechnung", "V-02", "04.03.2026", "98.500", "Radsensor ersetzt", "48,90"],
        ["26-301", "Gutschrift", "V-01", "09.03.2026", "124.001", "Zündspule ersetzt", "-61,50"],
    ]
    yield Messy("gutschrift.csv", "de", "a credit note among the invoices", sheet(credit),
                repairs(("V-01", "2026-03-03T00:00", 124001, "Zündspule ersetzt", "26-301"),
                        ("V-02", "2026-03-04T00:00", 98500, "Radsensor ersetzt", "26-302"),
                        names=_ORDERS),
                answers={"rows": "leave"})  # fmt: skip
    lines = [
        ["Ordre", "Immat.", "Date", "Kilométrage", "Travaux effectués"],
        ["OR-1", "AA-103-BB", "12/01/2026", "90 100", "Remplacement bobine ;\ncylindre 1 ;\nessai"],
        ["OR-2", "NH-AB 101", "23/01/2026", "70 050", 'Nettoyage vanne "EGR" ;\r\nessai'],
    ]
    yield Messy("lignes.csv", "fr", "line breaks, marks and quotes within cells", sheet(lines),
                repairs(("V-03", "2026-01-12T00:00", 90100, "OR-1"),
                        ("V-01", "2026-01-23T00:00", 70050, "OR-2"),
                        names="vehicle_id repaired_at odometer_km repair_id"))  # fmt: skip
    polish = [
        "Nr zlecenia;Pojazd;Data;Przebieg;Czynność;Części zł;Robocizna zł",
        "Z/1;V-05;13.02.2026;91 200 km;Wymiana świec żarowych;120,00;80,00",
        "Z/1;V-05;13.02.2026;91 200 km;Wymiana świec żarowych;60,00;40,00",
        "Z/2;V-04;14.02.2026;98 000 km;Łożysko koła, wymiana;210,00;150,00",
    ]
    yield Messy("swiece.csv", "pl", "Windows-1250, two lines that differ in their amounts only",
                text(polish, "cp1250"),
                repairs(("V-05", "2026-02-13T00:00", 91200, 120, 80, "Z/1"),
                        ("V-05", "2026-02-13T00:00", 91200, 60, 40, "Z/1"),
                        ("V-04", "2026-02-14T00:00", 98000, 210, 150, "Z/2"),
                        names="vehicle_id repaired_at odometer_km part_cost labour_cost repair_id"))  # fmt: skip


def others() -> Iterator[Messy]:
    """Workbooks, JSON and XML."""
    file = io.BytesIO()
    book = xlsxwriter.Workbook(file, {"in_memory": True})
    page = book.add_worksheet("Werkstatt")
    page.write_row(0, 0, ["Fahrzeug", "Datum", "km-Stand", "Steuergerät", "Fehlercode"])
    page.merge_range(1, 0, 2, 0, "V-01")
    page.merge_range(1, 1, 2, 1, "13.02.2026")
    page.merge_range(1, 2, 2, 2, 123456)
    page.write_row(1, 3, ["Motor", "P0301"])
    page.write_row(2, 3, ["Bremse", "C0035"])
    page.write_row(3, 0, ["V-02", "14.02.2026", 98020, "Motor", "kein Fehler"])
    book.close()
    yield Messy("verbunden.xlsx", "de", "merged cells: vehicle, day and distance", file.getvalue(),
                scans(("V-01", "2026-02-13T00:00", "Motor", "P0301"),
                      ("V-01", "2026-02-13T00:00", "Bremse", "C0035"),
                      ("V-02", "2026-02-14T00:00", "Motor", None),
                      names="vehicle_id scanned_at ecu code"))  # fmt: skip
    serial = {
        "Export": [
            ["Vehicle", "Read at", "Odometer km", "Module", "DTC"],
            ["V-01", "46095.417", "83120", "Engine", "P0301"],
            ["V-02", "46096.5", "51650", "Brakes", "No codes"],
        ]
    }
    yield Messy("text_serials.xlsx", "en", "day numbers kept as text", xlsx(serial),
                scans(("V-01", "2026-03-14T10:00", 83120, "Engine", "P0301"),
                      ("V-02", "2026-03-15T12:00", 51650, "Brakes", None)))  # fmt: skip
    trips = [
        {"unit": {"id": "V-01", "readings": [
            {"at": "2026-03-14T10:00:00Z", "km": 83120,
             "ecus": [{"name": "Engine", "codes": [{"dtc": "P0301"}, {"dtc": "P0420"}]},
                      {"name": "ABS", "codes": []}]},
            {"at": "2026-03-21T10:00:00Z", "km": 83410,
             "ecus": [{"name": "Engine", "codes": []}]}]}},
    ]  # fmt: skip
    raw = "".join(json.dumps(each) + "\n" for each in trips).encode()
    yield Messy("deep.jsonl", "en", "lists within lists within lists", raw,
                scans(("V-01", "2026-03-14T10:00", 83120, "Engine", "P0301"),
                      ("V-01", "2026-03-14T10:00", 83120, "Engine", "P0420"),
                      ("V-01", "2026-03-14T10:00", 83120, "ABS", None),
                      ("V-01", "2026-03-21T10:00", 83410, "Engine", None)),
                answers={"no-code": "clean"})  # fmt: skip
    page_xml = (
        '<?xml version="1.0" encoding="UTF-8"?><parc>'
        '<releve vehicule="V-03" date="13/02/2026" heure="14:05" km="91200">'
        '<defaut calculateur="Moteur" code="P0420" etat="mémorisé"/>'
        '<defaut calculateur="Freins" code="C0035" etat="présent"/></releve>'
        '<releve vehicule="V-01" date="20/02/2026" heure="09:10" km="71640">'
        '<defaut calculateur="Moteur" code="aucun"/></releve></parc>'
    )
    yield Messy("attributs.xml", "fr", "all in attributes, day and hour apart", page_xml.encode(),
                scans(("V-03", "2026-02-13T14:05", 91200, "Moteur", "P0420", "stored"),
                      ("V-03", "2026-02-13T14:05", 91200, "Freins", "C0035", "confirmed"),
                      ("V-01", "2026-02-20T09:10", 71640, "Moteur", None, None)))  # fmt: skip


def all_files() -> Iterator[Messy]:
    """List them."""
    for each in (tables, orders, others):
        yield from each()
