-- Take what was known of the bucket's vehicles out of the store.
DELETE FROM store.other_readings WHERE vehicle_id IN (SELECT vehicle_id FROM bucket);
DELETE FROM store.other_moments WHERE vehicle_id IN (SELECT vehicle_id FROM bucket);
DELETE FROM store.vehicle_clocks WHERE vehicle_id IN (SELECT vehicle_id FROM bucket);
DELETE FROM store.looks WHERE scan_no IN (
    SELECT scan_no FROM store.scan_moments JOIN bucket USING (vehicle_id));
DELETE FROM store.scan_moments WHERE vehicle_id IN (SELECT vehicle_id FROM bucket);
DELETE FROM store.known_units WHERE vehicle_id IN (SELECT vehicle_id FROM bucket);
DELETE FROM store.sightings WHERE vehicle_id IN (SELECT vehicle_id FROM bucket);
DELETE FROM store.clear_events WHERE vehicle_id IN (SELECT vehicle_id FROM bucket);
DELETE FROM store.episodes WHERE vehicle_id IN (SELECT vehicle_id FROM bucket);
DELETE FROM store.evidence_steps WHERE fix_no IN (
    SELECT fix_no FROM store.fix_numbers JOIN bucket USING (vehicle_id));
DELETE FROM store.fix_numbers WHERE vehicle_id IN (SELECT vehicle_id FROM bucket);
DELETE FROM store.attempts WHERE vehicle_id IN (SELECT vehicle_id FROM bucket);
DELETE FROM store.onsets WHERE vehicle_id IN (SELECT vehicle_id FROM bucket);
DELETE FROM store.watched WHERE vehicle_id IN (SELECT vehicle_id FROM bucket);
DELETE FROM store.vehicle_words WHERE vehicle_id IN (SELECT vehicle_id FROM bucket);
