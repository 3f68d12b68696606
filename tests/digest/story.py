"""Invented vehicle histories for the digest's tests: told as stories, turned into frames.

This is no second implementation of the histories: verdicts and chances are written into each
story by hand, and only what follows from them mechanically (what a scan read, which scans are
evidence for which attempt) is worked out here.
"""

from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import Any

from afterclear.reasons import EvidenceReason
from afterclear.wording.cells import Clock

START = datetime(2024, 1, 8, 9, 0, tzinfo=UTC)
UNITS = ("engine", "transmission", "brakes", "airbag", "steering", "body", "gateway", "climate")
MEANINGS: dict[str, tuple[str, str, str]] = {  # code -> family, its label, meaning
    "P0301": ("ignition_coil_1", "Ignition coil, cylinder 1", "Misfire, cylinder 1"),
    "P0302": ("ignition_coil_2", "Ignition coil, cylinder 2", "Misfire, cylinder 2"),
    "P0401": ("egr", "Exhaust gas recirculation", "Exhaust gas recirculation flow too low"),
    "P0299": ("boost", "Charge air", "Boost pressure below what was asked for"),
    "P2002": ("particulate_filter", "Particulate filter", "Particulate filter below threshold"),
    "P0562": ("supply", "Supply voltage", "System voltage low"),
    "P0715": ("gear_input_speed", "Transmission input speed", "Input speed sensor, no signal"),
    "C0034": ("wheel_speed_fr", "Wheel speed sensor, front right", "Wheel speed, front right"),
    "C0050": ("wheel_speed_rr", "Wheel speed sensor, rear right", "Wheel speed, rear right"),
    "B0012": ("airbag_driver", "Driver airbag circuit", "Driver airbag, resistance too high"),
    "C0545": ("steering_torque", "Steering torque sensor", "Steering torque signal implausible"),
    "U0121": ("network_brakes", "Network, brakes", "No messages from the brake control unit"),
    "B1318": ("supply", "Supply voltage", "Battery voltage low at the body unit"),
}

Row = dict[str, Any]


@dataclass
class Try:
    """A fix attempt as the story tells it."""

    day: int
    ecu: str
    code: str
    outcome: str
    repair_id: str | None = None
    action: str | None = None
    parts: str | None = None
    cost: float | None = None
    p: float | None = None  # not held, or the same fault for a return
    to_go: float | None = None
    needed: float | None = None
    attempt_no: int = 1
    stayed: bool = False
    until: int | None = None  # day on which the fault was worked on again
    related: str | None = None
    group: tuple[int, int] = (34, 9)


@dataclass
class Story:
    """One vehicle over time: faults that are there, scans that look, people who act."""

    vehicle: Row
    km_start: float = 40_000
    km_a_day: float = 120
    clock: Clock = "km"
    frames: dict[str, list[Row]] = field(default_factory=dict)
    faults: list[tuple[str, str, int, int]] = field(default_factory=list)
    scans: list[tuple[float, str, tuple[str, ...], tuple[str, ...]]] = field(default_factory=list)
    tries: list[Try] = field(default_factory=list)
    wiped: list[tuple[int, str]] = field(default_factory=list)

    @property
    def name(self) -> str:
        """The vehicle's identifier."""
        return str(self.vehicle["vehicle_id"])

    def at(self, day: float, hour: float = 0) -> datetime:
        """Instant of a day of the story."""
        return START + timedelta(days=day, hours=hour)

    def km(self, day: float) -> float | None:
        """Odometer on a day; None for a vehicle that has none."""
        return None if self.clock != "km" else self.km_start + self.km_a_day * day

    def add(self, frame: str, **row: object) -> None:
        """Add one row to a frame."""
        self.frames.setdefault(frame, []).append(row)

    def fault(self, ecu: str, code: str, first: int, last: int = 10_000) -> "Story":
        """Put a fault into the vehicle from one day to another."""
        self.faults.append((ecu, code, first, last))
        return self

    def scan(
        self,
        *days: float,
        units: tuple[str, ...] = UNITS,
        silent: tuple[str, ...] = (),
        visit: str = "routine",
    ) -> "Story":
        """Scan the vehicle on some days."""
        scope = "full" if units == UNITS else "partial"
        for day in days:
            scan_id = f"S-{self.name[-2:].strip('-')}{round(day * 10):04d}"
            self.scans.append((day, scan_id, units, silent))
            at, km = self.at(day), self.km(day)
            for ecu in units:
                codes = [] if ecu in silent else self._codes(ecu, day)
                self.add(
                    "observations",
                    vehicle_id=self.name,
                    scan_id=scan_id,
                    ecu=ecu,
                    seen_at=at,
                    km=km,
                    scan_scope=scope,
                    visit_reason=visit,
                    answered=ecu not in silent,
                    memory="stored",
                    n_codes=len(codes),
                )
                for code in codes:
                    self.add(
                        "sightings",
                        vehicle_id=self.name,
                        scan_id=scan_id,
                        ecu=ecu,
                        code=code,
                        seen_at=at,
                        km=km,
                        presence="present",
                        status="confirmed",
                    )
            self.read_odometer(day, scan_id)
        return self

    def _codes(self, ecu: str, day: float) -> list[str]:
        return [c for e, c, first, last in self.faults if e == ecu and first <= day <= last]

    def read_odometer(
        self, day: float, origin: str, reading: float | None = None, cause: str | None = None
    ) -> "Story":
        """Read the odometer, rightly unless told otherwise."""
        km = self.km(day)
        if km is not None:
            self.add(
                "odometer",
                vehicle_id=self.name,
                read_at=self.at(day),
                reading_km=km if reading is None else reading,
                line_km=km,
                set_aside=cause,
                origin="scan",
                origin_id=origin,
            )
        return self

    def clear(
        self, day: int, *units: str, origin: str = "recorded", low: int | None = None
    ) -> "Story":
        """Erase codes in some control units."""
        for ecu in units:
            self.wiped.append((day, ecu))
            self.add(
                "clear_events",
                vehicle_id=self.name,
                ecu=ecu,
                cleared_at=self.at(day, 2),
                cleared_low_at=self.at(day if low is None else low, 2),
                cleared_high_at=self.at(day, 2),
                km_low=self.km(day if low is None else low),
                km_high=self.km(day),
                origin=origin,
                reason=None,
            )
        return self

    def attempt(self, tried: Try, position: str | None = None) -> "Story":
        """Work on a fault: a work order with its clear, or a bare clear."""
        self.tries.append(tried)
        if tried.repair_id is None:
            return self.clear(tried.day, tried.ecu)
        for row in self.frames.get("repairs", []):
            if row["repair_id"] == tried.repair_id:  # one order for two codes
                row["codes"] += f" {tried.code}"
                return self.clear(tried.day, tried.ecu, origin="with_repair")
        part_cost = None if tried.cost is None else round(tried.cost * 0.6, 2)
        labour = None if tried.cost is None else round(tried.cost * 0.4, 2)
        self.add(
            "repairs",
            repair_id=tried.repair_id,
            vehicle_id=self.name,
            repaired_at=self.at(tried.day, 1),
            km=self.km(tried.day),
            site=self.vehicle["site"],
            technician="M. Orrel",
            codes=tried.code,
            action=tried.action,
            part_number=None,
            part_brand=None,
            part_family=tried.parts,
            position=position,
            part_cost=part_cost,
            labour_cost=labour,
            currency="EUR",
            notes=None,
        )
        return self.clear(tried.day, tried.ecu, origin="with_repair")

    def tell(self) -> dict[str, list[Row]]:
        """Finish the story: episodes, attempts and their evidence."""
        self.add("vehicles", **self.vehicle)
        self.scans.sort()
        for ecu, code, first, last in self.faults:
            self._episodes(ecu, code, first, last)
        for i, tried in enumerate(self.tries, start=1):
            self._attempt(f"{self.name}/{i}", tried)
        return self.frames

    def _looks(self, ecu: str) -> list[tuple[float, str]]:
        return [
            (day, scan_id)
            for day, scan_id, units, silent in self.scans
            if ecu in units and ecu not in silent
        ]

    def _episodes(self, ecu: str, code: str, first: int, last: int) -> None:
        seen = [day for day, _ in self._looks(ecu) if first <= day <= last]
        if not seen:
            return
        before = [day for day, _ in self._looks(ecu) if day < seen[0]]
        after = [day for day, _ in self._looks(ecu) if day > seen[-1]]
        wipes = [day for day, unit in self.wiped if unit == ecu and day >= seen[-1]]
        end = min([*wipes, *after], default=None)
        by = "open" if end is None else "clear" if end in wipes else "clean_scan"
        family, label, meaning = MEANINGS[code]
        self.add(
            "episodes",
            vehicle_id=self.name,
            ecu=ecu,
            code=code,
            family=family,
            family_label=label,
            meaning=meaning,
            onset_low_at=self.at(before[-1]) if before else None,
            onset_high_at=self.at(seen[0]),
            onset_low_km=self.km(before[-1]) if before else None,
            onset_high_km=self.km(seen[0]),
            last_seen_at=self.at(seen[-1]),
            last_seen_km=self.km(seen[-1]),
            ended_by=by,
            ended_high_at=None if end is None else self.at(end),
            ended_high_km=None if end is None else self.km(end),
            n_scans=len(seen),
        )

    def _evidence(self, attempt_id: str, tried: Try) -> list[Row]:
        found: list[Row] = []
        reached = float(tried.day)
        for day, scan_id, units, silent in self.scans:
            if day <= tried.day or (tried.until is not None and day > tried.until):
                continue
            row: Row = {"finding": "no_evidence", "reason": None, "from": None, "to": None}
            code = tried.related or tried.code
            if tried.ecu not in units:
                continue
            if tried.ecu in silent:
                row["reason"] = EvidenceReason.NO_ANSWER
            elif {tried.code, code} & set(self._codes(tried.ecu, day)):
                row["finding"] = "stayed" if day < tried.day + 0.5 else "returned"
            elif self.km_a_day * (day - tried.day) < 50:
                row["reason"] = EvidenceReason.TOO_SOON_AFTER_CLEAR
                row |= {"driven": self.km_a_day * (day - tried.day), "needed": 50.0}
            else:
                row |= {"finding": "clean", "from": self.km(reached), "to": self.km(day)}
                reached = day
            found.append({"day": day, "scan_id": scan_id, **row})
            if row["finding"] in {"returned", "stayed"}:
                break
        for row in found:
            self.add(
                "evidence",
                attempt_id=attempt_id,
                scan_id=row["scan_id"],
                seen_at=self.at(row["day"]),
                km=self.km(row["day"]),
                finding=row["finding"],
                reason=row["reason"],
                since_clear_km=row.get("driven"),
                needed_km=row.get("needed"),
                stretch_from_km=row["from"],
                stretch_to_km=row["to"],
            )
        return found

    def _attempt(self, attempt_id: str, tried: Try) -> None:
        found = self._evidence(attempt_id, tried)
        clean = [row for row in found if row["finding"] == "clean"]
        back = [row for row in found if row["finding"] in {"returned", "stayed"}]
        last_clean = clean[-1]["day"] if clean else tried.day
        days = last_clean - tried.day
        family, label, meaning = MEANINGS[tried.code]
        came_back = tried.outcome == "came_back"
        self.add(
            "attempts",
            attempt_id=attempt_id,
            vehicle_id=self.name,
            ecu=tried.ecu,
            code=tried.code,
            family=family,
            family_label=label,
            meaning=meaning,
            kind="repair" if tried.repair_id else "clear_only",
            attempt_no=tried.attempt_no,
            repair_id=tried.repair_id,
            site=self.vehicle["site"],
            is_site_of_vehicle=tried.repair_id is None,
            technician="M. Orrel" if tried.repair_id else None,
            attempted_at=self.at(tried.day, 1),
            attempted_km=self.km(tried.day),
            outcome=tried.outcome,
            stayed=tried.stayed,
            p_not_held=None if came_back else tried.p,
            p_same_fault=tried.p if came_back else None,
            p_worn=0.0 if came_back else None,
            p_new=1 - tried.p if came_back and tried.p is not None else None,
            clean_km=days * self.km_a_day if clean else 0.0,
            clean_days=float(days),
            km_to_go=tried.to_go,
            returned_low_km=days * self.km_a_day if back else None,
            returned_high_km=(back[0]["day"] - tried.day) * self.km_a_day if back else None,
            related_code=tried.related,
            scans_used=len(clean) + len(back),
            clock=self.clock,
            returned_at=self.at(back[0]["day"]) if back else None,
            returned_scan_id=back[0]["scan_id"] if back else None,
            last_clean_at=self.at(last_clean) if clean else None,
            last_clean_scan_id=clean[-1]["scan_id"] if clean else None,
            ended_at=None if tried.until is None else self.at(tried.until, 1),
            action=tried.action,
            parts=tried.parts,
            cost=tried.cost,
            currency="EUR" if tried.cost is not None else None,
            n_group=tried.group[0],
            group_returned=tried.group[1],
            needed_km=tried.needed,
        )


def vehicle(vehicle_id: str, model: str, site: str, **more: object) -> Row:
    """Describe an invented vehicle."""
    return {
        "vehicle_id": vehicle_id,
        "vin": None,
        "plate": None,
        "make": "Veldrun",
        "model": model,
        "model_year": 2021,
        "powertrain": "diesel",
        "site": site,
        "in_service_on": date(2021, 5, 3),
        "stock_status": "in_fleet",
        "acquired_on": date(2021, 4, 12),
        **more,
    }
