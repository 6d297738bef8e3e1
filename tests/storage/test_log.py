"""The write-ahead log after a crash: told from one that a power cut tore, checked against SQLite.

What SQLite itself still reads from a damaged log is the measure: the logs here are its own.
"""

import random
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from timer.errors import StoreError
from timer.storage.database import open_database, reading, writing
from timer.storage.log import loses_what_was_acknowledged

PAGE_BYTES, HEADER, FRAME = 4096, 32, 24
STEP = FRAME + PAGE_BYTES
WRITTEN = 6


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A database whose crash has left ``WRITTEN`` sheets in its log only, one transaction each."""
    path, crashed = tmp_path / "working.sqlite3", tmp_path / "treadle.sqlite3"
    open_database(path).close()
    db = open_database(path)
    for number in range(WRITTEN):
        write(db.connection, number)
    copy(path, crashed)
    db.close()
    return crashed


def write(connection: sqlite3.Connection, number: int, rows: int = 1) -> None:
    """Write programmes as one transaction; several rows of this length take several pages."""
    connection.execute("BEGIN IMMEDIATE")
    for row in range(rows):
        name = f"{number} {row} " + "x" * 3000
        connection.execute("INSERT INTO programmes (name, name_key) VALUES (?, ?)", (name, name))
    connection.execute("COMMIT")


def log_of(path: Path) -> Path:
    return path.with_name(path.name + "-wal")


def copy(path: Path, to: Path) -> None:
    for one, other in ((path, to), (log_of(path), log_of(to))):
        shutil.copyfile(one, other)


def left(path: Path) -> int:
    """How many of the transactions SQLite still finds, looked at in a copy."""
    looked_at = path.with_name("looked at.sqlite3")
    copy(path, looked_at)
    with closing(sqlite3.connect(looked_at)) as connection:
        return int(connection.execute("SELECT count(*) FROM programmes").fetchone()[0])


def frames(log: bytes) -> int:
    return (len(log) - HEADER) // STEP


def spoilt(log: bytes, at: int, length: int) -> bytes:
    garbage = random.Random(at).randbytes(length)
    return log[:at] + garbage + log[at + length :]


def is_told(log: bytes) -> bool:
    return loses_what_was_acknowledged(log, PAGE_BYTES)


def test_a_sound_log_loses_nothing(path: Path) -> None:
    assert left(path) == WRITTEN
    assert not is_told(log_of(path).read_bytes())
    db = open_database(path)
    with reading(db) as connection:
        assert connection.execute("SELECT count(*) FROM programmes").fetchone() == (WRITTEN,)
    db.close()


@pytest.mark.parametrize(
    ("offset", "length", "unsure"),
    [(FRAME + 2000, 100, 1), (16, 8, 1), (0, STEP, 2)],
    ids=["page", "sum", "all of the frame"],
)
def test_a_damage_before_the_last_transactions_is_told(
    path: Path, offset: int, length: int, unsure: int
) -> None:
    """``unsure`` transactions may be lost without being told: they could be one that was torn."""
    sound = log_of(path).read_bytes()
    seen = set()
    for frame in range(frames(sound)):
        damaged = spoilt(sound, HEADER + frame * STEP + offset, length)
        log_of(path).write_bytes(damaged)
        lost = WRITTEN - left(path)
        seen.add(lost)
        if lost > unsure + 1:
            assert is_told(damaged), (frame, lost)
        if lost <= 1:
            assert not is_told(damaged), (frame, lost)
    assert {1, WRITTEN} <= seen


def test_a_log_that_was_cut_off_anywhere_is_what_a_power_cut_leaves(path: Path) -> None:
    sound = log_of(path).read_bytes()
    for length in [*range(0, 200, 7), *range(0, len(sound), 1009), len(sound) - 1]:
        assert not is_told(sound[:length]), length


def test_a_damaged_head_of_the_log_is_told(path: Path) -> None:
    sound = log_of(path).read_bytes()
    for length in (4, 8, 24, 32):
        damaged = spoilt(sound, 0, length)
        log_of(path).write_bytes(damaged)
        assert left(path) == 0
        assert is_told(damaged)


def test_what_is_left_of_an_older_log_is_no_damage(path: Path) -> None:
    db = open_database(path)
    for number in range(4):
        write(db.connection, 10 + number)
    db.connection.execute("PRAGMA wal_checkpoint(RESTART)")
    write(db.connection, 20)  # from the beginning again, over the first of the older frames
    log = log_of(path).read_bytes()
    assert frames(log) > 4
    assert not is_told(log)
    db.close()


def test_transactions_that_the_disk_never_took_are_no_damage(path: Path, tmp_path: Path) -> None:
    """Each was written in full, refused at the last moment, and written over by a shorter one."""
    before = log_of(path).read_bytes()
    written = []
    for rows in (9, 5, 1):
        other = tmp_path / f"{rows}.sqlite3"
        copy(path, other)
        with closing(sqlite3.connect(other, isolation_level=None)) as connection:
            write(connection, 30, rows)
            written.append(log_of(other).read_bytes())
    log = before
    for one in written:
        assert len(one) > len(before)
        assert one.startswith(before)
        log = one + log[len(one) :]
    assert len(log) == len(written[0])
    assert not is_told(log)


def test_a_database_with_such_a_log_is_refused_and_left_as_it_is(path: Path) -> None:
    sound = log_of(path).read_bytes()
    damaged = spoilt(sound, HEADER + FRAME + 2000, 100)
    log_of(path).write_bytes(damaged)
    file = path.read_bytes()
    with pytest.raises(StoreError, match="-wal: the log of the database is damaged") as raised:
        open_database(path)
    assert "put a backup of both files in their place, or move the log away" in str(raised.value)
    assert (path.read_bytes(), log_of(path).read_bytes()) == (file, damaged)
    log_of(path).unlink()
    open_database(path).close()


def test_what_a_crash_has_left_in_the_log_is_in_the_file_after_the_next_start(path: Path) -> None:
    db = open_database(path)
    alone = path.with_name("alone.sqlite3")
    shutil.copyfile(path, alone)
    db.close()
    db = open_database(alone)
    with reading(db) as connection:
        assert connection.execute("SELECT count(*) FROM programmes").fetchone() == (WRITTEN,)
    with writing(db):
        pass
    db.close()
