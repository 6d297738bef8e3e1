"""The tables of the database, as the ordered steps that make them.

A database remembers in ``user_version`` how many steps it has had. A step that
has been released is never edited: a change is a new step at the end.
"""

_FIRST = (
    # A removed programme stays, so that it can be restored. ``removal`` grows with
    # each removal: a board without a battery clock can't order them by their dates.
    """
    CREATE TABLE programmes (
        id INTEGER PRIMARY KEY,
        name TEXT NOT NULL,
        name_key TEXT NOT NULL,
        removal INTEGER UNIQUE,
        removed_at TEXT
    ) STRICT
    """,
    "CREATE UNIQUE INDEX programmes_in_use ON programmes (name_key) WHERE removal IS NULL",
    """
    CREATE TABLE programme_versions (
        programme INTEGER NOT NULL REFERENCES programmes (id),
        version INTEGER NOT NULL CHECK (version >= 1),
        saved_at TEXT NOT NULL,
        body TEXT NOT NULL,
        PRIMARY KEY (programme, version)
    ) STRICT, WITHOUT ROWID
    """,
    # The programme as it was when the sheet was begun: later changes must not reach it.
    """
    CREATE TABLE sheets (
        number INTEGER PRIMARY KEY,
        started_at TEXT NOT NULL,
        closed_at TEXT,
        outcome TEXT CHECK (outcome IN ('complete', 'given up', 'interrupted', 'unused')),
        name TEXT NOT NULL,
        version INTEGER,
        body TEXT NOT NULL,
        CHECK ((closed_at IS NULL) = (outcome IS NULL))
    ) STRICT
    """,
    # ``awaits_period`` is 1 from an order until the period that came of it is written:
    # as long as it is 1, nobody can tell exactly what the paper has received.
    # ``least_ns`` and ``most_ns`` take in the first ``counted_periods`` of the periods.
    """
    CREATE TABLE passes (
        id INTEGER PRIMARY KEY,
        sheet INTEGER NOT NULL REFERENCES sheets (number),
        number INTEGER NOT NULL,
        attempt INTEGER NOT NULL,
        kind TEXT NOT NULL,
        label TEXT,
        filter TEXT,
        intended_ns INTEGER NOT NULL,
        state TEXT NOT NULL
            CHECK (state IN ('planned', 'begun', 'complete', 'given up', 'interrupted')),
        order_id INTEGER,
        boot_id TEXT,
        begun_ns INTEGER,
        marked_ns INTEGER,
        awaits_period INTEGER NOT NULL DEFAULT 0,
        least_ns INTEGER,
        most_ns INTEGER,
        counted_periods INTEGER NOT NULL DEFAULT 0,
        UNIQUE (sheet, number, attempt),
        CHECK ((least_ns IS NULL) = (most_ns IS NULL)),
        CHECK (least_ns <= most_ns)
    ) STRICT
    """,
    """
    CREATE TABLE periods (
        pass INTEGER NOT NULL REFERENCES passes (id),
        ordinal INTEGER NOT NULL,
        on_ns INTEGER NOT NULL,
        off_ns INTEGER NOT NULL,
        PRIMARY KEY (pass, ordinal),
        CHECK (off_ns >= on_ns)
    ) STRICT, WITHOUT ROWID
    """,
    # What a restart must not forget of the darkroom itself.
    """
    CREATE TABLE facts (fact TEXT PRIMARY KEY, value INTEGER NOT NULL) STRICT, WITHOUT ROWID
    """,
)

MIGRATIONS: tuple[tuple[str, ...], ...] = (_FIRST,)
