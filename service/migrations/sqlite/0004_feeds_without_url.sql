-- A feed without a URL is never polled: its items are sent.

-- SQLite cannot take NOT NULL from a column, so the table is made anew. While foreign keys are enforced,
-- to drop it would delete what feeds said of their items: that is put aside first, and its table dropped
-- before.
CREATE TABLE feed_items_aside (
    account  TEXT NOT NULL,
    feed     TEXT NOT NULL,
    item     TEXT NOT NULL,
    digest   TEXT NOT NULL,
    seller   TEXT,
    request  TEXT NOT NULL
) STRICT;
INSERT INTO feed_items_aside SELECT account, feed, item, digest, seller, request FROM feed_items;
DROP TABLE feed_items;

CREATE TABLE feeds_anew (
    account         TEXT NOT NULL,
    id              TEXT NOT NULL,
    revision        INTEGER NOT NULL,
    url             TEXT,
    format          TEXT NOT NULL CHECK (format IN ('json_feed', 'ndjson')),
    every_s         INTEGER,
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
    UNIQUE (url, account),
    CHECK ((url IS NULL) = (every_s IS NULL))
) STRICT;
INSERT INTO feeds_anew
    SELECT account, id, revision, url, format, every_s, state, failures, created_at, last_polled_at, next_poll_at,
           lease_owner, lease_until, etag, last_modified, last_error, last_items
    FROM feeds;
DROP TABLE feeds;
ALTER TABLE feeds_anew RENAME TO feeds;
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
INSERT INTO feed_items SELECT account, feed, item, digest, seller, request FROM feed_items_aside;
DROP TABLE feed_items_aside;
CREATE INDEX feed_items_by_seller ON feed_items (seller, account) WHERE seller IS NOT NULL;
