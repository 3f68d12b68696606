-- Another history of a vehicle has another mark: a page of it that did not change is known without
-- its scans.  Drawn anew for each history, so that none comes twice.
ALTER TABLE vehicle_clocks ADD COLUMN mark UUID DEFAULT gen_random_uuid();
