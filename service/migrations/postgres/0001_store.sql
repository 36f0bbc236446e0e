-- Times are RFC 3339 in UTC with six decimals, so that their order as text is their order in time.
-- COLLATE "C": text is ordered by its bytes, as in SQLite, whatever the database's locale.
-- Long texts come last in a row: what stands behind them is slow to reach in SQLite.
-- Indexes beside the primary key do not begin with the account: PostgreSQL, planning while a table is
-- still empty, would take them for the key and keep to that.

-- One counter row an account: a write takes it first, so writes of an account follow one another
-- and no number is seen late.
CREATE TABLE accounts (
    account       TEXT COLLATE "C" PRIMARY KEY,
    revision      BIGINT NOT NULL,
    last_outcome  BIGINT NOT NULL,
    last_change   BIGINT NOT NULL
);

CREATE TABLE listings (
    account         TEXT COLLATE "C" NOT NULL,
    id              TEXT COLLATE "C" NOT NULL,
    first_revision  BIGINT NOT NULL,
    revision        BIGINT NOT NULL,
    status          TEXT COLLATE "C" NOT NULL CHECK (status IN ('open', 'ended', 'bought', 'passed')),
    seller          TEXT COLLATE "C",
    serial          TEXT COLLATE "C",
    saved_at        TEXT COLLATE "C" NOT NULL,
    updated_at      TEXT COLLATE "C" NOT NULL,
    request         TEXT NOT NULL,
    PRIMARY KEY (account, id)
);
CREATE INDEX listings_by_seller ON listings (seller, account);
CREATE INDEX listings_by_serial ON listings (serial, account);

CREATE TABLE listing_photos (
    account  TEXT COLLATE "C" NOT NULL,
    listing  TEXT COLLATE "C" NOT NULL,
    digest   TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (account, listing, digest),
    FOREIGN KEY (account, listing) REFERENCES listings (account, id) ON DELETE CASCADE
);
CREATE INDEX listing_photos_by_digest ON listing_photos (digest, account, listing);

-- Current from first_revision to last_revision; the newest has no last one.
CREATE TABLE assessments (
    account         TEXT COLLATE "C" NOT NULL,
    listing         TEXT COLLATE "C" NOT NULL,
    first_revision  BIGINT NOT NULL,
    last_revision   BIGINT,
    model           TEXT COLLATE "C" NOT NULL,
    at              TEXT COLLATE "C" NOT NULL,
    expected_net    DOUBLE PRECISION,
    net_per_stake   DOUBLE PRECISION,
    ask_worth       DOUBLE PRECISION,
    bad             DOUBLE PRECISION,
    seller_used     TEXT NOT NULL,
    body            TEXT NOT NULL,
    PRIMARY KEY (account, listing, first_revision),
    FOREIGN KEY (account, listing) REFERENCES listings (account, id) ON DELETE CASCADE
);

CREATE TABLE sellers (
    account     TEXT COLLATE "C" NOT NULL,
    id          TEXT COLLATE "C" NOT NULL,
    revision    BIGINT NOT NULL,
    segment     TEXT COLLATE "C",
    feedback    TEXT,
    note        TEXT,
    created_at  TEXT COLLATE "C" NOT NULL,
    updated_at  TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (account, id)
);

-- No foreign key to listings: outcomes outlive them, and may name some that never were stored.
CREATE TABLE outcomes (
    account        TEXT COLLATE "C" NOT NULL,
    number         BIGINT NOT NULL,
    id             TEXT COLLATE "C" NOT NULL,
    revision       BIGINT NOT NULL,
    listing        TEXT COLLATE "C" NOT NULL,
    seller         TEXT COLLATE "C",
    recorded_at    TEXT COLLATE "C" NOT NULL,
    found_at       TEXT COLLATE "C" NOT NULL,
    superseded_by  TEXT COLLATE "C",
    body           TEXT NOT NULL,
    PRIMARY KEY (account, number),
    UNIQUE (id, account)
);
CREATE INDEX outcomes_by_listing ON outcomes (listing, account, number);
CREATE INDEX outcomes_by_seller ON outcomes (seller, account, number);

-- The reference book. Maker and name are folded by the caller.
CREATE TABLE book (
    account     TEXT COLLATE "C" NOT NULL,
    part        TEXT COLLATE "C" NOT NULL CHECK (part IN ('reference', 'calibre')),
    maker       TEXT COLLATE "C" NOT NULL,
    name        TEXT COLLATE "C" NOT NULL,
    revision    BIGINT NOT NULL,
    updated_at  TEXT COLLATE "C" NOT NULL,
    body        TEXT NOT NULL,
    PRIMARY KEY (account, part, maker, name)
);

CREATE TABLE models (
    account      TEXT COLLATE "C" NOT NULL,
    version      TEXT COLLATE "C" NOT NULL,
    digest       TEXT COLLATE "C" NOT NULL,
    calibration  TEXT COLLATE "C",
    created_at   TEXT COLLATE "C" NOT NULL,
    body         TEXT NOT NULL,
    PRIMARY KEY (account, version)
);

CREATE TABLE activations (
    account  TEXT COLLATE "C" NOT NULL,
    number   BIGINT NOT NULL,
    version  TEXT COLLATE "C" NOT NULL,
    at       TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (account, number)
);

CREATE TABLE calibrations (
    account           TEXT COLLATE "C" NOT NULL,
    id                TEXT COLLATE "C" NOT NULL,
    state             TEXT COLLATE "C" NOT NULL CHECK (state IN ('queued', 'running', 'done', 'failed', 'cancelled')),
    progress          DOUBLE PRECISION NOT NULL,
    version           TEXT COLLATE "C",
    cancel_requested  BIGINT NOT NULL,
    lease_owner       TEXT COLLATE "C",
    lease_until       TEXT COLLATE "C",
    created_at        TEXT COLLATE "C" NOT NULL,
    updated_at        TEXT COLLATE "C" NOT NULL,
    params            TEXT NOT NULL,
    report            TEXT,
    PRIMARY KEY (account, id)
);
CREATE INDEX calibrations_by_state ON calibrations (state, created_at);

-- In progress while status is null.
CREATE TABLE idempotency (
    account      TEXT COLLATE "C" NOT NULL,
    key          TEXT COLLATE "C" NOT NULL,
    operation    TEXT COLLATE "C" NOT NULL,
    fingerprint  BYTEA NOT NULL,
    begun_at     TEXT COLLATE "C" NOT NULL,
    status       BIGINT,
    headers      TEXT,
    body         BYTEA,
    PRIMARY KEY (account, key, operation)
);
CREATE INDEX idempotency_by_age ON idempotency (begun_at);

CREATE TABLE changes (
    account  TEXT COLLATE "C" NOT NULL,
    id       BIGINT NOT NULL,
    at       TEXT COLLATE "C" NOT NULL,
    event    TEXT COLLATE "C" NOT NULL,
    data     TEXT NOT NULL,
    PRIMARY KEY (account, id)
);
