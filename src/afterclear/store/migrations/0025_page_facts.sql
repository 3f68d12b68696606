-- What each vehicle's page in the last digest was made from: one of the same facts whose files are
-- as they were written is not written again.  ``files``: JSON, file name -> SHA-256.
CREATE TABLE page_facts (
    page VARCHAR NOT NULL, is_public BOOLEAN NOT NULL, facts VARCHAR NOT NULL,
    since_at TIMESTAMP NOT NULL, until_at TIMESTAMP, files VARCHAR NOT NULL
);
