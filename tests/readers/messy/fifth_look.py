"""Exports with rows that repeat: what they mean was written before they were read."""

from collections.abc import Iterator

from tests.readers.messy.files import Messy, repairs, sheet

_LINES = "vehicle_id repaired_at notes repair_id codes labour_cost"


def all_files() -> Iterator[Messy]:
    """Orders joined with their codes, and with their parts."""
    by_code = [
        ["Order", "Vehicle", "Date", "Odometer km", "DTC", "Work done", "Labour GBP"],
        ["J-501", "V-01", "2026-03-14", "83120", "P0420", "Catalyst renewed", "180.00"],
        ["J-501", "V-01", "2026-03-14", "83120", "P0421", "Catalyst renewed", "180.00"],
        ["J-502", "V-02", "2026-03-16", "51650", "C0035", "Wheel speed sensor renewed", "84.00"],
    ]
    yield Messy("row_per_code.csv", "en", "an order's line once for each of its codes",
                sheet(by_code, ","),
                repairs(("V-01", "2026-03-14T00:00", "Catalyst renewed", "J-501", "P0420 P0421",
                         180.0),
                        ("V-02", "2026-03-16T00:00", "Wheel speed sensor renewed", "J-502",
                         "C0035", 84.0), names=_LINES))  # fmt: skip
    described = [
        ["Auftrag", "Fahrzeug", "Datum", "km-Stand", "Fehlercode", "Beanstandung", "Arbeit",
         "Lohn €"],
        ["26-77", "V-03", "03.03.2026", "90.100", "P0301", "Aussetzer Zyl. 1", "Kerzen ersetzt",
         "95,50"],
        ["26-77", "V-03", "03.03.2026", "90.100", "P0303", "Aussetzer Zyl. 3", "Kerzen ersetzt",
         "95,50"],
        ["26-78", "V-04", "05.03.2026", "98.000", "C0040", "Signal fehlt", "Kabel geflickt",
         "48,00"],
    ]  # fmt: skip
    yield Messy("zeile_je_code.csv", "de", "each code of an order with its own text, one amount",
                sheet(described),
                repairs(("V-03", "2026-03-03T00:00", "Aussetzer Zyl. 1 | Kerzen ersetzt", "26-77",
                         "P0301", 95.5),
                        ("V-03", "2026-03-03T00:00", "Aussetzer Zyl. 3 | Kerzen ersetzt", "26-77",
                         "P0303", None),
                        ("V-04", "2026-03-05T00:00", "Signal fehlt | Kabel geflickt", "26-78",
                         "C0040", 48.0), names=_LINES),
                answers={"amounts": "order"})  # fmt: skip
    by_part = [
        ["Zlecenie", "Pojazd", "Data", "Przebieg", "Nr części", "Część", "Części zł",
         "Robocizna zł"],
        ["Z/11", "V-05", "13.02.2026", "91 200 km", "K-10", "Czujnik ABS", "120,00", "150,00"],
        ["Z/11", "V-05", "13.02.2026", "91 200 km", "K-22", "Łożysko koła", "210,00", "150,00"],
        ["Z/12", "V-02", "20.02.2026", "51 900 km", "K-31", "Akumulator", "400,00", "60,00"],
    ]  # fmt: skip
    yield Messy("robocizna.csv", "pl", "labour of the whole order in the row of each part",
                sheet(by_part, encoding="cp1250"),
                repairs(("V-05", "2026-02-13T00:00", "Z/11", "K-10", 120.0, 150.0),
                        ("V-05", "2026-02-13T00:00", "Z/11", "K-22", 210.0, None),
                        ("V-02", "2026-02-20T00:00", "Z/12", "K-31", 400.0, 60.0),
                        names="vehicle_id repaired_at repair_id part_number part_cost "
                        "labour_cost"),
                answers={"amounts": "order"})  # fmt: skip
    by_job = [
        ["N° OR", "Véhicule", "Date", "Km", "Travaux", "Code défaut", "Main d'œuvre €"],
        ["OR-1", "V-01", "13/02/2026", "70 050", "Bobine cylindre 1 remplacée", "P0301", "61,50"],
        ["OR-1", "V-01", "13/02/2026", "70 050", "Bobine cylindre 3 remplacée", "P0303", "61,50"],
        ["OR-2", "V-03", "16/02/2026", "90 100", "Vanne EGR nettoyée", "P0401", "75,00"],
        ["OR-2", "V-03", "16/02/2026", "90 100", "Essai routier", "", "24,00"],
    ]
    yield Messy("deux_bobines.csv", "fr", "two jobs of one price; other orders show whose it is",
                sheet(by_job),
                repairs(("V-01", "2026-02-13T00:00", "Bobine cylindre 1 remplacée", "OR-1",
                         "P0301", 61.5),
                        ("V-01", "2026-02-13T00:00", "Bobine cylindre 3 remplacée", "OR-1",
                         "P0303", 61.5),
                        ("V-03", "2026-02-16T00:00", "Vanne EGR nettoyée", "OR-2", "P0401", 75.0),
                        ("V-03", "2026-02-16T00:00", "Essai routier", "OR-2", None, 24.0),
                        names=_LINES))  # fmt: skip
    unnumbered = [
        ["Vehículo", "Fecha", "Km", "Código", "Trabajo realizado", "Mano de obra €"],
        ["V-01", "14/03/2026", "83120", "P0420", "Catalizador sustituido", "180,00"],
        ["V-01", "14/03/2026", "83120", "P0421", "Catalizador sustituido", "180,00"],
    ]
    yield Messy("sin_numero.csv", "es", "a line for each code, and no number of the order",
                sheet(unnumbered),
                repairs(("V-01", "2026-03-14T00:00", "Catalizador sustituido", "P0420 P0421",
                         180.0), names="vehicle_id repaired_at notes codes labour_cost"))  # fmt: skip
