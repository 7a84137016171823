-- Fresh readings: one packed batch a row, append-only. AUTOINCREMENT: a number is never used twice,
-- also after the range before it was cleared.
CREATE TABLE landing (
    seq INTEGER PRIMARY KEY AUTOINCREMENT,
    t_min INTEGER NOT NULL,
    t_max INTEGER NOT NULL,
    rows INTEGER NOT NULL,
    format INTEGER NOT NULL,
    batch BLOB NOT NULL
) STRICT;

-- Collected rows that no loop of the register takes.
CREATE TABLE refused (tag TEXT PRIMARY KEY, rows INTEGER NOT NULL, last INTEGER NOT NULL) STRICT;
