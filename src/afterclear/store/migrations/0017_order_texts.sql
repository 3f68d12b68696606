-- What the texts of work orders tell that name neither codes nor part, or why nothing was read
-- from them (``why``).  Filled by the next analysis: the rules of the histories have changed.
CREATE TABLE order_texts (
    vehicle_id VARCHAR NOT NULL, repair_id VARCHAR NOT NULL, notes VARCHAR NOT NULL,
    part VARCHAR, family VARCHAR, action VARCHAR, why VARCHAR, named VARCHAR
);
