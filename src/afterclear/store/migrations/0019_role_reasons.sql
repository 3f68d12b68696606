-- Reasons of roles are codes with their facts (JSON); sentences are made when shown.
-- Filled by the next analysis, which makes roles anew for the whole fleet.
DELETE FROM roles;
ALTER TABLE roles DROP COLUMN why;
ALTER TABLE roles ADD COLUMN reason VARCHAR;
ALTER TABLE roles ADD COLUMN facts VARCHAR;
DELETE FROM leftovers;
ALTER TABLE leftovers DROP COLUMN why;
ALTER TABLE leftovers ADD COLUMN reason VARCHAR;
ALTER TABLE leftovers ADD COLUMN facts VARCHAR;
DELETE FROM echo_work;
ALTER TABLE echo_work DROP COLUMN why;
ALTER TABLE echo_work ADD COLUMN reason VARCHAR;
ALTER TABLE echo_work ADD COLUMN facts VARCHAR;
DELETE FROM related_returns;
ALTER TABLE related_returns DROP COLUMN why;
ALTER TABLE related_returns ADD COLUMN reason VARCHAR;
ALTER TABLE related_returns ADD COLUMN facts VARCHAR;
