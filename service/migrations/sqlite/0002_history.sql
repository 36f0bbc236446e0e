-- What an assessment was made of, once that is no more: with it every assessment can be made again.

-- A listing's request as it was until it was put anew: up to last_revision.
CREATE TABLE past_requests (
    account        TEXT NOT NULL,
    listing        TEXT NOT NULL,
    last_revision  INTEGER NOT NULL,
    seller         TEXT,
    updated_at     TEXT NOT NULL,
    request        TEXT NOT NULL,
    PRIMARY KEY (account, listing, last_revision),
    FOREIGN KEY (account, listing) REFERENCES listings (account, id) ON DELETE CASCADE
) STRICT;
CREATE INDEX past_requests_by_seller ON past_requests (seller, account) WHERE seller IS NOT NULL;

-- An entry of the reference book as it was from first_revision to last_revision.
CREATE TABLE past_book (
    account         TEXT NOT NULL,
    part            TEXT NOT NULL,
    maker           TEXT NOT NULL,
    name            TEXT NOT NULL,
    first_revision  INTEGER NOT NULL,
    last_revision   INTEGER NOT NULL,
    body            TEXT NOT NULL,
    PRIMARY KEY (account, part, maker, name, last_revision)
) STRICT;

-- The books that processes were started with, beside the stored one.
CREATE TABLE own_books (
    account  TEXT NOT NULL,
    digest   TEXT NOT NULL,
    body     TEXT NOT NULL,
    PRIMARY KEY (account, digest)
) STRICT;

-- The revision of the stored book that was used (null: made before these were kept), and the digest of
-- the other one (null: there was none).
ALTER TABLE assessments ADD COLUMN book_revision INTEGER;
ALTER TABLE assessments ADD COLUMN own_book TEXT;
