-- The shop's library: jobs left out of it, or taken in again. The last row of a job counts.
CREATE TABLE library_switches (
    id INTEGER PRIMARY KEY NOT NULL,
    job_id INTEGER NOT NULL REFERENCES jobs (id),
    taken_in BIGINT NOT NULL,
    reason TEXT NOT NULL,
    set_ms BIGINT NOT NULL
);
CREATE INDEX library_switches_by_job ON library_switches (job_id, id);
INSERT INTO counters (name, value) VALUES ('library_switches', 0);
