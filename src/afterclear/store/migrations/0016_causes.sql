-- Three causes of a return: first episodes and watched km tell how often faults begin anew, parts
-- and brands how long what was fitted lives.  Histories are built anew: their rules have changed.
DROP TABLE onsets;

-- The first episode of a family on a unit that had no work for it before: km watched without it,
-- km in which it began (NULL: it was there in the first reading, or nobody knows).
CREATE TABLE onsets (
    vehicle_id VARCHAR NOT NULL, ecu VARCHAR NOT NULL, family VARCHAR NOT NULL,
    before_km DOUBLE NOT NULL, gap_km DOUBLE
);

-- A part may have been fitted (NULL: no work order); whose, where the order says so.
ALTER TABLE attempts ADD COLUMN may_wear BOOLEAN;
ALTER TABLE attempts ADD COLUMN part_brand VARCHAR;

-- P(part worn out) and P(new fault) of a return, beside p_same_fault; the usual life of such parts.
ALTER TABLE verdicts ADD COLUMN p_worn DOUBLE;
ALTER TABLE verdicts ADD COLUMN p_new DOUBLE;
ALTER TABLE verdicts ADD COLUMN usual_life_km DOUBLE;
