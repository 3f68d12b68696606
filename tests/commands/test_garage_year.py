"""A year of one invented garage's deliveries, with all that goes wrong, ends with the rows meant.

What is meant is kept beside, in plain Python, as a person would keep it: scan by scan, order by
order.  Nothing is judged here; ``tests/faults/test_year.py`` has the verdicts.
"""

import random
from collections.abc import Iterable
from pathlib import Path

import pytest

from afterclear.commands.intake.loading import Whose
from tests.commands.test_retracting import Counter

CARS = [f"V-{n}" for n in range(1, 7)]
UNITS = {"engine": ["P0301", "P0420", ""], "brakes": ["C0034", ""], "gateway": ["U0100", ""]}
SCAN_HEAD = "scan_id,vehicle_id,scanned_at,odometer_km,ecu,code\n"
ORDER_HEAD = "repair_id,vehicle_id,repaired_at,odometer_km,codes,action,part_family\n"
CLEAR_HEAD = "vehicle_id,cleared_at,odometer_km,ecu\n"
CAR_HEAD = "vehicle_id,make,model,site\n"

Scan = tuple[str, str, int, list[tuple[str, str]]]  # vehicle, instant, km, units with codes


class Year:
    """The garage: what it meant to say, and the files it said it in."""

    def __init__(self, desk: Counter) -> None:
        self.desk = desk
        self.chance = random.Random(20261129)  # noqa: S311 - an example, no secret
        self.scans: dict[str, Scan] = {}
        self.orders: dict[str, str] = {}
        self.clears: set[str] = set()
        self.sites: dict[str, str] = {}

    def month(self, month: int) -> list[str]:
        """Let every car be scanned, some be worked on; give the new scans' numbers."""
        new = []
        for car_no, car in enumerate(CARS):
            day = f"2025-{month:02d}-{self.chance.randrange(1, 28):02d}"
            km = 20_000 + 1_500 * month + 100 * car_no
            told = [(unit, self.chance.choice(codes)) for unit, codes in UNITS.items()]
            number = f"S{month:02d}{car_no}"
            self.scans[number] = (car, f"{day}T08:1{car_no}:07", km, told)
            new.append(number)
            if codes := " ".join(code for _, code in told if code):
                self.orders[f"R{number}"] = (
                    f"R{number},{car},{day}T12:00:00,{km},{codes},replace,coil\n"
                )
                self.clears.add(f"{car},{day}T13:00:00,{km},\n")
            self.sites[car] = self.chance.choice(["North", "South"])
        return new

    def scan_text(self, numbers: Iterable[str]) -> str:
        lines = []
        for number in numbers:
            car, at, km, told = self.scans[number]
            lines += [f"{number},{car},{at},{km},{unit},{code}\n" for unit, code in told]
        return SCAN_HEAD + "".join(lines)

    def correct(self, number: str, what: str) -> None:
        car, at, km, told = self.scans[number]
        if what == "code":
            told = [("engine", "P0302"), *told[1:]]
        elif what == "unit":
            told = [*told[:2], ("airbag", told[2][1])]
        elif what == "vehicle":
            car = CARS[(CARS.index(car) + 1) % len(CARS)]
        else:  # read again, now clean
            told = [(unit, "") for unit, _ in told]
        self.scans[number] = (car, at, km, told)

    def meant(self) -> dict[str, list[tuple[object, ...]]]:
        """Give the rows that are to stand, as text."""
        text = self.scan_text(self.scans)
        return {
            "scans": sorted(tuple(line.split(",")) for line in text.splitlines()[1:]),
            "repairs": sorted(tuple(o.strip().split(",")) for o in self.orders.values()),
            "clears": sorted(tuple(c.strip().split(",")) for c in self.clears),
            "vehicles": sorted((car, site) for car, site in self.sites.items()),
        }

    def found(self) -> dict[str, list[tuple[object, ...]]]:
        instant = "strftime({}, '%Y-%m-%dT%H:%M:%S')"
        km = "odometer_km::INT::VARCHAR"
        asked = {
            "scans": f"scan_id, vehicle_id, {instant.format('scanned_at')}, {km}, ecu, "
            "coalesce(code, '')",
            "repairs": f"repair_id, vehicle_id, {instant.format('repaired_at')}, {km}, codes, "
            "action, part_family",
            "clears": f"vehicle_id, {instant.format('cleared_at')}, {km}, coalesce(ecu, '')",
            "vehicles": "vehicle_id, site",
        }
        return {t: sorted(self.desk.ask(f"SELECT {what} FROM {t}")) for t, what in asked.items()}


CORRECTIONS = {2: "code", 4: "unit", 6: "vehicle", 8: "clean", 10: "code"}
LATE = {4, 10}  # months whose scans come two months later


@pytest.mark.slow
def test_a_year_of_mixed_deliveries_ends_with_exactly_the_rows_meant(tmp_path: Path) -> None:
    desk = Counter(tmp_path)
    year = Year(desk)
    late: dict[int, str] = {}
    for month in range(1, 13):
        new = year.month(month)
        if month in CORRECTIONS:
            year.correct(f"S{month - 1:02d}2", CORRECTIONS[month])
            new.append(f"S{month - 1:02d}2")
        text = year.scan_text(new)
        if month in LATE:
            late[month + 2] = text
        else:
            desk.take(f"scans{month}.csv", text)
        if month in late:
            desk.take(f"late{month}.csv", late[month])
        if month % 3 == 0:  # the same bytes again, and lists
            desk.take(f"copy{month}.csv", text)
            _lists(desk, year, month)
        if month == 5:
            _wrong_files(desk, year)
    assert year.found() == year.meant()
    assert desk.ask("SELECT * FROM rejections") == []
    assert desk.is_whole()


def _lists(desk: Counter, year: Year, month: int) -> None:
    """Load all orders, clears and cars so far: most rows come again."""
    desk.take(f"orders{month}.csv", ORDER_HEAD + "".join(year.orders.values()))
    desk.take(f"clears{month}.csv", CLEAR_HEAD + "".join(sorted(year.clears)))
    cars = "".join(f"{car},Auren,Kolibri,{site}\n" for car, site in year.sites.items())
    desk.take(f"cars{month}.csv", CAR_HEAD + cars)


def _wrong_files(desk: Counter, year: Year) -> None:
    """Load a file of another garage, and one of a tool under the wrong car; put both right."""
    wrong = desk.take("other.csv", year.scan_text(["S010"]).replace("S010", "X1"))
    desk.retract(int(str(wrong.load_id)))
    told = "s,t,c\nT1,03/05/2025 10:00,P0301\n"
    first = desk.take("tool1.csv", told, Whose(vehicle_id="V-1"))
    assert desk.take("tool1.csv", told, Whose(vehicle_id="V-2")).outcome == "refused"
    desk.reassign(int(str(first.load_id)), "V-2")
    mended = desk.ask("SELECT max(load_id) FROM loads")[0][0]
    assert desk.ask("SELECT vehicle_id FROM scans WHERE scan_id = 'T1'") == [("V-2",)]
    desk.retract(int(str(mended)))  # the garage wants no rows of that tool after all
