-- Times are RFC 3339 in UTC with six decimals, so that their order as text is their order in time.
-- COLLATE "C": text is ordered by its bytes, as in SQLite, whatever the database's locale.

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
    request         TEXT NOT NULL,
    seller          TEXT COLLATE "C",
    serial          TEXT COLLATE "C",
    saved_at        TEXT COLLATE "C" NOT NULL,
    updated_at      TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (account, id)
);
CREATE INDEX listings_by_seller ON listings (account, seller);
CREATE INDEX listings_by_serial ON listings (account, serial);

CREATE TABLE listing_photos (
    account  TEXT COLLATE "C" NOT NULL,
    listing  TEXT COLLATE "C" NOT NULL,
    digest   TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (account, listing, digest),
    FOREIGN KEY (account, listing) REFERENCES listings (account, id) ON DELETE CASCADE
);
CREATE INDEX listing_photos_by_digest ON listing_photos (account, digest);

-- Current from first_revision to last_revision; the newest has no last one.
CREATE TABLE assessments (
    account         TEXT COLLATE "C" NOT NULL,
    listing         TEXT COLLATE "C" NOT NULL,
    first_revision  BIGINT NOT NULL,
    last_revision   BIGINT,
    model           TEXT COLLATE "C" NOT NULL,
    at              TEXT COLLATE "C" NOT NULL,
    seller_used     TEXT NOT NULL,
    body            TEXT NOT NULL,
    expected_net    DOUBLE PRECISION,
    net_per_stake   DOUBLE PRECISION,
    ask_worth       DOUBLE PRECISION,
    bad             DOUBLE PRECISION,
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
    body           TEXT NOT NULL,
    superseded_by  TEXT COLLATE "C",
    PRIMARY KEY (account, number),
    UNIQUE (account, id)
);
CREATE INDEX outcomes_by_listing ON outcomes (account, listing, number);
CREATE INDEX outcomes_by_seller ON outcomes (account, seller, number);

-- The reference book. Maker and name are folded by the caller.
CREATE TABLE book (
    account     TEXT COLLATE "C" NOT NULL,
    part        TEXT COLLATE "C" NOT NULL CHECK (part IN ('reference', 'calibre')),
    maker       TEXT COLLATE "C" NOT NULL,
    name        TEXT COLLATE "C" NOT NULL,
    revision    BIGINT NOT NULL,
    body        TEXT NOT NULL,
    updated_at  TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (account, part, maker, name)
);

CREATE TABLE models (
    account      TEXT COLLATE "C" NOT NULL,
    version      TEXT COLLATE "C" NOT NULL,
    digest       TEXT COLLATE "C" NOT NULL,
    body         TEXT NOT NULL,
    calibration  TEXT COLLATE "C",
    created_at   TEXT COLLATE "C" NOT NULL,
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
    params            TEXT NOT NULL,
    progress          DOUBLE PRECISION NOT NULL,
    report            TEXT,
    version           TEXT COLLATE "C",
    cancel_requested  BIGINT NOT NULL,
    lease_owner       TEXT COLLATE "C",
    lease_until       TEXT COLLATE "C",
    created_at        TEXT COLLATE "C" NOT NULL,
    updated_at        TEXT COLLATE "C" NOT NULL,
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
