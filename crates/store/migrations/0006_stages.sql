-- The stages that a job went through, and what moved it on.

INSERT INTO counters (name, value) VALUES ('stage_moves', 0);

-- `why` is hand, reading, seal, check or turn.
CREATE TABLE stage_moves (
    id INTEGER PRIMARY KEY NOT NULL,
    job_id INTEGER NOT NULL REFERENCES jobs (id),
    was TEXT NOT NULL,
    stage TEXT NOT NULL,
    why TEXT NOT NULL,
    moved_ms BIGINT NOT NULL
);
CREATE INDEX stage_moves_by_job ON stage_moves (job_id, id);
