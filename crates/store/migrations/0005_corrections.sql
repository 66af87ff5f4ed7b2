-- Turns that were taken back, and what stood in a booking before it was corrected.

INSERT INTO counters (name, value) VALUES ('corrections', 0);

ALTER TABLE adjustments ADD COLUMN withdrawn_ms BIGINT;

-- Belongs to a job or to a machine. What leads to an owner goes with the owner.
CREATE TABLE corrections (
    id INTEGER PRIMARY KEY NOT NULL,
    job_id INTEGER REFERENCES jobs (id),
    machine_id INTEGER REFERENCES machines (id),
    owner_id INTEGER REFERENCES owners (id) ON DELETE CASCADE,
    field TEXT NOT NULL,
    was TEXT NOT NULL,
    corrected_ms BIGINT NOT NULL
);
CREATE INDEX corrections_by_job ON corrections (job_id, id);
CREATE INDEX corrections_by_machine ON corrections (machine_id, id);
CREATE INDEX corrections_by_owner ON corrections (owner_id, id);
