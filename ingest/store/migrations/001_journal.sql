-- Texts in the order of their acceptance; never changed, never removed. AUTOINCREMENT: a number is never used twice.
CREATE TABLE journal (
    seq INTEGER PRIMARY KEY AUTOINCREMENT,
    text TEXT NOT NULL
) STRICT;
CREATE TRIGGER journal_is_kept BEFORE DELETE ON journal BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER journal_is_fixed BEFORE UPDATE ON journal BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
