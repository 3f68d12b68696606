"""Stored rows -> what was seen, cleared, tried and proven.

The rules are SQL files, run in the order of their numbers for a *bucket* of vehicles
(``build_histories.py``).  Which file reads and writes which table (``store.`` marks those that are
kept; ``tests/histories/test_table_flow.py`` holds this map to the SQL):

05_rows.sql
    reads  bucket, store.scans
    writes bucket_scans
10_moments.sql
    reads  bucket, bucket_scans, store.clears, store.repairs
    writes moments, scan_heads
20_line.sql
    reads  bucket, moments, odometer
    writes line, moment_km, rates, vehicle_clocks
30_units.sql
    reads  bucket, bucket_scans, scan_heads, store.repairs, store.vehicles, told_units, unit_labels
    writes scan_rows, told_codes, unit_names, units
35_sightings.sql
    reads  bucket, meanings, moment_km, part_families, presences, scan_heads, scan_rows,
           store.repairs, text_acts, text_works, told_codes
    writes faults, jobs, listed_codes, order_works, part_facts, same_circuit, sightings,
           unit_readings
40_clears.sql
    reads  bucket, cures, faults, jobs, line, listed_codes, moment_km, part_facts, sightings,
           store.clears, unit_labels, unit_readings, units
    writes clear_events, counter_clears, counter_readings, known_clears, newly_implied,
           presumed_clears, recorded_clears, vanished
50_order.sql
    reads  clear_events, scan_heads, unit_names
    writes unit_clears
55_readings.sql
    reads  reading_order, unit_readings
    writes readings
60_episodes.sql
    reads  faults, readings, sightings, unit_clears
    writes episodes, runs, shown
70_attempts.sql
    reads  bucket, cures, episodes, faults, jobs, listed_codes, part_facts, part_families,
           readings, same_circuit, scan_heads, sightings, store.repairs, text_acts, unit_clears,
           unit_names
    writes aimed_by_code, aimed_by_cure, aimed_by_part, attempts, cleared_beside, fitted, tries,
           visits_tried
80_evidence.sql
    reads  attempts, clear_events, episodes, faults, readings, runs, same_circuit, shown,
           sightings, unit_readings
    writes attempt_windows, evidence, findings, one_fix, onsets, related, repeats, shown_beside,
           watched
85_patterns.sql
    reads  clear_events, unit_names, unit_readings
    writes clear_patterns, scan_patterns, unit_places
90_keep.sql
    reads  attempt_windows, attempts, bucket, clear_patterns, episodes, evidence_runs, faults,
           fitted, jobs, meanings, moment_km, odometer, one_fix, onsets, order_works, rates,
           readings, related, repeats, scan_heads, scan_patterns, sightings, store.vehicles,
           told_codes, unit_names, unit_readings, vehicle_clocks, watched
    writes new_patterns, pattern_numbers, store.attempts, store.clears_placed, store.episodes,
           store.evidence_runs, store.fix_numbers, store.known_units, store.onsets,
           store.order_texts, store.other_moments, store.other_readings, store.scan_moments,
           store.sightings, store.stale_vehicles, store.unit_notes, store.unit_patterns,
           store.vehicle_clocks, store.vehicle_words, store.watched

Tables that no file writes come from Python, between the files: ``bucket`` and ``odometer``
(``build_histories.py``); ``reading_order`` and ``evidence_runs`` (modules of these names);
``presences``, ``unit_labels`` with ``told_units``, ``meanings``, ``part_families``, ``cures``,
``text_works`` and ``text_acts`` (``catalogue_tables.py``).

Decisions behind these rules:

- A work order that names no code is for the faults of its own component; if none was there, for
  those that such work may cure (``config/cures.csv``), unless another order of the visit was for
  them. Before, a coil fitted for a misfire was told as a clear beside other work.
- An inferred clear carries its interval. Clean evidence begins at its far end; a return may have
  begun at its near end.
- A code gone after a repair without a clear on record was cleared then
  (``presume_clear_at_repair``, on by default). A code gone without a repair was cleared or aged
  out at an unknown place: evidence begins at the scan that found it gone. It ends no other code's
  episode in the same unit.
- A code never seen gone since the work "stayed": it counts as a come-back, but gives no return
  distance unless a clear is known.
- Another code of the same circuit in the same unit (``catalogue/component.py``) that begins after
  the work is a return, reported with that code; if one was there all along, a scan is no evidence.
  Work on it ends the observation, and is a repeat if the fault had come back. Several codes of a
  circuit worked on at one visit are one fix: the others are ``counted_with`` its attempt, and one
  return of the circuit is one failure.
- A vehicle that was not driven is still in its visit, however long it was there: a code still
  listed, with no clear known, proves nothing; a clear is part of the work before it. So an order
  dated by its day or its opening belongs to the visit it was for (``40_clears.sql``,
  ``70_attempts.sql``).
- An entry reported as not active (J1939 previously active, a status byte without failing bits) may
  be old: it is a return only after a clear.
- A clear on record has the km of its instant, or those of the next counter; two places are
  different visits only if they are apart anywhere within their bounds.
- A lasting drop of the odometer joins two stretches with 0 km between: evidence never becomes
  longer than it was.
- ``ecu`` may be empty in a scan row that has an odometer or hours: an odometer-only reading.
- What a scan shows is kept with the scan, odometer readings by number, evidence by runs of scans,
  and which units were read or cleared by patterns; the old names are views
  (``store/migrations/0028_narrower.sql``). A view must not name a table that the
  histories build under the same name.
- Names break ties: one night's analysis must equal a whole rebuild, and the database promises no
  order.
- Store SQL sees tables of the same name twice: ``store.attempts`` is kept, ``attempts`` is the
  bucket being built.
"""
