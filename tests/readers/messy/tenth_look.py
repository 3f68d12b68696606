"""Shapes that files of two more strangers taught rules for, invented anew and small."""

from collections.abc import Iterator

from tests.readers.messy.files import Messy, clears, repairs, scans, sheet, text

_UNIT = "vehicle_id scanned_at odometer_km ecu code status ecu_response"


def all_files() -> Iterator[Messy]:
    """List them."""
    yield Messy("job_heads.csv", "en", "a line heads each order: number, vehicle, day, distance; deposits on parts",
        sheet([["Workshop invoices May 2026"], ["Line", "Description", "Qty", "Each", "Hours"],
               ["I-5081   V-01   5 May 2026   402,117 km   SPN 3226 FMI 4"],
               ["1", "Replace NOx sensor downstream", "1", "310.00", "1.5"], ["", "Subtotal", "", "310.00"],
               ["I-5084   V-02   11 May 2026   288,450 km"],
               ["1", "Replace starter motor", "1", "420.00", "2.0"], ["2", "Core deposit starter motor", "1", "75.00", ""],
               ["", "Subtotal", "", "495.00"]], ","),
        repairs(("V-01", "2026-05-05T00:00", 402117, "I-5081", "Replace NOx sensor downstream", "SPN 3226 FMI 4"),
                ("V-02", "2026-05-11T00:00", 288450, "I-5084", "Replace starter motor", None),
                names="vehicle_id repaired_at odometer_km repair_id notes codes"),
        answers={"aside:Description": "leave"})  # fmt: skip
    yield Messy("lista_stron.txt", "pl", "a printed list of two pages, a text that runs on, letters explained below",
        text(["Baza Zawodzin - lista usterek                                   Strona 1", "",
              "POJAZD  DATA        PRZEBIEG  STEROWNIK   KOD    ST  OPIS",
              "------  ----------  --------  ----------  -----  --  ------------------",
              "V-01    13.02.2026   124.001  Silnik      P0301  P   Wypadanie zaplonow",
              "                                                     cylinder 1",
              "V-01    13.02.2026   124.001  Hamulce                brak odpowiedzi",
              "Baza Zawodzin - lista usterek                                   Strona 2", "",
              "POJAZD  DATA        PRZEBIEG  STEROWNIK   KOD    ST  OPIS",
              "------  ----------  --------  ----------  -----  --  ------------------",
              "V-02    14.02.2026    98.020  Silnik                 brak usterek",
              "V-03    16.02.2026    71.200  Hamulce     C0035  O   Czujnik kola",
              "ST: P=potwierdzony O=oczekujacy"]),
        scans(("V-01", "2026-02-13T00:00", 124001, "Silnik", "P0301", "confirmed"),
              ("V-01", "2026-02-13T00:00", 124001, "Hamulce", None, None, "no_answer"),
              ("V-02", "2026-02-14T00:00", 98020, "Silnik", None, None),
              ("V-03", "2026-02-16T00:00", 71200, "Hamulce", "C0035", "pending"), names=_UNIT))  # fmt: skip
    yield Messy("releves_barres.csv", "fr", "codes with text and status parted by strokes, a unit that did not answer",
        sheet([["Date", "Véhicule", "Km", "Calculateur", "Défauts relevés"],
               ["13/02/2026", "V-01", "124001", "Moteur", "P0301 Ratés cylindre 1 [confirmé] / P0562 Tension basse [mémorisé]"],
               ["14/02/2026", "V-02", "98020", "Moteur", "RAS"], ["16/02/2026", "V-03", "71200", "Freins", "pas de réponse"]]),
        scans(("V-01", "2026-02-13T00:00", 124001, "Moteur", "P0301", "confirmed"),
              ("V-01", "2026-02-13T00:00", 124001, "Moteur", "P0562", "stored"),
              ("V-02", "2026-02-14T00:00", 98020, "Moteur", None, None),
              ("V-03", "2026-02-16T00:00", 71200, "Freins", None, None, "no_answer"), names=_UNIT))  # fmt: skip
    yield Messy("yard_report.txt", "en", "a report whose lines head codes with their status",
        text(["READING REPORT", "", "Vehicle : V-01", "Read    : 13 Feb 2026, 09:30", "Mileage : 77,051 miles",
              "", "ENGINE", "  Stored codes", "   P0301  Cylinder 1 misfire", "  Pending codes", "   P0171  Too lean",
              "", "BRAKES (ABS)", "   no fault codes", "", "AIRBAG", "   no communication with this unit"]),
        scans(("V-01", "2026-02-13T09:30", 124001.6, "ENGINE", "P0301", "stored"),
              ("V-01", "2026-02-13T09:30", 124001.6, "ENGINE", "P0171", "pending"),
              ("V-01", "2026-02-13T09:30", 124001.6, "BRAKES (ABS)", None, None),
              ("V-01", "2026-02-13T09:30", 124001.6, "AIRBAG", None, None, "no_answer"), names=_UNIT))  # fmt: skip
    yield Messy("zustand_statisch.csv", "de", "statisch beside pending and confirmed: always there, or permanent",
        sheet([["Datum", "Fahrzeug", "km-Stand", "Steuergerät", "Fehlercode", "Status"],
               ["13.02.2026", "V-01", "124001", "Motor", "P0301", "bestätigt"],
               ["14.02.2026", "V-02", "98020", "Motor", "P0171", "noch nicht bestätigt"],
               ["16.02.2026", "V-03", "71200", "Motor", "P0420", "statisch"]]),
        scans(("V-01", "2026-02-13T00:00", 124001, "Motor", "P0301", "confirmed"),
              ("V-02", "2026-02-14T00:00", 98020, "Motor", "P0171", "pending"),
              ("V-03", "2026-02-16T00:00", 71200, "Motor", "P0420", "permanent")),
        answers={"word:statisch": "permanent"})  # fmt: skip
    yield Messy("cleared_codes.csv", "en", "a log of clearing that lists the codes it took away",
        sheet([["Vehicle", "Cleared at", "Odometer (km)", "Codes cleared", "By"],
               ["V-01", "2026-02-13 10:05", "124001", "P0301 P0420", "desk 2"], ["V-02", "2026-02-14 11:20", "98020", "C0035", "desk 1"]]),
        clears(("V-01", "2026-02-13T10:05", 124001), ("V-02", "2026-02-14T11:20", 98020)))  # fmt: skip
