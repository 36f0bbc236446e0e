-- A feed without a URL is never polled: its items are sent.
ALTER TABLE feeds ALTER COLUMN url DROP NOT NULL;
ALTER TABLE feeds ALTER COLUMN every_s DROP NOT NULL;
ALTER TABLE feeds ADD CONSTRAINT feeds_polled CHECK ((url IS NULL) = (every_s IS NULL));
