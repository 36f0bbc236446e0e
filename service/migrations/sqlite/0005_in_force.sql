-- The revision at which the model or the reference book last changed: what is in force is kept, and what was
-- made with it compared, by this.
ALTER TABLE accounts ADD COLUMN force_revision INTEGER NOT NULL DEFAULT 0;
UPDATE accounts SET force_revision = revision;
