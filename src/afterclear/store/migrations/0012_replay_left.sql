-- What a replay has yet to try one by one, as it was asked for: one that was killed is gone on
-- with.  ``since``: the last load before it began to.
CREATE TABLE replay_left (
    load_id INTEGER NOT NULL, since INTEGER NOT NULL, request VARCHAR NOT NULL
);
