"""Shapes that another stranger's files taught rules for, invented anew and small."""

import json
from collections.abc import Iterator

from tests.readers.messy.files import Messy, clears, scans, sheet


def all_files() -> Iterator[Messy]:
    """List them."""
    yield Messy("etats_complets.csv", "fr", "permanent beside confirmed and fugitive: there now, or permanent",
        sheet([["Date", "Véhicule", "Km", "Calculateur", "Code défaut", "État"],
               ["13/02/2026", "V-01", "124001", "Moteur", "P0301", "confirmé"],
               ["14/02/2026", "V-02", "98020", "Moteur", "P0171", "fugitif"],
               ["16/02/2026", "V-03", "71200", "Moteur", "P0420", "permanent"]]),
        scans(("V-01", "2026-02-13T00:00", 124001, "Moteur", "P0301", "confirmed"),
              ("V-02", "2026-02-14T00:00", 98020, "Moteur", "P0171", "stored"),
              ("V-03", "2026-02-16T00:00", 71200, "Moteur", "P0420", "permanent")),
        answers={"word:permanent": "permanent"})  # fmt: skip
    told = [{"no": "B-1", "coche": "V-01", "fecha": "2026-02-13T10:05:00", "km": 124001,
             "centralita": "Motor", "codigos": ["P0301", "P0420"], "resultado": "borrado"},
            {"no": "B-2", "coche": "V-02", "fecha": "2026-02-14T11:20:00", "km": 98020,
             "centralita": "ABS", "codigos": ["C0035"], "resultado": "no borrado"}]  # fmt: skip
    yield Messy("borrados_taller.json", "es", "a list called clearings; one of them failed",
        json.dumps({"taller": "Norte", "borrados": told}).encode(),
        clears(("V-01", "2026-02-13T10:05", 124001, "Motor"),
               names="vehicle_id cleared_at odometer_km ecu"))  # fmt: skip
    yield Messy("loeschungen_feb.csv", "de", "a result says of each code whether it was cleared",
        sheet([["Datum", "Uhrzeit", "Fahrzeug", "km", "Steuergerät", "Fehlercode", "Ergebnis"],
               ["13.02.2026", "10:05", "V-01", "124001", "Motor", "P0301", "gelöscht"],
               ["14.02.2026", "11:20", "V-02", "98020", "ABS", "C0035", "nicht gelöscht"]]),
        clears(("V-01", "2026-02-13T10:05", 124001, "Motor"),
               names="vehicle_id cleared_at odometer_km ecu"))  # fmt: skip
