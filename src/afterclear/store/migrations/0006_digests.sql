-- What a digest was made from, so that it can be made again to the byte and told whether it is.

CREATE TABLE digest_archive (
    digest_id INTEGER NOT NULL, analysis_id INTEGER NOT NULL, as_of TIMESTAMP NOT NULL,
    told_at TIMESTAMP NOT NULL, version VARCHAR NOT NULL, audiences VARCHAR NOT NULL,
    settings VARCHAR NOT NULL, previous_digest INTEGER, is_public BOOLEAN NOT NULL
);

CREATE TABLE digest_pages (
    digest_id INTEGER NOT NULL, page VARCHAR NOT NULL, sha256 VARCHAR NOT NULL
);

-- What a digest said of things other than fix attempts: stock verdicts.
CREATE TABLE digest_marks (
    digest_id INTEGER NOT NULL, kind VARCHAR NOT NULL, subject VARCHAR NOT NULL,
    mark VARCHAR NOT NULL
);

-- The sent ledger.  A row is written before a message leaves and completed when the other side
-- took it; a key is never sent a second time.
CREATE TABLE sent (
    message_key VARCHAR NOT NULL, way VARCHAR NOT NULL, subject VARCHAR NOT NULL,
    recipient VARCHAR NOT NULL, as_of TIMESTAMP NOT NULL, begun_at TIMESTAMP NOT NULL,
    sent_at TIMESTAMP, failure VARCHAR
);
