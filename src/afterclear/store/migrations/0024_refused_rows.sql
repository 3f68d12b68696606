-- How a refused row came: 'plain' in the plain layout, 'map:NAME' with its source's own headings,
-- NULL in another form, or refused by an earlier version; the zone of its times without one; and,
-- of a row that came back and was refused again, the key of its first refusal.
ALTER TABLE rejections ADD COLUMN came_as VARCHAR;
ALTER TABLE rejections ADD COLUMN zone VARCHAR;
ALTER TABLE rejections ADD COLUMN first_key VARCHAR;
ALTER TABLE replaced_rejections ADD COLUMN came_as VARCHAR;
ALTER TABLE replaced_rejections ADD COLUMN zone VARCHAR;
ALTER TABLE replaced_rejections ADD COLUMN first_key VARCHAR;
