"""The layout of a room's database: an ordered list of migrations, each applied in one transaction.

All times are whole microseconds since 1970-01-01T00:00Z. Tables that grow with every message are written in
order of arrival (append-only rowid), because an SD card pays for every page that a commit touches; the one
index on readings starts with the time for the same reason: new rows of all channels land on its last page.
"""

from dataclasses import dataclass

import drymon
from drymon.errors import StoreError

APPLICATION_ID = 0x44524D4E
"""`DRMN`: tells a database of drymon from any other SQLite file."""

_VERDICT_COLUMNS = """
    time INTEGER NOT NULL, valid_until INTEGER NOT NULL,
    tree TEXT NOT NULL, rack TEXT NOT NULL, coat TEXT NOT NULL,
    number INTEGER NOT NULL, dipped_at INTEGER NOT NULL, state TEXT NOT NULL,
    dryness_low REAL, dryness_best REAL, dryness_high REAL,
    dry_early INTEGER, dry_best INTEGER, dry_late INTEGER, redip_by INTEGER,
    reasons TEXT NOT NULL, shelter TEXT NOT NULL, recipe TEXT NOT NULL, next_coat TEXT
"""

_RECORD = f"""
CREATE TABLE topic (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT;
CREATE TABLE message (
    id INTEGER PRIMARY KEY, arrived INTEGER NOT NULL, topic INTEGER NOT NULL, payload BLOB NOT NULL,
    flags INTEGER NOT NULL, mid INTEGER, expiry_s INTEGER
) STRICT;
CREATE TABLE channel (
    id INTEGER PRIMARY KEY, place TEXT NOT NULL, quantity TEXT NOT NULL, sensor TEXT NOT NULL,
    latest INTEGER NOT NULL DEFAULT 0,
    UNIQUE (place, quantity, sensor)
) STRICT;
CREATE TABLE node (
    id INTEGER PRIMARY KEY, device TEXT NOT NULL, boot TEXT NOT NULL,
    first INTEGER NOT NULL, highest INTEGER NOT NULL, heard INTEGER NOT NULL,
    UNIQUE (device, boot)
) STRICT;
CREATE TABLE gap (
    node INTEGER NOT NULL REFERENCES node (id) ON DELETE CASCADE,
    first INTEGER NOT NULL, last INTEGER NOT NULL,
    PRIMARY KEY (node, first), CHECK (first <= last)
) STRICT, WITHOUT ROWID;
CREATE TABLE reading (
    id INTEGER PRIMARY KEY, time INTEGER NOT NULL, arrived INTEGER NOT NULL, channel INTEGER NOT NULL,
    value REAL NOT NULL, flags INTEGER NOT NULL, node INTEGER, seq INTEGER
) STRICT;
CREATE INDEX reading_time ON reading (time, channel);
CREATE TABLE doubt (
    id INTEGER PRIMARY KEY, channel INTEGER NOT NULL REFERENCES channel (id), code TEXT NOT NULL,
    first INTEGER NOT NULL, last INTEGER NOT NULL, CHECK (first <= last)
) STRICT;
CREATE INDEX doubt_channel ON doubt (channel, last);
CREATE TABLE event (
    id INTEGER PRIMARY KEY, time INTEGER NOT NULL, arrived INTEGER NOT NULL, kind TEXT NOT NULL, tree TEXT,
    event_id TEXT NOT NULL, who TEXT NOT NULL, body TEXT NOT NULL, after_reading INTEGER NOT NULL
) STRICT;
CREATE UNIQUE INDEX event_once ON event (event_id) WHERE event_id <> '';
CREATE TABLE refused (
    id INTEGER PRIMARY KEY AUTOINCREMENT, time INTEGER NOT NULL, topic TEXT NOT NULL, reason TEXT NOT NULL,
    payload BLOB NOT NULL, size INTEGER NOT NULL
) STRICT;
CREATE TABLE verdict (id INTEGER PRIMARY KEY, changed INTEGER NOT NULL, {_VERDICT_COLUMNS}) STRICT;
CREATE INDEX verdict_tree ON verdict (tree, time);
CREATE TABLE current_verdict ({_VERDICT_COLUMNS}, PRIMARY KEY (tree)) STRICT;
CREATE TABLE current_rack (rack TEXT PRIMARY KEY, body TEXT NOT NULL) STRICT;
CREATE TABLE alert (
    id INTEGER PRIMARY KEY, time INTEGER NOT NULL, alert_id TEXT NOT NULL,
    kind TEXT NOT NULL, subject TEXT NOT NULL,
    severity TEXT NOT NULL, state TEXT NOT NULL, text TEXT NOT NULL
) STRICT;
CREATE TABLE fact (name TEXT PRIMARY KEY, value INTEGER NOT NULL) STRICT;
"""

_PEOPLE = """
CREATE TABLE alarm (key TEXT PRIMARY KEY, body TEXT NOT NULL) STRICT;
CREATE TABLE alarm_log (
    id INTEGER PRIMARY KEY, time INTEGER NOT NULL, key TEXT NOT NULL, change TEXT NOT NULL, who TEXT NOT NULL,
    detail TEXT NOT NULL
) STRICT;
CREATE TABLE outbox (
    id INTEGER PRIMARY KEY, created INTEGER NOT NULL, channel TEXT NOT NULL, payload TEXT NOT NULL,
    key TEXT NOT NULL UNIQUE, attempts INTEGER NOT NULL DEFAULT 0, next_try INTEGER NOT NULL,
    delivered_at INTEGER, error TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE INDEX outbox_waiting ON outbox (next_try) WHERE delivered_at IS NULL;
CREATE TABLE "user" (name TEXT PRIMARY KEY, hash TEXT NOT NULL, created INTEGER NOT NULL) STRICT;
CREATE TABLE audit (
    id INTEGER PRIMARY KEY, time INTEGER NOT NULL, who TEXT NOT NULL, what TEXT NOT NULL, detail TEXT NOT NULL
) STRICT;
CREATE TABLE run_left_out (
    run TEXT PRIMARY KEY, reason TEXT NOT NULL, who TEXT NOT NULL, time INTEGER NOT NULL
) STRICT;
CREATE TABLE calibration (
    id INTEGER PRIMARY KEY, time INTEGER NOT NULL, sensor TEXT NOT NULL, kind TEXT NOT NULL,
    body TEXT NOT NULL
) STRICT;
"""

_ROLL_UPS = """
CREATE TABLE minute (
    channel INTEGER NOT NULL, start INTEGER NOT NULL,
    low REAL NOT NULL, mean REAL NOT NULL, high REAL NOT NULL, count INTEGER NOT NULL,
    PRIMARY KEY (channel, start)
) STRICT, WITHOUT ROWID;
CREATE TABLE hour (
    channel INTEGER NOT NULL, start INTEGER NOT NULL,
    low REAL NOT NULL, mean REAL NOT NULL, high REAL NOT NULL, count INTEGER NOT NULL,
    PRIMARY KEY (channel, start)
) STRICT, WITHOUT ROWID;
"""

_SESSIONS = """
CREATE TABLE session (
    hash TEXT PRIMARY KEY, name TEXT NOT NULL, proof TEXT NOT NULL, created INTEGER NOT NULL
) STRICT;
"""


_LABELS = """
ALTER TABLE verdict ADD COLUMN label TEXT NOT NULL DEFAULT '';
ALTER TABLE current_verdict ADD COLUMN label TEXT NOT NULL DEFAULT '';
"""


_IMAGES = """
CREATE TABLE image (
    id INTEGER PRIMARY KEY, version TEXT NOT NULL, message INTEGER NOT NULL, reading INTEGER NOT NULL,
    event INTEGER NOT NULL, checksum BLOB NOT NULL, document BLOB NOT NULL, heap BLOB NOT NULL, parts BLOB NOT NULL
) STRICT;
CREATE TABLE image_part (id INTEGER PRIMARY KEY, digest BLOB NOT NULL, body BLOB NOT NULL) STRICT;
"""


_ADVICE = """
ALTER TABLE verdict ADD COLUMN advice TEXT NOT NULL DEFAULT '';
ALTER TABLE current_verdict ADD COLUMN advice TEXT NOT NULL DEFAULT '';
"""


_PLAN = """
CREATE TABLE current_plan (id INTEGER PRIMARY KEY CHECK (id = 1), body TEXT NOT NULL) STRICT;
"""


_OWNERS = """
ALTER TABLE "user" ADD COLUMN owner INTEGER NOT NULL DEFAULT 0;
"""


_EXACT = """
ALTER TABLE minute ADD COLUMN rest BLOB;
ALTER TABLE hour ADD COLUMN rest BLOB;
"""
"""What the mean, which is rounded, times the count misses of the sum."""


@dataclass(frozen=True, slots=True)
class Migration:
    """One step from the layout before it; `statements` is SQL, separated by semicolons at line ends."""

    name: str
    statements: str


MIGRATIONS: tuple[Migration, ...] = (
    Migration("messages, readings, log events and verdicts", _RECORD),
    Migration("alarms, outbox, people, runs and calibrations", _PEOPLE),
    Migration("roll-ups by the minute and the hour", _ROLL_UPS),
    Migration("who is signed in to the page", _SESSIONS),
    Migration("what people call a tree", _LABELS),
    Migration("images of the room, to start from", _IMAGES),
    Migration("what to do about a tree", _ADVICE),
    Migration("the plan of coming dips", _PLAN),
    Migration("who may set up the room", _OWNERS),
    Migration("the exact sums of roll-ups", _EXACT),
)
"""Only ever add to the end: position n takes a database from layout n to n + 1."""

MIGRATION_TABLE = (
    "CREATE TABLE migration (version INTEGER PRIMARY KEY, name TEXT NOT NULL, "
    "drymon TEXT NOT NULL, applied INTEGER) STRICT"
)
"""Which of them a database has seen, by which drymon and when."""


def check_known(version: int, maker: str) -> int:
    """The version of a database's layout; StoreError where it is of a newer drymon, `maker`."""
    if version > len(MIGRATIONS):
        raise StoreError(
            f"the database has layout {version}, made by drymon {maker}; "
            f"this is drymon {drymon.__version__}, which knows layouts up to {len(MIGRATIONS)}: "
            f"install drymon {maker} or newer, "
            "or restore a backup from before"
        )
    return version
