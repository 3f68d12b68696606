-- Whether a part's end counts as a failure: one taken out without a noted reason does or does not
-- by a setting, and pages must count as the lifetimes were counted.
ALTER TABLE claims ADD COLUMN failed BOOLEAN;
UPDATE claims SET failed = ended_by = 'failure';
