-- Times are RFC 3339 in UTC with six decimals, so that their order as text is their order in time.
-- Long texts come last in a row: what stands behind them is slow to reach in SQLite.
-- Indexes beside the primary key do not begin with the account: PostgreSQL, planning while a table is
-- still empty, would take them for the key and keep to that.

-- One counter row an account: a write takes it first, so writes of an account follow one another
-- and no number is seen late.
CREATE TABLE accounts (
    account       TEXT PRIMARY KEY,
    revision      INTEGER NOT NULL,
    last_outcome  INTEGER NOT NULL,
    last_change   INTEGER NOT NULL
) STRICT;

CREATE TABLE listings (
    account         TEXT NOT NULL,
    id              TEXT NOT NULL,
    first_revision  INTEGER NOT NULL,
    revision        INTEGER NOT NULL,
    status          TEXT NOT NULL CHECK (status IN ('open', 'ended', 'bought', 'passed')),
    seller          TEXT,
    serial          TEXT,
    saved_at        TEXT NOT NULL,
    updated_at      TEXT NOT NULL,
    request         TEXT NOT NULL,
    PRIMARY KEY (account, id)
) STRICT;
CREATE INDEX listings_by_serial ON listings (serial, account);
-- With the one on assessments: a page is chosen and sorted without touching the rows.
CREATE INDEX listings_for_pages ON listings (account, id, first_revision, status, seller, saved_at);
CREATE INDEX listings_by_seller ON listings (seller, account, id, first_revision, status, saved_at);

CREATE TABLE listing_photos (
    account  TEXT NOT NULL,
    listing  TEXT NOT NULL,
    digest   TEXT NOT NULL,
    PRIMARY KEY (account, listing, digest),
    FOREIGN KEY (account, listing) REFERENCES listings (account, id) ON DELETE CASCADE
) STRICT;
CREATE INDEX listing_photos_by_digest ON listing_photos (digest, account, listing);

-- Current from first_revision to last_revision; the newest has no last one.
CREATE TABLE assessments (
    account         TEXT NOT NULL,
    listing         TEXT NOT NULL,
    first_revision  INTEGER NOT NULL,
    last_revision   INTEGER,
    model           TEXT NOT NULL,
    at              TEXT NOT NULL,
    expected_net    REAL,
    net_per_stake   REAL,
    ask_worth       REAL,
    bad             REAL,
    seller_used     TEXT NOT NULL,
    body            TEXT NOT NULL,
    PRIMARY KEY (account, listing, first_revision),
    FOREIGN KEY (account, listing) REFERENCES listings (account, id) ON DELETE CASCADE
) STRICT;
CREATE INDEX assessments_for_pages ON assessments
    (account, listing, first_revision, last_revision, expected_net, net_per_stake, ask_worth, bad);

CREATE TABLE sellers (
    account     TEXT NOT NULL,
    id          TEXT NOT NULL,
    revision    INTEGER NOT NULL,
    segment     TEXT,
    feedback    TEXT,
    note        TEXT,
    created_at  TEXT NOT NULL,
    updated_at  TEXT NOT NULL,
    PRIMARY KEY (account, id)
) STRICT;

-- No foreign key to listings: outcomes outlive them, and may name some that never were stored.
CREATE TABLE outcomes (
    account        TEXT NOT NULL,
    number         INTEGER NOT NULL,
    id             TEXT NOT NULL,
    revision       INTEGER NOT NULL,
    listing        TEXT NOT NULL,
    seller         TEXT,
    recorded_at    TEXT NOT NULL,
    found_at       TEXT NOT NULL,
    superseded_by  TEXT,
    body           TEXT NOT NULL,
    PRIMARY KEY (account, number),
    UNIQUE (id, account)
) STRICT;
CREATE INDEX outcomes_by_listing ON outcomes (listing, account, number);
CREATE INDEX outcomes_by_seller ON outcomes (seller, account, number);

-- The reference book. Maker and name are folded by the caller.
CREATE TABLE book (
    account     TEXT NOT NULL,
    part        TEXT NOT NULL CHECK (part IN ('reference', 'calibre')),
    maker       TEXT NOT NULL,
    name        TEXT NOT NULL,
    revision    INTEGER NOT NULL,
    updated_at  TEXT NOT NULL,
    body        TEXT NOT NULL,
    PRIMARY KEY (account, part, maker, name)
) STRICT;

CREATE TABLE models (
    account      TEXT NOT NULL,
    version      TEXT NOT NULL,
    digest       TEXT NOT NULL,
    calibration  TEXT,
    created_at   TEXT NOT NULL,
    body         TEXT NOT NULL,
    PRIMARY KEY (account, version)
) STRICT;

CREATE TABLE activations (
    account  TEXT NOT NULL,
    number   INTEGER NOT NULL,
    version  TEXT NOT NULL,
    at       TEXT NOT NULL,
    PRIMARY KEY (account, number)
) STRICT;

CREATE TABLE calibrations (
    account           TEXT NOT NULL,
    id                TEXT NOT NULL,
    state             TEXT NOT NULL CHECK (state IN ('queued', 'running', 'done', 'failed', 'cancelled')),
    progress          REAL NOT NULL,
    version           TEXT,
    cancel_requested  INTEGER NOT NULL,
    lease_owner       TEXT,
    lease_until       TEXT,
    created_at        TEXT NOT NULL,
    updated_at        TEXT NOT NULL,
    params            TEXT NOT NULL,
    report            TEXT,
    PRIMARY KEY (account, id)
) STRICT;
CREATE INDEX calibrations_by_state ON calibrations (state, created_at);

-- In progress while status is null.
CREATE TABLE idempotency (
    account      TEXT NOT NULL,
    key          TEXT NOT NULL,
    operation    TEXT NOT NULL,
    fingerprint  BLOB NOT NULL,
    begun_at     TEXT NOT NULL,
    status       INTEGER,
    headers      TEXT,
    body         BLOB,
    PRIMARY KEY (account, key, operation)
) STRICT;
CREATE INDEX idempotency_by_age ON idempotency (begun_at);

CREATE TABLE changes (
    account  TEXT NOT NULL,
    id       INTEGER NOT NULL,
    at       TEXT NOT NULL,
    event    TEXT NOT NULL,
    data     TEXT NOT NULL,
    PRIMARY KEY (account, id)
) STRICT;
