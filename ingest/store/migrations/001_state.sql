-- Manifest, register and announced work of a store.
CREATE TABLE meta (key TEXT PRIMARY KEY, value INTEGER NOT NULL) STRICT;
INSERT INTO meta VALUES ('generation', 1), ('register_generation', 1), ('sealed_through', 0);

-- One row an entry of a loop's history, in order; cells as JSON, named as in loops.csv.
CREATE TABLE loops (
    tag TEXT NOT NULL,
    ordinal INTEGER NOT NULL,
    retired INTEGER NOT NULL,
    cells TEXT NOT NULL,
    PRIMARY KEY (tag, ordinal)
) STRICT;

-- Day files that count. origin: 0 imported, 1 collected; seq orders them within an origin.
CREATE TABLE parts (
    name TEXT PRIMARY KEY,
    day INTEGER NOT NULL,
    origin INTEGER NOT NULL,
    seq_first INTEGER NOT NULL,
    seq_last INTEGER NOT NULL,
    rows INTEGER NOT NULL,
    t_min INTEGER NOT NULL,
    t_max INTEGER NOT NULL,
    bytes INTEGER NOT NULL,
    hash TEXT NOT NULL
) STRICT;

-- Files that others replaced and that older snapshots may still read.
CREATE TABLE replaced (name TEXT PRIMARY KEY, since INTEGER NOT NULL) STRICT;

CREATE TABLE imports (
    id INTEGER PRIMARY KEY,
    at INTEGER NOT NULL,
    rows INTEGER NOT NULL,
    rejects INTEGER NOT NULL
) STRICT;

CREATE TABLE import_files (
    hash TEXT PRIMARY KEY,
    import INTEGER NOT NULL REFERENCES imports (id),
    name TEXT NOT NULL,
    rows INTEGER NOT NULL
) STRICT;

-- tag is empty for every loop.
CREATE TABLE work (
    tag TEXT NOT NULL,
    t_from INTEGER NOT NULL,
    t_to INTEGER NOT NULL,
    note TEXT NOT NULL,
    UNIQUE (tag, t_from, t_to, note)
) STRICT;
