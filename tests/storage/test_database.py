"""The one database file: made, kept, refused, and never harmed."""

import contextlib
import os
import random
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from timer.errors import StoreError
from timer.storage import database
from timer.storage.database import APPLICATION_ID, open_database, reading, writing
from timer.storage.migrations import MIGRATIONS

INSERT = "INSERT INTO programmes (name, name_key) VALUES (?, ?)"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "treadle.db"


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Give up on a lock at once: the tests hold it, and it will not go."""
    monkeypatch.setattr(database, "BUSY_SECONDS", 0.0)


@pytest.fixture
def unprivileged() -> Iterator[Path]:
    """A folder that is owned by somebody who is not root, as whom the test runs."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        was = os.geteuid()
        if was == 0:
            os.chown(folder, 65534, -1)
            os.seteuid(65534)
        try:
            yield folder
        finally:
            folder.chmod(0o700)
            if was == 0:
                os.seteuid(0)


def contents(path: Path) -> dict[str, bytes]:
    """Every file of the database but SQLite's index of the log, which holds nothing of its own."""
    return {
        one.name: one.read_bytes()
        for one in path.parent.iterdir()
        if not one.name.endswith("-shm") and one.stat().st_size
    }


def names_in(path: Path) -> list[str]:
    db = open_database(path)
    with reading(db) as connection:
        found = [name for (name,) in connection.execute("SELECT name FROM programmes ORDER BY id")]
    db.close()
    return found


def pragma(db: database.Database, name: str) -> object:
    return db.connection.execute(f"PRAGMA {name}").fetchone()[0]


def refused(path: Path, *, read_only: bool = False) -> str:
    with pytest.raises(StoreError) as raised:
        open_database(path, read_only=read_only)
    message = str(raised.value)
    assert message.startswith(f"{path}: ")
    assert "\n" not in message
    return message


def test_a_new_database_is_made_ours_and_up_to_date(path: Path) -> None:
    db = open_database(path)
    assert pragma(db, "application_id") == APPLICATION_ID
    assert pragma(db, "user_version") == len(MIGRATIONS)
    db.close()


def test_what_was_acknowledged_is_on_the_disk_by_log_and_full_synchronisation(path: Path) -> None:
    db = open_database(path)
    assert pragma(db, "journal_mode") == "wal"
    assert pragma(db, "synchronous") == 2  # FULL, in SQLite's own numbering
    assert pragma(db, "foreign_keys") == 1
    db.close()


def test_a_written_row_is_there_at_the_next_start(path: Path) -> None:
    db = open_database(path)
    with writing(db) as connection:
        connection.execute(INSERT, ("Oak", "oak"))
    db.close()
    assert names_in(path) == ["Oak"]


def test_a_transaction_that_fails_leaves_nothing_behind(path: Path) -> None:
    db = open_database(path)
    with pytest.raises(KeyError), writing(db) as connection:
        connection.execute(INSERT, ("Oak", "oak"))
        raise KeyError
    with writing(db) as connection:
        connection.execute(INSERT, ("Elm", "elm"))
    db.close()
    assert names_in(path) == ["Elm"]


def test_a_row_that_breaks_the_tables_rules_is_told_in_a_sentence(path: Path) -> None:
    db = open_database(path)
    with pytest.raises(StoreError, match="refused the work"), writing(db) as connection:
        connection.execute("INSERT INTO programme_versions VALUES (99, 1, 'today', 'body')")
    db.close()


def test_a_closed_database_is_told_in_a_sentence(path: Path) -> None:
    db = open_database(path)
    db.close()
    db.close()
    with pytest.raises(StoreError, match="open it again"), reading(db):
        pytest.fail("nothing can be read here")


def test_a_missing_folder_is_named(path: Path) -> None:
    assert "isn't there; make it" in refused(path.parent / "nowhere" / "treadle.db")
    assert not (path.parent / "nowhere").exists()


def test_a_folder_in_the_files_place_is_told(path: Path) -> None:
    path.mkdir()
    assert "this is a folder" in refused(path)


def test_reading_only_makes_no_database(path: Path) -> None:
    assert "no database here yet" in refused(path, read_only=True)
    assert not path.exists()


def test_reading_only_reads_and_does_not_write(path: Path) -> None:
    db = open_database(path)
    with writing(db) as connection:
        connection.execute(INSERT, ("Oak", "oak"))
    looking = open_database(path, read_only=True)
    with reading(looking) as connection:
        assert connection.execute("SELECT name FROM programmes").fetchall() == [("Oak",)]
    with pytest.raises(StoreError, match="readonly"), writing(looking) as connection:
        connection.execute(INSERT, ("Elm", "elm"))
    looking.close()
    db.close()


def test_a_name_with_signs_of_a_uri_is_just_a_name(tmp_path: Path) -> None:
    path = tmp_path / "100% ?mode=memory#.db"
    open_database(path).close()
    assert path.stat().st_size > 0


def test_an_empty_file_of_a_start_cut_off_becomes_a_database(path: Path) -> None:
    path.touch()
    open_database(path).close()
    assert names_in(path) == []


@pytest.mark.parametrize(
    "damage",
    [
        b"this is no database",
        b"\0" * 4096,
        random.Random(1).randbytes(8192),
        b"SQLite format 3\0" + b"\xff" * 84,
        b"SQLite format 3\0" + b"\xff" * 8000,
    ],
    ids=["text", "zeros", "noise", "a header only", "a header and noise"],
)
def test_a_file_that_is_no_database_is_refused_and_left_as_it_is(path: Path, damage: bytes) -> None:
    path.write_bytes(damage)
    message = refused(path)
    assert "backup" in message or "another program" in message
    assert contents(path) == {path.name: damage}


def filled(path: Path) -> bytes:
    db = open_database(path)
    with writing(db) as connection:
        for number in range(500):
            connection.execute(INSERT, (f"Oak {number}", f"oak {number}"))
    db.close()
    return path.read_bytes()


@pytest.mark.parametrize("read_only", [False, True])
def test_a_damaged_page_is_found_before_anything_is_written(path: Path, read_only: bool) -> None:
    sound = filled(path)
    damaged = sound[:4096] + b"\xa5" * 4096 + sound[8192:]
    path.write_bytes(damaged)
    assert "put a backup in its place, or move it away" in refused(path, read_only=read_only)
    assert contents(path) == {path.name: damaged}


def test_a_file_cut_short_is_refused_and_left_as_it_is(path: Path) -> None:
    cut = filled(path)[:-5000]
    path.write_bytes(cut)
    assert "backup" in refused(path)
    assert contents(path) == {path.name: cut}


@pytest.mark.fault(
    "disk",
    "The database's file belongs to another program",
    happens="The start is refused in a sentence, and the file is left as it is.",
    guard="none needed: the lamp is off before the database is opened",
    within="",
    annex_h=(),
)
def test_another_programs_database_is_left_alone(path: Path) -> None:
    with contextlib.closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE songs (title)")
    before = contents(path)
    assert "belongs to another program" in refused(path)
    assert contents(path) == before


def test_another_programs_marked_database_is_left_alone(path: Path) -> None:
    with contextlib.closing(sqlite3.connect(path)) as other:
        other.execute("PRAGMA application_id = 42")
        other.execute("CREATE TABLE songs (title)")
    before = contents(path)
    assert "belongs to another program" in refused(path)
    assert contents(path) == before


@pytest.mark.parametrize("read_only", [False, True])
@pytest.mark.fault(
    "disk",
    "The database was written by a newer Treadle",
    happens="The start is refused in a sentence, and the file is left byte for byte.",
    guard="none needed: the lamp is off before the database is opened",
    within="",
    annex_h=(),
)
def test_a_newer_database_is_refused_and_left_byte_for_byte(path: Path, read_only: bool) -> None:
    db = open_database(path)
    db.connection.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    db.close()
    before = contents(path)
    assert f"of version {len(MIGRATIONS) + 1}" in refused(path, read_only=read_only)
    assert contents(path) == before


def test_a_newer_version_that_is_still_in_the_log_only_is_refused_too(path: Path) -> None:
    """A newer Treadle lost its power before the log was copied into the file."""
    db = open_database(path)
    db.connection.execute("PRAGMA wal_autocheckpoint = 0")
    db.connection.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    before = contents(path)
    assert path.name + "-wal" in before
    assert f"of version {len(MIGRATIONS) + 1}" in refused(path)
    assert contents(path) == before
    db.close()


def test_an_older_database_is_brought_up_to_date_with_all_that_it_holds(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    filled(path)
    more = ("ALTER TABLE programmes ADD COLUMN colour TEXT",)
    monkeypatch.setattr(database, "MIGRATIONS", (*MIGRATIONS, more))
    assert "start the daemon once" in refused(path, read_only=True)
    db = open_database(path)
    assert pragma(db, "user_version") == len(MIGRATIONS) + 1
    with reading(db) as connection:
        assert connection.execute("SELECT count(colour), count(*) FROM programmes").fetchone() == (
            0,
            500,
        )
    db.close()


@pytest.mark.fault(
    "disk",
    "Bringing an older database up to date fails half way",
    happens="The start is refused in a sentence, and the database is as it was.",
    guard="none needed: the lamp is off before the database is opened",
    within="",
    annex_h=(),
)
def test_a_migration_that_fails_half_way_changes_nothing(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    filled(path)
    broken = ("ALTER TABLE programmes ADD COLUMN colour TEXT", "CREATE TABLE sheets (x)")
    monkeypatch.setattr(database, "MIGRATIONS", (*MIGRATIONS, broken))
    assert "nothing was saved" in refused(path)
    monkeypatch.undo()
    db = open_database(path)
    assert pragma(db, "user_version") == len(MIGRATIONS)
    columns = [row[1] for row in db.connection.execute("PRAGMA table_info(programmes)")]
    assert "colour" not in columns
    db.close()


@pytest.mark.usefixtures("quick")
def test_a_database_locked_by_another_program_is_told_while_writing(path: Path) -> None:
    ours, theirs = open_database(path), open_database(path)
    with writing(theirs), pytest.raises(StoreError, match="another program has locked"):  # noqa: SIM117
        with writing(ours):
            pytest.fail("two can't write at a time")
    with writing(ours) as connection:
        connection.execute(INSERT, ("Oak", "oak"))
    ours.close()
    theirs.close()


@pytest.mark.usefixtures("quick")
def test_a_database_locked_for_good_is_told_on_opening(path: Path) -> None:
    open_database(path).close()
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("PRAGMA locking_mode = EXCLUSIVE")
        other.execute("BEGIN EXCLUSIVE")
        assert "another program has locked" in refused(path)


def test_a_full_disk_is_told_and_leaves_what_was_there(path: Path) -> None:
    """SQLite's own limit on pages stands for the disk's: it answers with the same error."""
    db = open_database(path)
    with writing(db) as connection:
        connection.execute(INSERT, ("Oak", "oak"))
    db.connection.execute("PRAGMA max_page_count = 1")
    with pytest.raises(StoreError, match="the disk is full"), writing(db) as connection:
        for number in range(10_000):
            connection.execute(INSERT, (f"Elm {number}", f"elm {number}"))
    db.close()
    assert names_in(path) == ["Oak"]


def test_a_folder_without_permission_to_write_is_told(unprivileged: Path) -> None:
    unprivileged.chmod(0o500)
    assert "may read and write" in refused(unprivileged / "treadle.db")


def test_a_file_without_permission_to_read_is_told(unprivileged: Path) -> None:
    path = unprivileged / "treadle.db"
    open_database(path).close()
    path.chmod(0)
    assert "may read and write" in refused(path)


def test_a_file_without_permission_to_write_is_told(unprivileged: Path) -> None:
    path = unprivileged / "treadle.db"
    open_database(path).close()
    path.chmod(0o400)
    unprivileged.chmod(0o500)
    assert "may read and write" in refused(path)


def test_a_file_behind_a_closed_folder_is_told(unprivileged: Path) -> None:
    unprivileged.chmod(0)
    assert "may read and write" in refused(unprivileged / "treadle.db")


def test_a_page_damaged_while_the_database_is_open_is_told(path: Path) -> None:
    sound = filled(path)
    db = open_database(path)
    path.write_bytes(sound[:4096] + b"\xa5" * (len(sound) - 4096))
    with pytest.raises(StoreError, match="put a backup in its place"), reading(db) as connection:
        connection.execute("SELECT count(name) FROM programmes").fetchone()
    db.close()


@pytest.mark.fault(
    "disk",
    "A process is killed in the middle of a write",
    happens="All that was acknowledged is there, and nothing of what was not.",
    guard="none needed: a write has nothing to do with the lamp",
    within="",
    annex_h=(),
)
def test_what_was_acknowledged_outlives_a_killed_process(path: Path) -> None:
    script = f"""
import os, signal, sys
from pathlib import Path
from timer.storage.database import open_database, writing
db = open_database(Path({str(path)!r}))
for number in range(20):
    with writing(db) as connection:
        connection.execute({INSERT!r}, (f"Oak {{number}}", f"oak {{number}}"))
    print(number, flush=True)
connection.execute("BEGIN IMMEDIATE")
connection.execute({INSERT!r}, ("Elm", "elm"))
os.kill(os.getpid(), signal.SIGKILL)
"""
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=False
    )
    assert done.returncode == -9, done.stderr
    acknowledged = [f"Oak {number}" for number in done.stdout.split()]
    assert len(acknowledged) == 20
    assert names_in(path) == acknowledged
