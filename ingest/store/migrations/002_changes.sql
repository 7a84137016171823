-- What people changed, with who and why; nothing is removed.
CREATE TABLE changes (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    at INTEGER NOT NULL,
    by TEXT NOT NULL,
    why TEXT NOT NULL,
    -- loop, register or work.
    what TEXT NOT NULL,
    -- Empty for more than one loop.
    tag TEXT NOT NULL,
    detail TEXT NOT NULL
) STRICT;

-- The list of loops last taken from a file, by kind of file (register, site): taking the same one again must not undo
-- what people changed since.
CREATE TABLE taken (name TEXT PRIMARY KEY, hash TEXT NOT NULL) STRICT;
