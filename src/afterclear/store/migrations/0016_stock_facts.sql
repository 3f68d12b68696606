-- Reasons of the stock audit are codes with their facts (JSON); sentences are made when shown.
-- Filled by the next analysis.
DROP TABLE stock;
DROP TABLE stock_reasons;
CREATE TABLE stock (
    vehicle_id VARCHAR NOT NULL, verdict VARCHAR NOT NULL, reasons VARCHAR NOT NULL,
    km_to_rescan DOUBLE, last_full_scan_at TIMESTAMP, deciding VARCHAR NOT NULL,
    safety BOOLEAN NOT NULL
);
CREATE TABLE stock_reasons (
    vehicle_id VARCHAR NOT NULL, position INTEGER NOT NULL, reason VARCHAR NOT NULL,
    weight VARCHAR NOT NULL, subject VARCHAR, km_to_rescan DOUBLE, source VARCHAR,
    facts VARCHAR NOT NULL
);
INSERT INTO stale_vehicles
SELECT vehicle_id, 0 FROM vehicles
WHERE stock_status = 'in_stock' AND vehicle_id NOT IN (SELECT vehicle_id FROM stale_vehicles);
