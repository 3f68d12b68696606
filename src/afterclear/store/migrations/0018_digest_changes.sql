-- What a digest said is kept where it differs from the digest before (NULL: no longer told), no
-- longer whole each night: a fleet in which nothing changes adds no rows.
ALTER TABLE digest_outcomes ALTER COLUMN outcome DROP NOT NULL;
ALTER TABLE digest_marks ALTER COLUMN mark DROP NOT NULL;

CREATE TEMP TABLE nights AS
    SELECT digest_id, row_number() OVER (ORDER BY digest_id) AS night FROM digests;

CREATE TEMP TABLE outcomes_changed AS
    WITH told AS (
        SELECT night, attempt_id, outcome, lag(night) OVER nightly AS night_before,
            lag(outcome) OVER nightly AS outcome_before, lead(night) OVER nightly AS night_after
        FROM digest_outcomes JOIN nights USING (digest_id)
        WINDOW nightly AS (PARTITION BY attempt_id ORDER BY night)
    )
    SELECT night, attempt_id, outcome FROM told
    WHERE night_before IS DISTINCT FROM night - 1 OR outcome_before <> outcome
    UNION ALL
    SELECT night + 1, attempt_id, NULL FROM told WHERE night_after IS DISTINCT FROM night + 1;
DELETE FROM digest_outcomes;
INSERT INTO digest_outcomes
SELECT digest_id, attempt_id, outcome FROM outcomes_changed JOIN nights USING (night);

CREATE TEMP TABLE marks_changed AS
    WITH told AS (
        SELECT night, kind, subject, mark, lag(night) OVER nightly AS night_before,
            lag(mark) OVER nightly AS mark_before, lead(night) OVER nightly AS night_after
        FROM digest_marks JOIN nights USING (digest_id)
        WINDOW nightly AS (PARTITION BY kind, subject ORDER BY night)
    )
    SELECT night, kind, subject, mark FROM told
    WHERE night_before IS DISTINCT FROM night - 1 OR mark_before <> mark
    UNION ALL
    SELECT night + 1, kind, subject, NULL FROM told WHERE night_after IS DISTINCT FROM night + 1;
DELETE FROM digest_marks;
INSERT INTO digest_marks
SELECT digest_id, kind, subject, mark FROM marks_changed JOIN nights USING (night);

DROP TABLE temp.outcomes_changed;
DROP TABLE temp.marks_changed;
DROP TABLE temp.nights;

-- Every page names its day, so sums of pages do change each night: after a while one sum of all
-- (page '*') stands for them, and how many there were is kept apart.
ALTER TABLE digest_archive ADD COLUMN n_pages INTEGER;
UPDATE digest_archive SET n_pages = (
    SELECT count(*) FROM digest_pages WHERE digest_pages.digest_id = digest_archive.digest_id);
