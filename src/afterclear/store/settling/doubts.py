"""Doubtful rows of a load for a person to check: they are kept, and the load's line says so."""

from afterclear.errors import worded
from afterclear.store.engine.connection import Connection
from afterclear.store.engine.database import query, scalar

# As histories/odometer.py takes it: what is rounding, and what may be driven within a day.
_FALL_KM, _FALL_SHARE, _SLACK_KM = 2.0, 0.001, 100.0
# Readings of a larger load are set aside by the next analysis only: checking all takes too long.
_MOST_ROWS = 1_000_000
_SCAN_ROWS = """
    FROM scan_lines SEMI JOIN (SELECT fact_no FROM scan_facts WHERE load_id = {}) USING (fact_no)"""


def doubtful_vins(con: Connection, load_id: int) -> str:
    """Say how many VINs of this load are none, or are likely typed wrongly."""
    told = f"""(SELECT vin, model_year FROM vehicles WHERE load_id = {load_id}
        UNION ALL SELECT DISTINCT ecu_vin, NULL FROM ({_SCAN_ROWS.format(load_id)}
            WHERE ecu_vin IS NOT NULL))"""
    # most loads have none, and the rule for doubts takes long to plan
    if not scalar(con, f"SELECT count(vin) FROM {told}"):
        return ""
    doubt = "vin_doubt(vin, model_year) IS NOT NULL"
    n_vins = scalar(con, f"SELECT count(DISTINCT vin) FROM {told} WHERE {doubt}")
    if not n_vins:
        return ""
    return worded("VINs to look at: {n:,} ('afterclear export identity_conflicts')", n=n_vins)


def undrivable_readings(con: Connection, load_id: int, max_km_per_day: float) -> str:
    """Count readings of this load that no vehicle can have driven since the last; name the first.

    A reading is one if it follows from neither of the two before it: 98,765 km between 12,000 and
    12,100 is, and the 12,100 is not.  ``max_km_per_day``: as for the histories.
    """
    own = f"""SELECT vehicle_id FROM scan_facts WHERE load_id = {load_id}
        UNION SELECT vehicle_id FROM clears WHERE load_id = {load_id}
        UNION SELECT vehicle_id FROM repairs WHERE load_id = {load_id}"""
    parts = (("scan_facts", "scanned_at"), ("clears", "cleared_at"), ("repairs", "repaired_at"))
    own_rows = (
        _SCAN_ROWS.format(load_id),
        *(f"FROM {table} WHERE load_id = {load_id}" for table in ("clears", "repairs")),
    )
    if any(scalar(con, f"SELECT count(*) FROM ({rows})") > _MOST_ROWS for rows in own_rows):
        return ""
    readings = " UNION ALL ".join(
        f"""SELECT vehicle_id, {at} AS read_at, odometer_km AS km, load_id = {load_id} AS is_own
            FROM {table} WHERE odometer_km IS NOT NULL AND vehicle_id IN (SELECT * FROM own)"""
        for table, at in parts
    )
    found = query(
        con,
        f"""WITH own AS ({own}),
            readings AS (
                SELECT vehicle_id, read_at, km, bool_or(is_own) AS is_own
                FROM ({readings}) GROUP BY ALL
            ),
            lined_up AS (
                SELECT *, lag(km) OVER w AS before_km, lag(read_at) OVER w AS before_at,
                    lag(km, 2) OVER w AS first_km, lag(read_at, 2) OVER w AS first_at
                FROM readings WINDOW w AS (PARTITION BY vehicle_id ORDER BY read_at, km)
            )
            SELECT vehicle_id, read_at, km, before_km, before_at FROM lined_up
            WHERE is_own AND before_km IS NOT NULL
                AND NOT {_follows("before", max_km_per_day)}
                AND NOT coalesce({_follows("first", max_km_per_day)}, false)
            ORDER BY vehicle_id, read_at, km""",
    ).rows()
    if not found:
        return ""
    vehicle, at, km, before_km, before_at = found[0]
    return worded(
        "odometer readings that cannot have been driven since the last: {n:,} "
        "({vehicle}, {day}: {km:,.0f} km after {before_km:,.0f} km on {before}); "
        "kept, and set aside by the analysis where they fit nothing",
        n=len(found),
        vehicle=vehicle,
        day=f"{at:%Y-%m-%d}",
        km=km,
        before_km=before_km,
        before=f"{before_at:%Y-%m-%d}",
    )


def _follows(earlier: str, max_km_per_day: float) -> str:
    """Write SQL for: a reading follows from an earlier one, by rounding and by a day's driving."""
    days = f"(epoch(read_at) - epoch({earlier}_at)) / 86400"
    fall = f"greatest({_FALL_KM}, {_FALL_SHARE} * {earlier}_km)"
    return f"(km - {earlier}_km BETWEEN -{fall} AND {days} * {max_km_per_day:f} + {_SLACK_KM})"
