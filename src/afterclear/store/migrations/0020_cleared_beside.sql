-- The work order in whose visit a code was cleared that the order was not for.  Histories are built
-- anew: their rules have changed.
ALTER TABLE attempts ADD COLUMN beside_repair_id VARCHAR;
