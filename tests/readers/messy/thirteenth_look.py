"""Shapes that one more stranger's files taught rules for, invented anew and small."""

from collections.abc import Iterator

from tests.readers.messy.files import VIN, Messy, clears, repairs, scans, sheet


def all_files() -> Iterator[Messy]:
    """List them."""
    yield Messy("sterowniki_obok.csv", "pl", "a unit, a code and a letter side by side, four times; letters explained below",
        sheet([["Nr rej.", "Data odczytu", "Przebieg", "Sterownik 1", "Kod 1", "St. 1", "Sterownik 2", "Kod 2", "St. 2"],
               ["WX 12345", "2026-02-13", "124001", "Silnik", "P0301", "A", "Układ ABS", "C0035", "Z"],
               ["NH-AB 102", "2026-02-14", "98020", "Skrzynia biegów", "P0700", "O", "", "", ""],
               ["AA-103-BB", "2026-02-16", "71200", "Silnik", "OK", "", "Układ ABS", "OK", ""],
               ["St.: Z = zapisany, O = oczekujący, A = aktywny", "", "", "", "", "", "", "", ""]]),
        scans(("V-05", "2026-02-13T00:00", 124001, "Silnik", "P0301", "active"),
              ("V-05", "2026-02-13T00:00", 124001, "Układ ABS", "C0035", "stored"),
              ("V-02", "2026-02-14T00:00", 98020, "Skrzynia biegów", "P0700", "pending"),
              ("V-03", "2026-02-16T00:00", 71200, "Silnik", None, None),
              ("V-03", "2026-02-16T00:00", 71200, "Układ ABS", None, None)))  # fmt: skip
    yield Messy("litery_stale.csv", "pl", "the same, and a letter for lasting beside active and pending",
        sheet([["Pojazd", "Data odczytu", "Przebieg", "Sterownik 1", "Kod 1", "St. 1", "Sterownik 2", "Kod 2", "St. 2"],
               ["V-01", "2026-02-13", "124001", "Silnik", "P0301", "A", "Układ ABS", "C0035", "S"],
               ["V-02", "2026-02-14", "98020", "Silnik", "P0171", "O", "", "", ""],
               ["A = aktywny, O = oczekujący, S = stały", "", "", "", "", "", "", "", ""]]),
        scans(("V-01", "2026-02-13T00:00", 124001, "Silnik", "P0301", "active"),
              ("V-01", "2026-02-13T00:00", 124001, "Układ ABS", "C0035", "permanent"),
              ("V-02", "2026-02-14T00:00", 98020, "Silnik", "P0171", "pending")),
        answers={"word:stały": "permanent"})  # fmt: skip
    yield Messy("steuergeraete_zwei.csv", "de", "two units, three codes: whose the third is, nobody says",
        sheet([["Fahrzeug", "Datum", "km", "Steuergerät 1", "Steuergerät 2", "Code 1", "Code 2", "Code 3"],
               ["V-01", "13.02.2026", "124001", "Motor", "ABS", "P0301", "C0035", "C0045"],
               ["V-02", "14.02.2026", "98020", "Motor", "Getriebe", "P0171", "P0700", ""]]),
        scans(("V-01", "2026-02-13T00:00", 124001, "Motor", "P0301")))  # fmt: skip
    yield Messy("codes_klammern.csv", "de", "codes with a short status in brackets, marks mixed between them; days in three spellings",
        sheet([["Fzg", "Datum", "Steuergerät", "Codes (Status)"],
               ["V-01", "13.02.2026", "Motor", "P0301 (akut), P0171 (sporad.)"],
               ["V-02", "8.3.26", "Motor", "P2463 (sporad.) / P0401 (gesp.)"],
               ["V-02", "8.3.26", "Airbag", "o.B."],
               ["V-03", "2026-03-17", "ABS", "C0035 (akut)"]]),
        scans(("V-01", "2026-02-13T00:00", "Motor", "P0301", "active"),
              ("V-01", "2026-02-13T00:00", "Motor", "P0171", "stored"),
              ("V-02", "2026-03-08T00:00", "Motor", "P2463", "stored"),
              ("V-02", "2026-03-08T00:00", "Motor", "P0401", "stored"),
              ("V-02", "2026-03-08T00:00", "Airbag", None, None),
              ("V-03", "2026-03-17T00:00", "ABS", "C0035", "active"),
              names="vehicle_id scanned_at ecu code status"))  # fmt: skip
    yield Messy("producent_miejsce.csv", "pl", "makers and places of parts under words that may mean the vehicle's",
        sheet([["Zlecenie", "Data", "Pojazd", "Przebieg", "Czynność", "Nr części", "Producent", "Miejsce", "Kwota"],
               ["Z-1", "2026-02-13", "V-01", "124001", "Odczyt błędów", "", "", "", "118,00"],
               ["Z-1", "2026-02-13", "V-01", "124001", "Wymiana sondy lambda", "SL-22", "Norvek", "przed katalizatorem", "342,70"],
               ["Z-2", "2026-02-14", "V-02", "98020", "Wymiana amortyzatora", "AM-90", "Tessar", "prawy tył", "148,50"],
               ["Z-2", "2026-02-14", "V-02", "98020", "Wymiana klocków", "KH.66", "Norvek", "oś przednia", "236,10"]]),
        repairs(("Z-1", "V-01", "2026-02-13T00:00", "Odczyt błędów", None, None, None),
                ("Z-1", "V-01", "2026-02-13T00:00", "Wymiana sondy lambda", "SL-22", "Norvek", "przed katalizatorem"),
                ("Z-2", "V-02", "2026-02-14T00:00", "Wymiana amortyzatora", "AM-90", "Tessar", "prawy tył"),
                ("Z-2", "V-02", "2026-02-14T00:00", "Wymiana klocków", "KH.66", "Norvek", "oś przednia"),
                names="repair_id vehicle_id repaired_at notes part_number part_brand position"))  # fmt: skip
    yield Messy("que_se_borro.csv", "es", "clears of a code, of a unit, of all, and one that failed, in free words",
        sheet([["Coche", "Fecha", "Km", "Qué se borró"],
               ["V-01", "13/02/2026", "124001", "P0301"],
               ["V-02", "14/02/2026", "98020", "Motor entera"],
               ["V-03", "16/02/2026", "71200", "P0303 no se dejó borrar"]]),
        clears(("V-01", "2026-02-13T00:00", 124001)), answers={"table": "clears"})  # fmt: skip
    yield Messy("quote_only.csv", "en", "a job that was only priced says so where others have their number",
        sheet([["Date", "Vehicle", "Odometer km", "WO", "Work done"],
               ["2026-02-13", "V-01", "124001", "WO/901", "Replaced battery"],
               ["2026-02-14", "V-02", "98020", "QUOTE only", "Replace clutch"],
               ["2026-02-16", "V-03", "71200", "WO/902", "Replaced glow plugs"]]),
        repairs(("V-01", "2026-02-13T00:00", 124001, "Replaced battery"),
                ("V-03", "2026-02-16T00:00", 71200, "Replaced glow plugs")),
        answers={"rows": "leave"})  # fmt: skip
    yield Messy("operacion.csv", "es", "the text of the work under the word for an action",
        sheet([["Num_orden", "Fecha", "Coche", "Kilometros", "Operacion", "Referencia"],
               ["101", "13/02/2026", "V-01", "124001", "Batería nueva", "BT-74"],
               ["107", "27/02/2026", "V-02", "98020", "Diagnóstico falta de potencia", ""]]),
        repairs(("V-01", "2026-02-13T00:00", 124001, "Batería nueva", "BT-74"),
                ("V-02", "2026-02-27T00:00", 98020, "Diagnóstico falta de potencia", None),
                names="vehicle_id repaired_at odometer_km notes part_number"))  # fmt: skip
    told = (
        '<?xml version="1.0"?><effacements atelier="Nord">'
        f'<effacement vin="{VIN(1)}" instant="2026-02-13T10:05:00" km="124001">'
        '<calculateur portee="code">Moteur</calculateur><code>P0301</code></effacement>'
        f'<effacement vin="{VIN(2)}" instant="2026-02-14T11:20:00" km="98020">'
        '<calculateur portee="complet">ABS</calculateur></effacement></effacements>'
    )
    yield Messy("effacements_portee.xml", "fr", "each clearing says whether it was of one code or of the unit",
        told.encode(),
        clears(("V-01", "2026-02-13T10:05", 124001, "Moteur"),
               ("V-02", "2026-02-14T11:20", 98020, "ABS"),
               names="vehicle_id cleared_at odometer_km ecu"))  # fmt: skip
