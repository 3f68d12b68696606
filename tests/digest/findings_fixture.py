"""Invented findings on the invented fleet: one of each kind, flagged and not."""

import json
from collections.abc import Mapping
from dataclasses import fields
from datetime import UTC, datetime
from typing import Any

import polars as pl

from afterclear.digest.input.finding_rows import FINDING_ROWS
from afterclear.finding_tables.declaration import columns_of
from afterclear.finding_tables.registry import STORED

Row = dict[str, Any]


def day(month: int, on: int) -> datetime:
    """Give a day of 2025."""
    return datetime(2025, month, on, 9, tzinfo=UTC)


def _holder(level: str, name: str, seen: int, expected: float, label: str) -> Row:
    return {
        "level": level,
        "name": name,
        "n_attempts": 90,
        "n_judged": 80,
        "observed": seen,
        "expected": expected,
        "ratio": seen / expected,
        "ratio_low": 0.8 * seen / expected,
        "ratio_high": 1.3 * seen / expected,
        "limit_ratio": 1.9,
        "flagged": label == "worse",
        "lost_to_follow_up": 0.04,
        "label": label,
        "phi": 1.4,
        "reason": label,
        "n_repairs": 85,
        "method": "observed over expected",
        "apart_from": "brand" if level == "site" else "site",
        "ratio_apart": 1.6,
        "ratio_apart_low": 1.1,
        "ratio_apart_high": 2.3,
    }


def _part(number: str, brand: str, failed: int, ratio: float | None, *, flagged: bool) -> Row:
    return {
        "part_number": number,
        "part_brand": brand,
        "part_family": "wheel_speed_sensor",
        "position": None,
        "n_fitted": 12,
        "n_failed": failed,
        "km_observed": 180_000.0,
        "b10_km": 9_000.0 if failed else None,
        "b10_low_km": 4_000.0,
        "b10_high_km": 16_000.0 if failed else None,
        "shape": 1.4,
        "life_ratio_to_peers": ratio,
        "ratio_low": 0.1,
        "ratio_high": 0.9,
        "q_value": 0.01,
        "flagged": flagged,
        "method": "likelihood",
        "grouping": "number",
        "family_label": "wheel speed sensor",
        "n_followed": 12,
        "n_peers": 30,
        "n_peers_failed": 4,
    }


def _claim(vehicle: str, ran: float, ended_by: str) -> Row:
    return {
        "part_number": "KX-11",
        "part_brand": "Brellow",
        "part_family": "wheel_speed_sensor",
        "position": "front_right",
        "vehicle_id": vehicle,
        "fitted_at": day(1, 9),
        "fitted_km": 50_000.0,
        "fitted_repair_id": f"WO-f-{vehicle}",
        "ended_by": ended_by,
        "failed": ended_by == "failure",
        "removed_at": day(5, 2) if ended_by == "failure" else None,
        "removed_km": 50_000.0 + ran if ended_by == "failure" else None,
        "removed_repair_id": f"WO-r-{vehicle}" if ended_by == "failure" else None,
        "km_run": ran,
        "km_unwatched": 0.0,
        "fitted_site": "Northquay",
        "part_cost": 61.5,
        "currency": "EUR",
    }


def _recurring(vehicle: str, code: str, times: int, *, flagged: bool) -> Row:
    return {
        "vehicle_id": vehicle,
        "ecu": "engine",
        "code": code,
        "family": "misfire" if code == "P0301" else "egr_flow",
        "n_episodes": times,
        "exposure_km": 80_000.0,
        "rate_per_10000km": 0.9,
        "peer_rate_per_10000km": 0.1,
        "p_excess": 0.99,
        "q_value": 0.01,
        "flagged": flagged,
        "n_onsets": times,
        "expected_onsets": 0.8,
        "peers": "model_engine",
        "family_label": "misfire" if code == "P0301" else "EGR flow",
        "meaning": "misfire, cylinder 1" if code == "P0301" else "EGR flow too small",
        "ratio": 9.0,
        "ratio_low": 3.0,
        "ratio_high": 20.0,
    }


def _quarter(name: str, share: float | None, judged: int) -> Row:
    spread = None if share is None else 0.1
    return {
        "site": None,
        "quarter": name,
        "n_attempts": judged + 4,
        "n_judged": judged,
        "observed": min(5, judged // 2),
        "n_worn_or_new": judged // 5,
        "n_still_there": 1,
        "n_held": judged // 5,
        "n_on_watch": judged - min(5, judged // 2) - 2 * (judged // 5),
        "expected": 4.2,
        "share_held": share,
        "share_low": None if spread is None or share is None else share - spread,
        "share_high": None if spread is None or share is None else share + spread,
    }


def _change(
    name: str, told: str, ratio: float | None = None, measures: str = "failing_fixes", **more: Any
) -> Row:
    is_fixes = measures == "failing_fixes" and ratio is not None
    rates = ratio is not None and measures == "new_faults"
    apart = more.get("apart")
    return {
        "name": name,
        "measures": measures,
        "begins_at": datetime(2025, 3, 3, tzinfo=UTC),
        "ends_at": datetime(2025, 6, 1, tzinfo=UTC) if told == "no_difference" else None,
        "told": told,
        "is_lasting": told == "helped",
        "n_before": 120,
        "n_after": 80,
        "others_n_before": 400,
        "others_n_after": 300,
        "n_vehicles": 60,
        "others_n_vehicles": 200,
        "ratio": ratio,
        "ratio_low": ratio and ratio * 0.6,
        "ratio_high": ratio and ratio * 1.6,
        "always_low": ratio and ratio * 0.5,
        "always_high": ratio and ratio * 1.9,
        "p_value": ratio and 0.01,
        "share_before": 0.18 if is_fixes else None,
        "share_after": 0.09 if is_fixes else None,
        "share_expected": 0.18 if is_fixes else None,
        "others_share_before": 0.15 if is_fixes else None,
        "others_share_after": 0.15 if is_fixes else None,
        "km_before": 900_000.0 if rates else None,
        "km_after": 700_000.0 if rates else None,
        "others_km_before": 3_000_000.0 if rates else None,
        "others_km_after": 2_100_000.0 if rates else None,
        "rate_before": 1.1 if rates else None,
        "rate_after": 2.0 if rates else None,
        "others_rate_before": 1.2 if rates else None,
        "others_rate_after": 1.25 if rates else None,
        "apart_low": apart and apart - 6,
        "apart_high": apart and apart + 6,
    } | more


def _role(scan: str, ecu: str, code: str, role: str, cause: tuple[str, str] | None = None) -> Row:
    return {
        "scan_id": scan,
        "vehicle_id": "BUS-07",
        "ecu": ecu,
        "code": code,
        "role": role,
        "primary_ecu": cause[0] if cause else None,
        "primary_code": cause[1] if cause else None,
        "confidence": 0.9,
        "reason": "unrelated",
        "facts": json.dumps({"code": code, "unit": ecu, "meaning": "invented"}),
        "seen_at": day(5, 20) if scan == "S-2" else day(3, 1),
    }


def _followed(code: str, cause: str, reason: str, **on: str) -> Row:
    facts = {"code": code, "unit": "airbag", "cause_code": cause, "cause_unit": "brakes"}
    facts |= {"repaired_on": "2025-04-01T09:00:00", **on}
    return {"reason": reason, "facts": json.dumps(facts)}


def _stock(vehicle: str, verdict: str, km: float | None, *, safety: bool = False) -> Row:
    return {
        "vehicle_id": vehicle,
        "verdict": verdict,
        "reasons": "[]",
        "km_to_rescan": km,
        "last_full_scan_at": day(5, 2) if verdict == "ready" else None,
        "deciding": '[["ready", {}]]',
        "safety": safety,
    }


def _reason(vehicle: str, position: int, reason: str, **facts: object) -> Row:
    return {
        "vehicle_id": vehicle,
        "position": position,
        "reason": reason,
        "weight": "rescan",
        "subject": None,
        "km_to_rescan": 0.0,
        "source": None,
        "facts": json.dumps(facts),
    }


def _cost(kind: str, amount: float, back: float, **more: object) -> Row:
    return {
        **dict.fromkeys(("vehicle_id", "site", "fault", "label")),
        "kind": kind,
        "currency": "EUR",
        "from_at": day(1, 1),
        "to_at": day(12, 1),
        "days": 334,
        "n_orders": 7,
        "amount": amount,
        "n_came_back": 2 if back else 0,
        "amount_came_back": back,
        "n_credits": 0,
        "n_without": 0,
        **more,
    }


def work(vehicle: str, rank: int | None, kind: str, *, safety: bool = False) -> Row:
    return {
        "vehicle_id": vehicle,
        "rank": rank,
        "deeds": json.dumps(
            [["find_and_repair", {"code": f"Code of {vehicle}", "unit": "brakes"}]]
        ),
        "grounds": json.dumps([["proven_after", {"to_go_km": 120.0}]]),
        "looks": json.dumps([["scan_later", {"unit": "brakes", "after_km": 300.0}]]),
        "safety": safety,
        "urgency": "do_not_drive" if safety and kind == "bring_in" else "next_visit",
        "since_at": datetime(2026, 2, 3, 9, tzinfo=UTC),
        "meaning": "wheel speed sensor, front right" if safety else "misfire, cylinder 1",
        "usual_cost": 140.0 if kind == "bring_in" else 0.0,
        "attempt_ids": "",
        "audience": "fleet",
        "kind": kind,
        "expected_loss": 140.0,
        "currency": "EUR",
        "codes": '["C0034"]' if safety else '["P0301"]',
        "cautions": "brakes" if safety else "",
        "decision": None
        if rank
        else json.dumps(["decided_to_accept", {"decided_on": "2026-03-01T00:00:00"}]),
        "note": None if rank else "Wait, says M. Orrel.",
    }


ROWS: dict[str, list[Row]] = {
    "recurring": [
        _recurring("HX-211", "P0301", 5, flagged=True),
        _recurring("HX-217", "P0401", 4, flagged=True),
        _recurring("HX-211", "P0401", 2, flagged=False),
    ],
    "worsening": [
        {
            "vehicle_id": vehicle,
            "n_events": n,
            "exposure_km": 90_000.0,
            "trend": trend,
            "p_value": 0.002,
            "q_value": 0.01,
            "shape": 2.2,
            "shape_own": 2.4,
            "shape_low": 1.3,
            "shape_high": 4.1,
        }
        for vehicle, n, trend in (
            ("HX-211", 11, "worsening"),
            ("HX-217", 9, "improving"),
            ("HX-204", 2, "too_few"),
            ("BUS-15", 8, "none"),
        )
    ],
    "parts": [
        _part("KX-11", "Brellow", 6, 0.3, flagged=True),
        _part("TD-9", "Tandrel", 1, None, flagged=False),
        _part("TD-8", "Tandrel", 0, None, flagged=False),
    ],
    "claims": [
        _claim("HX-204", 4_000.0, "failure"),
        _claim("HX-211", 9_000.0, "failure"),
        _claim("HX-217", 15_000.0, "in_service"),
        _claim("HX-999", 12_000.0, "preventive"),  # of a vehicle no list names
    ],
    "failed_parts": [_claim("HX-211", 9_000.0, "failure"), _claim("HX-204", 4_000.0, "failure")],
    "holders": [
        _holder("site", "Northquay", 40, 21.0, "worse"),
        _holder("site", "Hollin Yard", 9, 12.0, "ordinary"),
        _holder("site", "Marrow Lane", 2, 9.0, "better"),
        _holder("site", "Outpost", 1, 0.6, "too_few"),
        _holder("technician", "M. Orrel", 30, 16.0, "ordinary"),
        _holder("brand", "Brellow", 9, 3.0, "worse"),
        _holder("brand", "Tandrel", 4, 6.0, "ordinary"),
    ],
    "interventions": [
        _change("Hollin Yard fits hose B", "helped", ratio=0.5, apart=9.2),
        _change("Software 4.2", "harmed", ratio=1.8, measures="new_faults"),
        _change("Brellow again", "no_difference", ratio=0.95),
        _change("Outpost measures", "too_few", n_more=240),
        _change("Nobody", "nobody_touched"),
    ],
    "held_by_quarter": [
        _quarter("2024-Q3", 0.55, 30),
        _quarter("2024-Q4", None, 0),
        _quarter("2025-Q1", 0.7, 25),
        _quarter("2025-Q2", 1.0, 2),
    ],
    "process": [
        {
            "site": site,
            "finding": "bare_clears",
            "n": n,
            "n_of": 40,
            "share": n / 40,
            "share_low": 0.1,
            "share_high": 0.7,
            "others_share": 0.2,
            "q_value": 0.01,
            "flagged": flagged,
        }
        for site, n, flagged in (("Northquay", 22, True), ("Hollin Yard", 7, False))
    ],
    "process_costs": [
        {
            "site": "Northquay",
            "finding": "come_backs",
            "currency": currency,
            "n_orders": 9,
            "n_priced": 8,
            "cost": cost,
        }
        for currency, cost in (("EUR", 2_310.0), ("CHF", 88.0))
    ],
    "costs": [
        _cost("fleet", 2_900.0, 640.0),
        _cost("vehicle", 1_700.0, 640.0, vehicle_id="HX-211"),
        _cost("vehicle", 900.0, 0.0, vehicle_id="BUS-07"),
        _cost("vehicle", 300.0, 0.0, vehicle_id="HX-204", currency=None),
        _cost("site", 2_600.0, 640.0, site="Northquay", n_credits=1, n_without=2),
        _cost("site", 300.0, 0.0),
        _cost("fault", 1_400.0, 640.0, fault="egr_valve", label="EGR valve"),
    ],
    "roles": [
        _role("S-2", "brakes", "C0034", "primary"),
        _role("S-2", "gateway", "U0121", "consequential", ("brakes", "C0034")),
        _role("S-2", "body", "B1318", "stands_alone"),
        _role("S-1", "gateway", "U0121", "stands_alone"),
    ],
    "stock": [
        _stock("VAN-31", "ready", None),
        _stock("VAN-34", "rescan", 250.0),
        _stock("VAN-40", "hold", None, safety=True),
    ],
    "stock_reasons": [
        _reason("VAN-34", 2, "monitors_incomplete", monitors=["evaporative"], usual_km=250),
        _reason("VAN-34", 1, "recent_clear_unrecorded", since_clear_km=14),
        _reason("VAN-40", 1, "pending_code", code="C0050", unit="brakes"),
    ],
    "worklist": [
        work("HX-211", 2, "bring_in"),
        work("BUS-07", 1, "bring_in", safety=True),
        work("VAN-40", 3, "scan", safety=True),
    ],
    "worklist_set_aside": [work("BUS-15", None, "bring_in")],
    "leftovers": [
        {
            "vehicle_id": "BUS-07",
            "ecu": "gateway",
            "code": "U0121",
            "primary_ecu": "brakes",
            "primary_code": "C0034",
            "is_open": True,
            **_followed("U0121", "C0034", "outlived_cause", cleared_on="2025-04-03T09:00:00"),
        }
    ],
    "echo_work": [
        {
            "attempt_id": "BUS-07/2",
            "vehicle_id": "BUS-07",
            "code": "U0121",
            "primary_ecu": "brakes",
            "primary_code": "C0034",
            **_followed("U0121", "C0034", "work_on_follower", worked_on="2025-04-01T09:00:00"),
        }
    ],
    "decisions": [
        {
            "vehicle_id": "BUS-15",
            "attempt_id": None,
            "ecu": None,
            "code": "P2002",
            "word": word,
            "until_at": day(9, 1),
            "until_km": 160_000.0,
            "decided_by": "M. Orrel",
            "note": "filter is ordered",
            "decided_at": day(6, 1),
            "undone_at": undone,
        }
        for word, undone in (("wait", None), ("not_a_fault", day(6, 2)))
    ],
}


def findings(rows: Mapping[str, list[Row]] = ROWS) -> dict[str, pl.DataFrame]:
    """Put the rows into tables; a table without rows has its columns."""
    return {
        name: _whole(name, rows[name]) if rows.get(name) else _empty(name) for name in FINDING_ROWS
    }


def _whole(name: str, rows: list[Row]) -> pl.DataFrame:
    """Make a table of rows that tell what a test needs; the other columns are empty."""
    told = pl.DataFrame(rows, infer_schema_length=None)
    columns = [field.name for field in fields(FINDING_ROWS[name])]
    return told.with_columns(pl.lit(None).alias(c) for c in columns if c not in told.columns)


def _empty(name: str) -> pl.DataFrame:
    kind = FINDING_ROWS[name]
    schema: dict[str, Any] = dict.fromkeys((f.name for f in fields(kind)), pl.String)
    if name in STORED:
        schema |= {c.name: _TYPES.get(c.kind, pl.String) for c in columns_of(STORED[name].row)}
    return pl.DataFrame(schema=schema)


_TYPES: dict[type, Any] = {int: pl.Int64, float: pl.Float64, bool: pl.Boolean}


def nothing_found() -> dict[str, pl.DataFrame]:
    """Give the tables of an analysis that found nothing."""
    return findings({})
