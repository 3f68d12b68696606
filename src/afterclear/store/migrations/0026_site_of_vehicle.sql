-- Whether no record says where an attempt was made, so that its vehicle's site stands for it: no
-- clear carries a site.  Histories are built anew: their rules have changed.
ALTER TABLE attempts ADD COLUMN is_site_of_vehicle BOOLEAN;
