-- The attempt that another one counts with: work on one circuit at one visit is one fix.  Histories
-- are built anew: their rules have changed.
ALTER TABLE attempts ADD COLUMN counted_with VARCHAR;
