-- Settings of the shop, and the devices that may see its pages.

CREATE TABLE settings (
    name TEXT NOT NULL PRIMARY KEY,
    value TEXT NOT NULL,
    changed_ms BIGINT NOT NULL
);

-- A device is known by the hash of its token; the token itself is on the device alone.
CREATE TABLE devices (
    token_sha256 TEXT NOT NULL PRIMARY KEY,
    paired_ms BIGINT NOT NULL
);
