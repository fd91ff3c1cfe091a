"""The store's tables, as a list of migrations: a store of version n has had the first n of them. Never edit one that was released.

The same tables in both databases; triggers are each database's own. They keep an honest program from changing what is written;
what guards against others is the chain.
"""

from __future__ import annotations

_COLUMNS = """
    sequence {integer} PRIMARY KEY,
    kind TEXT NOT NULL CHECK (kind IN ('record', 'amendment', 'stoppage', 'closing')),
    entry_id TEXT NOT NULL UNIQUE,
    made_at TEXT NOT NULL,
    subject TEXT NOT NULL,
    serial_number TEXT NOT NULL,
    part_number TEXT NOT NULL,
    verdict TEXT NOT NULL,
    for_record {integer} NOT NULL,
    refers_to TEXT NOT NULL,
    journal_place TEXT NOT NULL,
    journal_bytes {integer} NOT NULL,
    journal_sha256 TEXT NOT NULL,
    content_sha256 TEXT NOT NULL,
    previous_hash TEXT NOT NULL,
    hash TEXT NOT NULL,
    content {bytes} NOT NULL
"""
_HEAD = "id {integer} PRIMARY KEY CHECK (id = 1), count {integer} NOT NULL, hash TEXT NOT NULL"
_FIRST_HEAD = "INSERT INTO record_head (id, count, hash) VALUES (1, 0, '" + "0" * 64 + "')"
_INDEXES = (
    "CREATE INDEX record_entries_by_subject ON record_entries (subject, sequence)",
    "CREATE INDEX record_entries_by_serial_number ON record_entries (serial_number, sequence)",
    "CREATE INDEX record_entries_by_refers_to ON record_entries (refers_to) WHERE refers_to <> ''",
    "CREATE INDEX record_entries_by_journal ON record_entries (journal_sha256) WHERE journal_sha256 <> ''",
    "CREATE INDEX record_entries_stopped ON record_entries (sequence) WHERE kind = 'stoppage'",
)

SQLITE: tuple[tuple[str, ...], ...] = (
    (
        f"CREATE TABLE record_entries ({_COLUMNS.format(integer='INTEGER', bytes='BLOB')})",
        f"CREATE TABLE record_head ({_HEAD.format(integer='INTEGER')})",
        _FIRST_HEAD,
        "CREATE TRIGGER record_entries_no_update BEFORE UPDATE ON record_entries "
        "BEGIN SELECT RAISE(ABORT, 'entries are never changed'); END",
        "CREATE TRIGGER record_entries_no_delete BEFORE DELETE ON record_entries "
        "BEGIN SELECT RAISE(ABORT, 'entries are never deleted'); END",
    ),
    (
        *_INDEXES,
        "CREATE TRIGGER record_entries_in_order BEFORE INSERT ON record_entries "
        "WHEN NEW.sequence IS NOT (SELECT count + 1 FROM record_head) "
        "OR NEW.previous_hash IS NOT (SELECT hash FROM record_head) "
        "BEGIN SELECT RAISE(ABORT, 'an entry follows the last one'); END",
        "CREATE TRIGGER record_head_follows BEFORE UPDATE ON record_head "
        "WHEN NEW.count IS NOT OLD.count + 1 "
        "OR NEW.hash IS NOT (SELECT hash FROM record_entries WHERE sequence = NEW.count) "
        "BEGIN SELECT RAISE(ABORT, 'the head follows the last entry'); END",
        "CREATE TRIGGER record_head_no_delete BEFORE DELETE ON record_head "
        "BEGIN SELECT RAISE(ABORT, 'the head is never deleted'); END",
    ),
)


def _guard(name: str, table: str, event: str, text: str, level: str = "ROW") -> str:
    return (
        f"CREATE TRIGGER {table}_{name} BEFORE {event} ON {table} FOR EACH {level} "
        f"EXECUTE FUNCTION breakerbench_refuse('{text}')"
    )


POSTGRES: tuple[tuple[str, ...], ...] = (
    (
        f"CREATE TABLE record_entries ({_COLUMNS.format(integer='BIGINT', bytes='BYTEA')})",
        f"CREATE TABLE record_head ({_HEAD.format(integer='BIGINT')})",
        _FIRST_HEAD,
        "CREATE FUNCTION breakerbench_refuse() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RAISE EXCEPTION '%', TG_ARGV[0]; END $$",
        _guard("no_update", "record_entries", "UPDATE", "entries are never changed"),
        _guard("no_delete", "record_entries", "DELETE", "entries are never deleted"),
        _guard("no_truncate", "record_entries", "TRUNCATE", "entries are never deleted", "STATEMENT"),
    ),
    (
        *_INDEXES,
        "CREATE FUNCTION breakerbench_in_order() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        "IF NOT EXISTS (SELECT 1 FROM record_head WHERE count + 1 = NEW.sequence AND hash = NEW.previous_hash) "
        "THEN RAISE EXCEPTION 'an entry follows the last one'; END IF; RETURN NEW; END $$",
        "CREATE TRIGGER record_entries_in_order BEFORE INSERT ON record_entries FOR EACH ROW "
        "EXECUTE FUNCTION breakerbench_in_order()",
        "CREATE FUNCTION breakerbench_follows() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        "IF NEW.count <> OLD.count + 1 OR NOT EXISTS "
        "(SELECT 1 FROM record_entries WHERE sequence = NEW.count AND hash = NEW.hash) "
        "THEN RAISE EXCEPTION 'the head follows the last entry'; END IF; RETURN NEW; END $$",
        "CREATE TRIGGER record_head_follows BEFORE UPDATE ON record_head FOR EACH ROW "
        "EXECUTE FUNCTION breakerbench_follows()",
        _guard("no_delete", "record_head", "DELETE", "the head is never deleted"),
        _guard("no_truncate", "record_head", "TRUNCATE", "the head is never deleted", "STATEMENT"),
    ),
)
