"""Exports as delimited text."""

from collections.abc import Iterator

from tests.readers.messy.files import VIN, Messy, clears, repairs, scans, sheet, text

ALL = "whole vehicle"


def german() -> Iterator[Messy]:
    """From workshops that write German."""
    head = ["Fahrzeug", "Datum", "Uhrzeit", "km-Stand", "Steuergerät", "Fehlercode", "Status"]
    rows = [
        ["V-01", "13.02.2026", "14:05", "123.456", "Motor", "P0301", "sporadisch"],
        ["V-01", "13.02.2026", "14:05", "123.456", "Bremse", "", ""],
        ["V-02", "01.03.2026", "08:15", "98.020", "Motor", "P0420", "vorhanden"],
    ]
    meant = scans(
        ("V-01", "2026-02-13T14:05", 123456, "Motor", "P0301", "stored"),
        ("V-01", "2026-02-13T14:05", 123456, "Bremse", None, None),
        ("V-02", "2026-03-01T08:15", 98020, "Motor", "P0420", "confirmed"),
    )
    yield Messy("fehler_0226.csv", "de", "dots part thousands, sporadic is stored",
                sheet([head, *rows], encoding="cp1252"), meant)  # fmt: skip
    wide = [["Kennzeichen", "Datum", "Tachostand", *(f"DTC{n}" for n in range(1, 6))],
            ["NH-AB 101", "13.02.2026", "123.456 km", "P0301", "P0420-00", "", "", ""],
            ["NH-AB 102", "14.02.2026", "88.001 km", "kein Fehler", "", "", "", ""]]  # fmt: skip
    yield Messy("auslese_liste.csv", "de", "codes side by side, plates, kein Fehler", sheet(wide),
                scans(("V-01", "2026-02-13T00:00", 123456, ALL, "P0301"),
                      ("V-01", "2026-02-13T00:00", 123456, ALL, "P0420"),
                      ("V-02", "2026-02-14T00:00", 88001, ALL, None)))  # fmt: skip
    wide[2][3] = ""
    yield Messy("auslese_leer.csv", "de", "codes side by side, a row without any", sheet(wide),
                scans(("V-01", "2026-02-13T00:00", 123456, ALL, "P0301"),
                      ("V-01", "2026-02-13T00:00", 123456, ALL, "P0420"),
                      ("V-02", "2026-02-14T00:00", 88001, None, None)),
                answers={"no-code": "odometer"})  # fmt: skip
    orders = [["Auftrag", "Fahrzeug", "Datum", "km", "Durchgeführte Arbeiten", "Betrag"],
              ["A-1", "V-01", "3.3.2026", "124.001", "Ölwechsel und Filter erneuert", "189,90 €"],
              ["A-2", "V-02", "4.3.2026", "98.500", "Zündspule Zyl. 1 ersetzt", "1.240,00 €"],
              ["Summe", "", "", "", "", "1.429,90 €"]]  # fmt: skip
    yield Messy("werkstatt_maerz.csv", "de", "work orders as free text, a total below",
                sheet(orders, encoding="cp1252"),
                repairs(("V-01", "2026-03-03T00:00", 124001, "Ölwechsel und Filter erneuert", "A-1"),
                        ("V-02", "2026-03-04T00:00", 98500, "Zündspule Zyl. 1 ersetzt", "A-2"),
                        names="vehicle_id repaired_at odometer_km notes repair_id"))  # fmt: skip
    cleared = [["Fahrzeug", "gelöscht am", "km-Stand", "Grund"],
               ["V-01", "13.02.2026 15:00", "123.457", "nach Reparatur"]]  # fmt: skip
    yield Messy("speicher.csv", "de", "cleared memories, so says a heading", sheet(cleared),
                clears(("V-01", "2026-02-13T15:00", 123457)))  # fmt: skip
    words = [
        ["Fahrzeug", "Datum", "km", "Fehlercode"],
        ["V-01", "3. März 2026", "1.200", "P0301"],
        ["V-02", "14. Mai 2026", "13.400", "P0302"],
    ]
    yield Messy("monatsnamen.csv", "de", "months as words", sheet(words),
                scans(("V-01", "2026-03-03T00:00", 1200, ALL, "P0301"),
                      ("V-02", "2026-05-14T00:00", 13400, ALL, "P0302")))  # fmt: skip
    tenths = [["Fahrzeug", "Datum", "km-Stand", "Verbrauch", "Fehlercode"],
              ["V-01", "13.02.2026", "123.456", "20,5", "P0301"],
              ["V-02", "14.02.2026", "98.020", "7,8", "P0302"]]  # fmt: skip
    yield Messy("verbrauch.csv", "de", "another column tells the decimal mark", sheet(tenths),
                scans(("V-01", "2026-02-13T00:00", 123456, ALL, "P0301"),
                      ("V-02", "2026-02-14T00:00", 98020, ALL, "P0302")))  # fmt: skip


def spanish() -> Iterator[Messy]:
    """From workshops that write Spanish."""
    head = ["Matrícula", "Fecha", "Kilometraje", "Centralita", "Código de avería", "Estado"]
    rows = [["1104 BCD", "05/03/2026", "123.456", "Motor", "P0301", "esporádico"],
            ["1104 BCD", "05/03/2026", "123.456", "ABS", "sin averías", ""],
            ["1104 BCD", "09/04/2026", "125.020", "Motor", "P0301", "presente"]]  # fmt: skip
    yield Messy("averias.csv", "es", "days below 13, dots part thousands", sheet(rows and [head, *rows]),
                scans(("V-04", "2026-03-05T00:00", 123456, "Motor", "P0301", "stored"),
                      ("V-04", "2026-03-05T00:00", 123456, "ABS", None, None),
                      ("V-04", "2026-04-09T00:00", 125020, "Motor", "P0301", "confirmed")))  # fmt: skip
    orders = [["N.º orden", "Vehículo", "Fecha", "Km", "Trabajo realizado"],
              ["101", "V-04", "07/03/2026", "123.500", "Sustituida bobina cilindro 1"],
              ["102", "V-05", "08/03/2026", "99.120", "Cambio de aceite y filtro"]]  # fmt: skip
    yield Messy("ordenes.csv", "es", "work orders, oil changes among them", sheet(orders),
                repairs(("V-04", "2026-03-07T00:00", 123500, "Sustituida bobina cilindro 1"),
                        ("V-05", "2026-03-08T00:00", 99120, "Cambio de aceite y filtro")))  # fmt: skip
    lines = ["Vehículo;Fecha;Km;Códigos", 'V-04;3 de marzo de 2026;"98.200";P0301, P0420',
             'V-05;14 de abril de 2026;"101.000";ninguno']  # fmt: skip
    yield Messy("lecturas.csv", "es", "de between day, month and year; several codes", text(lines),
                scans(("V-04", "2026-03-03T00:00", 98200, ALL, "P0301"),
                      ("V-04", "2026-03-03T00:00", 98200, ALL, "P0420"),
                      ("V-05", "2026-04-14T00:00", 101000, ALL, None)))  # fmt: skip


def french() -> Iterator[Messy]:
    """From workshops that write French."""
    rows = [["Immatriculation", "Date", "Kilométrage", "Calculateur", "Code défaut", "État"],
            ["AA-103-BB", "05/03/2026 14:05", "123 456", "Moteur", "P0301", "présent"],
            ["AA-103-BB", "05/03/2026 14:05", "123 456", "Freins", "aucun défaut", ""]]  # fmt: skip
    yield Messy("defauts.csv", "fr", "blanks part thousands, accents", sheet(rows, encoding="cp1252"),
                scans(("V-03", "2026-03-05T14:05", 123456, "Moteur", "P0301", "confirmed"),
                      ("V-03", "2026-03-05T14:05", 123456, "Freins", None, None)))  # fmt: skip
    orders = [["N° OR", "Véhicule", "Date", "Kms compteur", "Travaux effectués", "Montant HT"],
              ["55", "V-03", "12/03/2026", "124 020", "Remplacement bobine cyl. 2", "210,50"],
              ["56", "V-01", "13/03/2026", "88 400", "Vidange", "99,00"],
              ["Total", "", "", "", "", "309,50"]]  # fmt: skip
    yield Messy("atelier.csv", "fr", "work orders with a total", sheet(orders),
                repairs(("V-03", "2026-03-12T00:00", 124020, "Remplacement bobine cyl. 2"),
                        ("V-01", "2026-03-13T00:00", 88400, "Vidange")))  # fmt: skip
    words = [
        ["Véhicule", "Date de lecture", "Km", "Codes défaut"],
        ["V-03", "3 févr. 2026 à 9h05", "1 250", "P0420 (en attente) ; P0301 (mémorisé)"],
    ]
    yield Messy("releves.csv", "fr", "a status behind each code of a cell, 9h05", sheet(words, mark="\t"),
                scans(("V-03", "2026-02-03T09:05", 1250, ALL, "P0420", "pending"),
                      ("V-03", "2026-02-03T09:05", 1250, ALL, "P0301", "stored")))  # fmt: skip


def polish() -> Iterator[Messy]:
    """From workshops that write Polish."""
    rows = [["Nr rejestracyjny", "Data", "Przebieg", "Sterownik", "Kod błędu", "Stan"],
            ["WX 12345", "05.03.2026", "123 456", "silnik", "P0301", "sporadyczny"],
            ["WX 12345", "05.03.2026", "123 456", "hamulce", "brak błędów", ""]]  # fmt: skip
    meant = scans(("V-05", "2026-03-05T00:00", 123456, "silnik", "P0301", "stored"),
                  ("V-05", "2026-03-05T00:00", 123456, "hamulce", None, None))  # fmt: skip
    yield Messy("bledy.csv", "pl", "Windows-1250", sheet(rows, encoding="cp1250"), meant)
    orders = [
        ["Nr zlecenia", "Pojazd", "Data wykonania", "Przebieg km", "Opis naprawy", "Kwota"],
        ["Z/1", "V-05", "5 marca 2026", "123 500", "Wymiana cewki zapłonowej", "450,00 zł"],
        ["Z/2", "V-05", "7 maja 2026", "130 010", "Wymiana oleju silnikowego", "320,00 zł"],
    ]
    yield Messy("zlecenia.csv", "pl", "months as words, zloty", sheet(orders),
                repairs(("V-05", "2026-03-05T00:00", 123500, "Wymiana cewki zapłonowej"),
                        ("V-05", "2026-05-07T00:00", 130010, "Wymiana oleju silnikowego")))  # fmt: skip


def english() -> Iterator[Messy]:
    """From yards and shops that write English."""
    rows = [["Unit #", "Scan date", "Odometer (mi)", "Module", "DTC", "Status"],
            ["V-01", "03/04/2026 2:05 PM", "76,543", "Engine", "P0301", "stored"],
            ["V-02", "03/11/2026 9:10 AM", "101,020", "ABS", "C0035", "pending"]]  # fmt: skip
    yield Messy("unit_scans.csv", "en", "Unit # is the vehicle, month first, miles", sheet(rows, ","),
                scans(("V-01", "2026-03-04T14:05", 76543 * 1.609344, "Engine", "P0301", "stored"),
                      ("V-02", "2026-03-11T09:10", 101020 * 1.609344, "ABS", "C0035", "pending")))  # fmt: skip
    two = [["Vehicle", "Date", "Odometer km", "Code"], ["V-01", "03/04/2026", "1000", "P0301"],
           ["V-02", "05/06/2026", "2000", "P0302"]]  # fmt: skip
    yield Messy("two_dates.csv", "en", "day or month first: nothing tells", sheet(two, ","),
                scans(("V-01", "2026-04-03T00:00", 1000, ALL, "P0301"),
                      ("V-02", "2026-06-05T00:00", 2000, ALL, "P0302")),
                answers={"date-order": "day"})  # fmt: skip
    rising = [
        ["Vehicle", "Date", "Odometer km", "Code"],
        *(
            [f"V-0{1 + n % 2}", f"{m:02}/{d:02}/2026", f"{1000 + 100 * n}", "P0301"]
            for n, (m, d) in enumerate([(3, 4), (3, 11), (4, 2), (4, 9), (5, 1), (5, 12)])
        ),
    ]
    yield Messy(
        "in_order.csv",
        "en",
        "rows are in order with the month first only",
        sheet(rising, ","),
        scans(
            *(
                (f"V-0{1 + n % 2}", f"2026-{m:02}-{d:02}T00:00", 1000 + 100 * n, ALL, "P0301")
                for n, (m, d) in enumerate([(3, 4), (3, 11), (4, 2), (4, 9), (5, 1), (5, 12)])
            )
        ),
    )
    plates = [
        ["Vehicle", "Date", "Odometer km", "Code"],
        ["AB12 CDE", "14/03/2026", "5000", "P0301"],
    ]
    yield Messy("plates.csv", "en", "plates under a heading Vehicle", sheet(plates, ","),
                scans(("V-06", "2026-03-14T00:00", 5000, ALL, "P0301")))  # fmt: skip
    status = [["Vehicle", "Date", "Odometer km", "Codes"],
              ["V-01", "14/03/2026", "5000", "P0420 (pending)"],
              ["V-02", "15/03/2026", "6000", "P0301 (confirmed)"]]  # fmt: skip
    yield Messy("with_status.csv", "en", "the status behind the code", sheet(status, ","),
                scans(("V-01", "2026-03-14T00:00", 5000, ALL, "P0420", "pending"),
                      ("V-02", "2026-03-15T00:00", 6000, ALL, "P0301", "confirmed")))  # fmt: skip
    bare = [["Vehicle", "Date", "Odometer km", "Code"], ["V-01", "14/03/2026", "5000", "0301"],
            ["V-02", "15/03/2026", "6000", "0420"]]  # fmt: skip
    yield Messy("bare_codes.csv", "en", "codes without their letter", sheet(bare, ","),
                scans(("V-01", "2026-03-14T00:00", 5000, ALL, "P0301"),
                      ("V-02", "2026-03-15T00:00", 6000, ALL, "P0420")),
                answers={"code-form": "powertrain"})  # fmt: skip
    spn = [["Truck", "Date", "Odometer km", "Fault"], ["V-01", "14/03/2026", "5000", "3216-31"],
           ["V-02", "15/03/2026", "6000", "100-4"]]  # fmt: skip
    yield Messy("truck_faults.csv", "en", "SPN and FMI with a dash", sheet(spn, ","),
                scans(("V-01", "2026-03-14T00:00", 5000, ALL, "SPN 3216 FMI 31"),
                      ("V-02", "2026-03-15T00:00", 6000, ALL, "SPN 100 FMI 4")),
                answers={"code-form": "j1939"})  # fmt: skip
    units = [["Vehicle", "Date", "Odometer km", "Engine DTCs", "Brake DTCs"],
             ["V-01", "14/03/2026", "5000", "P0301, P0420", "none"],
             ["V-02", "15/03/2026", "6000", "", "C0035"]]  # fmt: skip
    yield Messy("by_unit.csv", "en", "the unit stands in the heading", sheet(units, ","),
                scans(("V-01", "2026-03-14T00:00", 5000, "Engine", "P0301"),
                      ("V-01", "2026-03-14T00:00", 5000, "Engine", "P0420"),
                      ("V-01", "2026-03-14T00:00", 5000, "Brake", None),
                      ("V-02", "2026-03-15T00:00", 6000, "Brake", "C0035")))  # fmt: skip
    km = [["Vehicle", "Date", "Odometer km"], ["V-01", "2026-03-14", "5000"],
          ["V-02", "2026-03-15", "6000"]]  # fmt: skip
    yield Messy("fuel_stops.csv", "en", "vehicle, date and distance only", sheet(km, ","),
                scans(("V-01", "2026-03-14T00:00", 5000, None, None),
                      ("V-02", "2026-03-15T00:00", 6000, None, None)))  # fmt: skip
    notes = [["Vehicle", "Date", "Odometer km", "Remark"],
             ["V-01", "2026-03-14", "5000", "washed and vacuumed"],
             ["V-02", "2026-03-15", "6000", "front tyres replaced"]]  # fmt: skip
    yield Messy("log.csv", "en", "a table that may be anything", sheet(notes, ","),
                repairs(("V-01", "2026-03-14T00:00", 5000, "washed and vacuumed"),
                        ("V-02", "2026-03-15T00:00", 6000, "front tyres replaced")),
                answers={"table": "repairs"})  # fmt: skip
    mileage = [
        ["Reg", "Date read", "Mileage", "Fault code"],
        ["AB12 CDE", "14/03/2026", "76,543", "P0301"],
    ]
    yield Messy("mileage.csv", "en", "mileage without a unit", sheet(mileage, ","),
                scans(("V-06", "2026-03-14T00:00", 76543 * 1.609344, ALL, "P0301")),
                answers={"odometer-unit": "mi"})  # fmt: skip
    cell = [["VIN", "Date", "Odometer", "DTC"], [VIN(1), "2026-03-14", "76,543 mi", "P0301"],
            [VIN(2), "2026-03-15", "12,000 km", "P0302"]]  # fmt: skip
    yield Messy("units_in_cells.csv", "en", "miles and kilometres in one column", sheet(cell, ","),
                scans(("V-01", "2026-03-14T00:00", 76543 * 1.609344, ALL, "P0301"),
                      ("V-02", "2026-03-15T00:00", 12000, ALL, "P0302")))  # fmt: skip


def all_files() -> Iterator[Messy]:
    """List them."""
    for each in (german, spanish, french, polish, english):
        yield from each()
