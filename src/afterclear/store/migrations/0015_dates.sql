-- Dates that lie in no vehicle's life were taken before they were refused at the door, and no
-- digest could be made with one in the store: they are not known.  An infinite one has no year.
CREATE TEMP TABLE impossible AS
    SELECT vehicle_id, load_id FROM vehicles
    WHERE in_service_on NOT BETWEEN '1800-01-01' AND '2500-12-31'
        OR acquired_on NOT BETWEEN '1800-01-01' AND '2500-12-31'
        OR plate_since NOT BETWEEN '1800-01-01' AND '2500-12-31';
INSERT INTO stale_vehicles FROM impossible;
UPDATE vehicles SET
    in_service_on = CASE WHEN year(in_service_on) BETWEEN 1800 AND 2500 THEN in_service_on END,
    acquired_on = CASE WHEN year(acquired_on) BETWEEN 1800 AND 2500 THEN acquired_on END,
    plate_since = CASE WHEN year(plate_since) BETWEEN 1800 AND 2500 THEN plate_since END
WHERE vehicle_id IN (SELECT vehicle_id FROM impossible);
DROP TABLE temp.impossible;
