-- Take what was known of every vehicle out of the store, at once: vehicle by vehicle, each bucket
-- would look through all the others.
DELETE FROM store.other_readings;
DELETE FROM store.other_moments;
DELETE FROM store.vehicle_clocks;
DELETE FROM store.looks;
DELETE FROM store.scan_moments;
DELETE FROM store.known_units;
DELETE FROM store.sightings;
DELETE FROM store.clear_events;
DELETE FROM store.episodes;
DELETE FROM store.attempts;
DELETE FROM store.evidence_steps;
DELETE FROM store.fix_numbers;
DELETE FROM store.onsets;
DELETE FROM store.watched;
DELETE FROM store.vehicle_words;
