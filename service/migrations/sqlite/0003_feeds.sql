-- Feeds that are polled, and what each last said of its items.

-- The revision is the feed's own: polls are no revision of the account.
CREATE TABLE feeds (
    account         TEXT NOT NULL,
    id              TEXT NOT NULL,
    revision        INTEGER NOT NULL,
    url             TEXT NOT NULL,
    format          TEXT NOT NULL CHECK (format IN ('json_feed', 'ndjson')),
    every_s         INTEGER NOT NULL,
    state           TEXT NOT NULL CHECK (state IN ('active', 'resting', 'failed')),
    failures        INTEGER NOT NULL,
    created_at      TEXT NOT NULL,
    last_polled_at  TEXT,
    next_poll_at    TEXT,
    lease_owner     TEXT,
    lease_until     TEXT,
    etag            TEXT,
    last_modified   TEXT,
    last_error      TEXT,
    last_items      TEXT,
    PRIMARY KEY (account, id),
    UNIQUE (url, account)
) STRICT;
CREATE INDEX feeds_by_time ON feeds (next_poll_at);

-- Request: as the feed last said it; with it, what the user changed since is told from what the feed changed.
CREATE TABLE feed_items (
    account  TEXT NOT NULL,
    feed     TEXT NOT NULL,
    item     TEXT NOT NULL,
    digest   TEXT NOT NULL,
    seller   TEXT,
    request  TEXT NOT NULL,
    PRIMARY KEY (account, feed, item),
    FOREIGN KEY (account, feed) REFERENCES feeds (account, id) ON DELETE CASCADE
) STRICT;
CREATE INDEX feed_items_by_seller ON feed_items (seller, account) WHERE seller IS NOT NULL;
