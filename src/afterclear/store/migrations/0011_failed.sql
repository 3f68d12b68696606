-- Whether a part's end counts as a failure: one taken out for a reason nobody noted does or does
-- not by a setting, and pages must count as the lives were counted.
ALTER TABLE claims ADD COLUMN failed BOOLEAN;
UPDATE claims SET failed = ended_by = 'failure';
