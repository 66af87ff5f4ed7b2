-- Documents of a job as they were handed out, and what was written down by hand.

INSERT INTO counters (name, value) VALUES ('remarks', 0), ('documents', 0);

-- `topic` is asked, found, done, declined, not-checked or next-check.
CREATE TABLE remarks (
    id INTEGER PRIMARY KEY NOT NULL,
    job_id INTEGER NOT NULL REFERENCES jobs (id),
    topic TEXT NOT NULL,
    text TEXT NOT NULL,
    noted_ms BIGINT NOT NULL,
    withdrawn_ms BIGINT
);
CREATE INDEX remarks_by_job ON remarks (job_id, id);

-- A version of a document has one row a form (pdf-a4, pdf-letter, html); rows are never changed.
CREATE TABLE documents (
    id INTEGER PRIMARY KEY NOT NULL,
    job_id INTEGER NOT NULL REFERENCES jobs (id),
    kind TEXT NOT NULL,
    version BIGINT NOT NULL,
    form TEXT NOT NULL,
    program_version TEXT NOT NULL,
    data_sha256 TEXT NOT NULL,
    content_sha256 TEXT NOT NULL,
    length_bytes BIGINT NOT NULL,
    coding TEXT NOT NULL,
    packed BYTEA NOT NULL,
    written_ms BIGINT NOT NULL
);
CREATE UNIQUE INDEX documents_by_job ON documents (job_id, kind, version, form);
