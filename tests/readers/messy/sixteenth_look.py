"""Trees whose records tell what was stored before a clearing and what was stored after it."""

import json
from collections.abc import Iterator

from tests.readers.messy.files import Messy, clears, scans, text

_READ = "vehicle_id scanned_at odometer_km ecu code status"


def all_files() -> Iterator[Messy]:
    """List them."""
    sessions = [
        {"sesja": "S-91", "data": "05.10.2026", "pojazd": "V-01", "przebieg": "127402 km",
         "przed": {"godz": "7:58", "sterowniki": {"Silnik": ["P0401 zapisany", "P0299 zapisany"],
                                                  "ABS": []}},
         "kasowanie": {"godz": "8:10", "wynik": "OK"},
         "po": {"godz": "8:31", "sterowniki": {"Silnik": ["P0401 aktywny"], "ABS": []}}},
        {"sesja": "S-92", "data": "06.10.2026", "pojazd": "V-02", "przebieg": "51650 km",
         "przed": {"godz": "11:02", "sterowniki": {"Silnik": ["P0016 zapisany"]}},
         "kasowanie": None, "po": None},
    ]  # fmt: skip
    yield Messy("sesje_przed_po.json", "pl", "codes before and after a clearing in one record",
        text([json.dumps({"sesje": sessions}, ensure_ascii=False, indent=1)]),
        (*scans(("V-01", "2026-10-05T07:58", 127402, "Silnik", "P0401", "stored"),
                ("V-01", "2026-10-05T07:58", 127402, "Silnik", "P0299", "stored"),
                ("V-01", "2026-10-05T07:58", 127402, "ABS"),
                ("V-01", "2026-10-05T08:31", 127402, "Silnik", "P0401", "active"),
                ("V-01", "2026-10-05T08:31", 127402, "ABS"),
                ("V-02", "2026-10-06T11:02", 51650, "Silnik", "P0016", "stored"), names=_READ),
         *clears(("V-01", "2026-10-05T08:10", 127402))),
        answers={"aside:sesje.kasowanie.wynik": "fine"})  # fmt: skip
    xml = """<checks>
 <check vehicle="V-03" km="71200">
  <before at="2026-03-16T09:05"><fault unit="Engine">P0171</fault><fault unit="ABS">C0035</fault></before>
  <cleared at="2026-03-16T09:20"/>
  <after at="2026-03-16T09:45"><fault unit="ABS">C0035</fault></after>
 </check>
 <check vehicle="V-04" km="98000">
  <before at="2026-03-17T10:00"><fault unit="Gearbox">P0700</fault></before>
  <cleared at="2026-03-17T10:15"/>
  <after at="2026-03-17T10:30"><fault unit="Gearbox">P0700</fault></after>
 </check>
</checks>"""
    yield Messy("checks.xml", "en", "before and after as branches of a check",
        text([xml]),
        (*scans(("V-03", "2026-03-16T09:05", 71200, "Engine", "P0171"),
                ("V-03", "2026-03-16T09:05", 71200, "ABS", "C0035"),
                ("V-03", "2026-03-16T09:45", 71200, "ABS", "C0035"),
                ("V-04", "2026-03-17T10:00", 98000, "Gearbox", "P0700"),
                ("V-04", "2026-03-17T10:30", 98000, "Gearbox", "P0700")),
         *clears(("V-03", "2026-03-16T09:20", 71200), ("V-04", "2026-03-17T10:15", 98000))))  # fmt: skip
    visits = [
        {"vehicule": "V-05", "date": "2026-03-18", "km": 120310, "defauts_avant": ["P0301", "P0302"],
         "efface": "oui", "defauts_apres": ["P0301"]},
        {"vehicule": "V-06", "date": "2026-03-19", "km": 42000, "defauts_avant": ["C0035"],
         "efface": "oui", "defauts_apres": []},
    ]  # fmt: skip
    yield Messy("passages_avant_apres.json", "fr", "before and after on one day, without times",
        text([json.dumps(visits, indent=1)]),
        (*scans(("V-05", "2026-03-18T00:00", 120310, "whole vehicle", "P0301"),
                ("V-05", "2026-03-18T00:00", 120310, "whole vehicle", "P0302"),
                ("V-06", "2026-03-19T00:00", 42000, "whole vehicle", "C0035")),
         *clears(("V-05", "2026-03-18T00:00", 120310), ("V-06", "2026-03-19T00:00", 42000))))  # fmt: skip
