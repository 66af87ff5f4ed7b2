-- Records of a workshop. Released migrations are never edited: add a file instead.
-- Portable on purpose: ids come from `counters`, times are milliseconds since 1970 in UTC,
-- dates are text as YYYY-MM-DD, TOML and JSON are text, packed bytes are BYTEA.

-- The last id given in each table, and under 'clock_ms' the latest time that was recorded.
CREATE TABLE counters (
    name TEXT NOT NULL PRIMARY KEY,
    value BIGINT NOT NULL
);
INSERT INTO counters (name, value) VALUES
    ('owners', 0), ('machines', 0), ('jobs', 0), ('readings', 0), ('seals', 0), ('checks', 0),
    ('overrides', 0), ('adjustments', 0), ('progress', 0), ('photos', 0), ('findings', 0),
    ('clock_ms', 0);

-- Personal data, apart from everything technical; a row may go at any time.
CREATE TABLE owners (
    id INTEGER PRIMARY KEY NOT NULL,
    name TEXT NOT NULL,
    contact TEXT NOT NULL,
    note TEXT NOT NULL,
    retain_until TEXT NOT NULL,
    created_ms BIGINT NOT NULL
);

CREATE TABLE machines (
    id INTEGER PRIMARY KEY NOT NULL,
    name TEXT NOT NULL,
    -- Leads to the owner, so it goes with the owner.
    registration TEXT NOT NULL,
    profile_toml TEXT NOT NULL,
    owner_id INTEGER REFERENCES owners (id) ON DELETE SET NULL,
    created_ms BIGINT NOT NULL
);
CREATE INDEX machines_by_owner ON machines (owner_id);

-- One visit. `head_toml` holds the keys of evenpull.job/1 that have no table of their own.
CREATE TABLE jobs (
    id INTEGER PRIMARY KEY NOT NULL,
    machine_id INTEGER NOT NULL REFERENCES machines (id),
    head_toml TEXT NOT NULL,
    profile_toml TEXT NOT NULL,
    complaint TEXT NOT NULL,
    odometer_km BIGINT,
    stage TEXT NOT NULL,
    closed_ms BIGINT,
    created_ms BIGINT NOT NULL,
    changed_ms BIGINT NOT NULL,
    revision BIGINT NOT NULL
);
CREATE INDEX jobs_by_machine ON jobs (machine_id, id);

-- `values_toml` holds the keys of one [[reading]] but its recording and what was adjusted.
CREATE TABLE readings (
    id INTEGER PRIMARY KEY NOT NULL,
    job_id INTEGER NOT NULL REFERENCES jobs (id),
    stage TEXT NOT NULL,
    condition TEXT NOT NULL,
    values_toml TEXT NOT NULL,
    taken_ms BIGINT NOT NULL,
    withdrawn_reason TEXT
);
CREATE INDEX readings_by_job ON readings (job_id, id);

CREATE TABLE recordings (
    reading_id INTEGER PRIMARY KEY NOT NULL REFERENCES readings (id),
    file_name TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    length_bytes BIGINT NOT NULL,
    coding TEXT NOT NULL,
    packed BYTEA NOT NULL
);

-- `moment` is found or fitted; the last row of a part and moment counts.
CREATE TABLE seals (
    id INTEGER PRIMARY KEY NOT NULL,
    job_id INTEGER NOT NULL REFERENCES jobs (id),
    moment TEXT NOT NULL,
    part TEXT NOT NULL,
    state TEXT NOT NULL,
    noted_ms BIGINT NOT NULL
);
CREATE INDEX seals_by_job ON seals (job_id, id);

-- The last row of a name counts.
CREATE TABLE checks (
    id INTEGER PRIMARY KEY NOT NULL,
    job_id INTEGER NOT NULL REFERENCES jobs (id),
    name TEXT NOT NULL,
    value_toml TEXT NOT NULL,
    noted_ms BIGINT NOT NULL
);
CREATE INDEX checks_by_job ON checks (job_id, id);

CREATE TABLE overrides (
    id INTEGER PRIMARY KEY NOT NULL,
    job_id INTEGER NOT NULL REFERENCES jobs (id),
    adjuster TEXT NOT NULL,
    reason TEXT NOT NULL,
    given_ms BIGINT NOT NULL
);
CREATE INDEX overrides_by_job ON overrides (job_id, id);

-- `reading_id` is the reading that follows the turn, once there is one.
CREATE TABLE adjustments (
    id INTEGER PRIMARY KEY NOT NULL,
    job_id INTEGER NOT NULL REFERENCES jobs (id),
    reading_id INTEGER REFERENCES readings (id),
    override_id INTEGER REFERENCES overrides (id),
    stage TEXT NOT NULL,
    adjuster TEXT NOT NULL,
    turns DOUBLE PRECISION NOT NULL,
    made_ms BIGINT NOT NULL
);
CREATE INDEX adjustments_by_job ON adjustments (job_id, id);
CREATE INDEX adjustments_by_reading ON adjustments (reading_id);

-- `state` is done or open; the last row of a step counts.
CREATE TABLE progress (
    id INTEGER PRIMARY KEY NOT NULL,
    job_id INTEGER NOT NULL REFERENCES jobs (id),
    step TEXT NOT NULL,
    state TEXT NOT NULL,
    note TEXT NOT NULL,
    noted_ms BIGINT NOT NULL
);
CREATE INDEX progress_by_job ON progress (job_id, id);

-- The picture itself lies beside the database under the name of its hash.
CREATE TABLE photos (
    id INTEGER PRIMARY KEY NOT NULL,
    job_id INTEGER NOT NULL REFERENCES jobs (id),
    stage TEXT NOT NULL,
    caption TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    media_type TEXT NOT NULL,
    length_bytes BIGINT NOT NULL,
    added_ms BIGINT NOT NULL
);
CREATE INDEX photos_by_job ON photos (job_id, id);

-- As computed; `inputs_sha256` tells whether they still belong to the job.
CREATE TABLE findings (
    id INTEGER PRIMARY KEY NOT NULL,
    job_id INTEGER NOT NULL REFERENCES jobs (id),
    program_version TEXT NOT NULL,
    inputs_sha256 TEXT NOT NULL,
    undetermined BIGINT NOT NULL,
    leading_cause TEXT NOT NULL,
    probability DOUBLE PRECISION,
    answer_json TEXT NOT NULL,
    computed_ms BIGINT NOT NULL
);
CREATE INDEX findings_by_job ON findings (job_id, id);
