"""Contradictions between VINs, plates and numbers of vehicles."""

from typing import Final

# A VIN or plate in SQL as it is compared: ``names_in_text.plain_id``.
SQL_MARK = "upper(regexp_replace({}, '[^\\p{{L}}\\p{{N}}]', '', 'g'))"

IDENTITY_EXPORTS: Final[dict[str, str]] = {
    "identity_conflicts": f"""
        WITH told AS (
            SELECT vehicle_id, vin, plate, plate_since, true AS is_current FROM vehicles
            UNION ALL
            SELECT row_json->>'vehicle_id', row_json->>'vin', row_json->>'plate',
                try_cast(row_json->>'plate_since' AS DATE), false
            FROM superseded WHERE table_name = 'vehicles'
        ),
        marked AS (
            SELECT vehicle_id, {SQL_MARK.format("vin")} AS vin, {SQL_MARK.format("plate")} AS plate,
                plate_since, is_current
            FROM told
        )
        SELECT 'vin' AS kind, vin AS mark, string_agg(DISTINCT vehicle_id, ' ' ORDER BY vehicle_id)
                AS vehicle_ids, 'one VIN stands with several vehicle numbers' AS says
        FROM marked WHERE is_current AND vin <> '' GROUP BY vin
        HAVING count(DISTINCT vehicle_id) > 1
        UNION ALL
        SELECT 'number', vehicle_id, string_agg(DISTINCT vin, ' ' ORDER BY vin),
            'one vehicle number has had several VINs: these'
        FROM marked WHERE vin <> '' GROUP BY vehicle_id HAVING count(DISTINCT vin) > 1
        UNION ALL
        SELECT 'plate', plate, string_agg(DISTINCT vehicle_id, ' ' ORDER BY vehicle_id),
            CASE WHEN plate_since IS NULL
                THEN 'one plate stands with several vehicles, without plate_since'
                ELSE 'one plate was given to several vehicles on ' || plate_since END
        FROM marked WHERE plate <> '' GROUP BY plate, plate_since
        HAVING count(DISTINCT vehicle_id) > 1
        UNION ALL
        SELECT 'ecu_vin', ecu_vin, string_agg(DISTINCT vehicle, ' ' ORDER BY vehicle),
            'control units of the first vehicles state the VIN of another: ' || min(owner)
        FROM (
            SELECT s.ecu_vin, s.vehicle_id AS vehicle, m.vehicle_id AS owner
            FROM (SELECT DISTINCT ecu_vin, vehicle_id FROM scans WHERE ecu_vin IS NOT NULL) s
            JOIN marked m ON m.is_current AND m.vin = {SQL_MARK.format("s.ecu_vin")}
                AND m.vehicle_id <> s.vehicle_id
        ) GROUP BY ecu_vin
        UNION ALL
        SELECT 'vin_doubt', vin, string_agg(DISTINCT vehicle_id, ' ' ORDER BY vehicle_id), says
        FROM (SELECT vin, vehicle_id, vin_doubt(vin, model_year) AS says FROM vehicles)
        WHERE says IS NOT NULL GROUP BY vin, says
        UNION ALL
        SELECT 'ecu_vin_doubt', ecu_vin, string_agg(DISTINCT vehicle_id, ' ' ORDER BY vehicle_id),
            says
        FROM (
            SELECT ecu_vin, vehicle_id, vin_doubt(ecu_vin, NULL) AS says
            FROM (SELECT DISTINCT ecu_vin, vehicle_id FROM scans WHERE ecu_vin IS NOT NULL))
        WHERE says IS NOT NULL GROUP BY ecu_vin, says
        ORDER BY kind, mark""",
}
