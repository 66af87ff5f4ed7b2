-- Machines that changed hands, and to whom they belonged before.

INSERT INTO counters (name, value) VALUES ('sales', 0);

-- Jobs up to `until_job` belong to the earlier owner; 0 where there were none. Owner and registration
-- are those before; the registration goes with the owner.
CREATE TABLE sales (
    id INTEGER PRIMARY KEY NOT NULL,
    machine_id INTEGER NOT NULL REFERENCES machines (id),
    owner_id INTEGER REFERENCES owners (id) ON DELETE SET NULL,
    registration TEXT NOT NULL,
    sold_on TEXT NOT NULL,
    until_job BIGINT NOT NULL,
    noted_ms BIGINT NOT NULL
);
CREATE INDEX sales_by_machine ON sales (machine_id, id);
CREATE INDEX sales_by_owner ON sales (owner_id);
