"""The work behind the figures of the garage page: the latest of each list it shows."""

from typing import Final

from afterclear.finding_tables.registry import PAGE_FINDINGS

LISTED: Final = 50  # of each list, the latest; the exports have all

_LATEST: Final = "ORDER BY a.attempted_at DESC, attempt_id) <= {listed}"
# held and on watch are one list
_LISTS: Final = "CASE WHEN counted_as = 'on_watch' THEN 'held' ELSE counted_as END"
_GROUPS: Final = ("a.site", "a.technician, a.site", "brand", "grade")

PAGE_ORDERS: Final[dict[str, str]] = {
    "quality_work": f"""
        SELECT a.attempt_id, a.vehicle_id, a.ecu, a.code, m.family_label, m.meaning,
            a.attempted_at, a.repair_id, a.site, a.technician, c.part_brand AS brand,
            c.part_grade AS grade, c.counted_as, v.outcome, a.stayed, a.returned_at,
            a.returned_scan_id, a.related_code, a.last_clean_at, a.last_clean_scan_id
        FROM counted_work c
        JOIN attempts a USING (attempt_id)
        JOIN verdicts v USING (attempt_id)
        LEFT JOIN codes_met m ON m.code = a.code AND m.family IS NOT DISTINCT FROM a.family
        QUALIFY {
        " OR ".join(
            f"row_number() OVER (PARTITION BY {group}, {_LISTS} " + _LATEST.format(listed=LISTED)
            for group in _GROUPS
        )
    }
        ORDER BY a.attempted_at DESC, a.attempt_id""",
    "habit_work": f"""
        SELECT p.finding, p.site, p.vehicle_id, p.repair_id, p.attempt_id, p.happened_at, p.code,
            p.part_brand, p.part_number, p.part_label, p.cost, p.currency, a.technician, a.ecu,
            a.code AS shown_code, m.family_label, m.meaning, v.outcome, a.stayed, a.returned_at,
            a.returned_scan_id, a.last_clean_at, a.last_clean_scan_id,
            count(*) OVER (PARTITION BY p.finding, p.site) AS n_all
        FROM process_orders p
        LEFT JOIN attempts a USING (attempt_id)
        LEFT JOIN verdicts v USING (attempt_id)
        LEFT JOIN codes_met m ON m.code = a.code AND m.family IS NOT DISTINCT FROM a.family
        WHERE p.finding IN (SELECT finding FROM process UNION SELECT finding FROM process_costs)
        QUALIFY row_number() OVER (
            PARTITION BY p.finding, p.site
            ORDER BY p.happened_at DESC, p.vehicle_id, p.repair_id, p.attempt_id, p.what)
            <= {LISTED}
        ORDER BY p.happened_at DESC, p.vehicle_id, p.repair_id, p.attempt_id, p.finding, p.what,
            p.cost""",
    "failed_parts": f"""
        SELECT * FROM ({PAGE_FINDINGS["claims"]}) WHERE failed
        QUALIFY row_number() OVER (
            PARTITION BY part_family, part_brand, part_number
            ORDER BY removed_at DESC, vehicle_id, position) <= {LISTED}
        ORDER BY removed_at DESC, vehicle_id, position, part_family, part_brand, part_number""",
    # work orders that were needed because an earlier one failed
    "repeat_prices": """
        SELECT currency, count(*)::INTEGER AS n, median(cost) AS price
        FROM process_orders
        WHERE finding = 'come_backs' AND cost IS NOT NULL AND currency IS NOT NULL
        GROUP BY currency ORDER BY currency""",
}
