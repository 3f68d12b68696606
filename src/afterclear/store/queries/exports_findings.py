"""Tables of findings a person can take out; the first columns of each are a contract."""

from typing import Final

_HOLDERS: Final = """
        SELECT name AS {name}, n_attempts, n_judged, observed, expected, ratio, ratio_low,
            ratio_high, limit_ratio AS "limit", flagged, lost_to_follow_up, label, limit_low, phi,
            p_value, q_value, shrunken_ratio, shrunken_low, shrunken_high, rank, n_repairs,
            n_bare_clears, n_never_gone, n_seen_elsewhere, apart_from, ratio_apart,
            ratio_apart_low, ratio_apart_high, p_apart, n_side_by_side{more}, method, sentence
        FROM holders WHERE level = '{name}' ORDER BY ratio DESC NULLS LAST, name, at_sites"""

FINDINGS: Final[dict[str, str]] = {
    "recurring": """
        SELECT vehicle_id, ecu, code, family, n_episodes, exposure_km, rate_per_10000km,
            peer_rate_per_10000km, p_excess, q_value, flagged, n_onsets, expected_onsets, ratio,
            ratio_low, ratio_high, p_value, peers, peer_onsets, peer_km, method, sentence
        FROM recurring ORDER BY flagged DESC, q_value, vehicle_id, ecu, code""",
    "worsening": """
        SELECT vehicle_id, n_events, exposure_km, trend, p_value, q_value, shape, shape_own,
            shape_low, shape_high, p_worsening, entry_km, exit_km, method, sentence
        FROM worsening ORDER BY trend <> 'worsening', p_worsening DESC, vehicle_id""",
    "parts": """
        SELECT part_number, part_brand, part_family, position, n_fitted, n_failed, km_observed,
            b10_km, b10_low_km, b10_high_km, shape, life_ratio_to_peers, ratio_low, ratio_high,
            q_value, flagged, method, "grouping", family_label, part_grades, n_followed,
            n_preventive, n_accident, n_unknown_reason, n_lost_sight, n_late_entry, shape_low,
            shape_high, pattern, p_value, test, n_peers, n_peers_failed, n_strata,
            share_failed_at_horizon, horizon_km, expected_km, expected_source, life_to_expected,
            to_expected_low, to_expected_high, sentence
        FROM parts
        ORDER BY part_family, "grouping", part_brand, part_number, position""",
    "sites": _HOLDERS.format(name="site", more=""),
    "technicians": _HOLDERS.format(name="technician", more=", at_sites AS site"),
    "brands": _HOLDERS.format(name="brand", more=", at_sites"),
    "grades": _HOLDERS.format(name="grade", more=", at_sites"),
    "claims": """
        SELECT part_number, part_brand, part_grade, part_family, position, vehicle_id, fitted_at,
            fitted_km, fitted_repair_id, fitted_site, ended_by, removed_at, removed_km,
            removed_repair_id, removed_site, km_run, km_unwatched, is_factory, part_cost, currency,
            number_on_order, failed
        FROM claims
        ORDER BY part_family, part_brand, part_number, km_run, vehicle_id, position, fitted_km""",
    "process": """
        SELECT site, finding, n, n_of, share, share_low, share_high, others_share, odds_ratio,
            odds_low, odds_high, p_value, q_value, flagged, method, sentence
        FROM process ORDER BY finding, share DESC, site""",
    "process_costs": """
        SELECT site, finding, currency, n_orders, n_priced, cost, sentence
        FROM process_costs ORDER BY finding, site, currency""",
    "process_orders": """
        SELECT site, finding, vehicle_id, repair_id, attempt_id, happened_at, code, what, cost,
            currency
        FROM process_orders
        ORDER BY finding, site, happened_at, vehicle_id, repair_id, what, code, attempt_id, cost""",
}

# What lies behind findings, or is drawn of them: no verdicts, so no sentences.
FINDING_LISTS: Final[dict[str, str]] = {
    "worsening_events": """
        SELECT vehicle_id, event_no, seen_at, event_km, faults
        FROM worsening_events ORDER BY vehicle_id, event_no""",
    "fault_curves": """
        SELECT platform, km, n_at_risk, mean, mean_low, mean_high
        FROM fault_curves ORDER BY platform, km""",
    "held_by_quarter": """
        SELECT site, quarter, n_attempts, n_judged, observed, expected, ratio, ratio_low,
            ratio_high, share_held, share_low, share_high
        FROM held_by_quarter ORDER BY site NULLS FIRST, quarter""",
    "parts_left_out": "SELECT reason, n FROM parts_left_out ORDER BY reason",
}

PAGE_FINDINGS: Final[dict[str, str]] = {**FINDINGS, **FINDING_LISTS}
