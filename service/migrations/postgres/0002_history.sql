-- What an assessment was made of, once that is no more: with it every assessment can be made again.

-- A listing's request as it was until it was put anew: up to last_revision.
CREATE TABLE past_requests (
    account        TEXT COLLATE "C" NOT NULL,
    listing        TEXT COLLATE "C" NOT NULL,
    last_revision  BIGINT NOT NULL,
    seller         TEXT COLLATE "C",
    updated_at     TEXT COLLATE "C" NOT NULL,
    request        TEXT NOT NULL,
    PRIMARY KEY (account, listing, last_revision),
    FOREIGN KEY (account, listing) REFERENCES listings (account, id) ON DELETE CASCADE
);
CREATE INDEX past_requests_by_seller ON past_requests (seller, account) WHERE seller IS NOT NULL;

-- An entry of the reference book as it was from first_revision to last_revision.
CREATE TABLE past_book (
    account         TEXT COLLATE "C" NOT NULL,
    part            TEXT COLLATE "C" NOT NULL,
    maker           TEXT COLLATE "C" NOT NULL,
    name            TEXT COLLATE "C" NOT NULL,
    first_revision  BIGINT NOT NULL,
    last_revision   BIGINT NOT NULL,
    body            TEXT NOT NULL,
    PRIMARY KEY (account, part, maker, name, last_revision)
);

-- The books that processes were started with, beside the stored one.
CREATE TABLE own_books (
    account  TEXT COLLATE "C" NOT NULL,
    digest   TEXT COLLATE "C" NOT NULL,
    body     TEXT NOT NULL,
    PRIMARY KEY (account, digest)
);

-- The revision of the stored book that was used (null: made before these were kept), and the digest of
-- the other one (null: there was none).
ALTER TABLE assessments ADD COLUMN book_revision BIGINT;
ALTER TABLE assessments ADD COLUMN own_book TEXT COLLATE "C";
