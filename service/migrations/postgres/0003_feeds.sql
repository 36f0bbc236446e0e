-- Feeds that are polled, and what each last said of its items.

-- The revision is the feed's own: polls are no revision of the account.
CREATE TABLE feeds (
    account         TEXT COLLATE "C" NOT NULL,
    id              TEXT COLLATE "C" NOT NULL,
    revision        BIGINT NOT NULL,
    url             TEXT COLLATE "C" NOT NULL,
    format          TEXT COLLATE "C" NOT NULL CHECK (format IN ('json_feed', 'ndjson')),
    every_s         BIGINT NOT NULL,
    state           TEXT COLLATE "C" NOT NULL CHECK (state IN ('active', 'resting', 'failed')),
    failures        BIGINT NOT NULL,
    created_at      TEXT COLLATE "C" NOT NULL,
    last_polled_at  TEXT COLLATE "C",
    next_poll_at    TEXT COLLATE "C",
    lease_owner     TEXT COLLATE "C",
    lease_until     TEXT COLLATE "C",
    etag            TEXT,
    last_modified   TEXT,
    last_error      TEXT,
    last_items      TEXT,
    PRIMARY KEY (account, id),
    UNIQUE (url, account)
);
CREATE INDEX feeds_by_time ON feeds (next_poll_at);

-- Request: as the feed last said it; with it, what the user changed since is told from what the feed changed.
CREATE TABLE feed_items (
    account  TEXT COLLATE "C" NOT NULL,
    feed     TEXT COLLATE "C" NOT NULL,
    item     TEXT COLLATE "C" NOT NULL,
    digest   TEXT COLLATE "C" NOT NULL,
    seller   TEXT COLLATE "C",
    request  TEXT NOT NULL,
    PRIMARY KEY (account, feed, item),
    FOREIGN KEY (account, feed) REFERENCES feeds (account, id) ON DELETE CASCADE
);
CREATE INDEX feed_items_by_seller ON feed_items (seller, account) WHERE seller IS NOT NULL;
