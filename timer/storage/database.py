"""The one SQLite file that holds the programmes and the record.

Everything that a call has acknowledged is on the disk: write-ahead log, full
synchronisation. A file that can't be trusted or understood is refused before
anything is written to it.
"""

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from urllib.parse import quote

from timer.errors import StoreError
from timer.storage.log import loses_what_was_acknowledged
from timer.storage.migrations import MIGRATIONS

APPLICATION_ID = 0x54726461  # "Trda": tells our file from other programs' databases
BUSY_SECONDS = 2.0
LARGEST_INTEGER = 2**63 - 1  # the largest that SQLite can hold

_MAGIC = b"SQLite format 3\x00"
_HEADER_BYTES = 100
_LARGEST_PAGE = 65536  # written as 1, for it does not fit into its two bytes
# Making room for the log's index fails only where there is no room; SQLite calls it otherwise.
_NO_ROOM_FOR_INDEX = sqlite3.SQLITE_IOERR_SHMSIZE
_PRIMARY_CODE = 0xFF  # SQLite's extended codes keep the plain one in the lowest byte


class Database:
    """An open database; made by :func:`open_database`.

    The daemon uses it from its single storage thread, which need not be the
    thread that opened it. It is no place for two threads at one time.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self.connection = connection

    def close(self) -> None:
        """Close the file; to close it twice does no harm."""
        self.connection.close()


def open_database(path: Path, *, read_only: bool = False) -> Database:
    """Open the database at ``path``, made or brought up to date first unless ``read_only``.

    Raises StoreError, with the file left as it was, where it is missing (read
    only), out of reach, damaged, another program's, or from a newer version.
    """
    with _telling(path), _telling_of_files(path):
        is_new = _is_new(path)
        if is_new and read_only:
            raise StoreError(f"{path}: there is no database here yet; start the daemon once")
        if not is_new:
            page_bytes = _check_header(path)
            if not read_only:
                _check_log(path, page_bytes)
            _check_contents(path, read_only=read_only)
        connection = _connect(path, "ro" if read_only else "rwc")
        try:
            connection.execute("PRAGMA foreign_keys = ON")
            if not read_only:
                _keep_a_log(connection, path)
                connection.execute("PRAGMA synchronous = FULL")
                _migrate(connection, path, MIGRATIONS)
                # What a crash has left in the log only is from here on in the file too.
                with suppress(sqlite3.OperationalError):
                    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        except BaseException:
            connection.close()
            raise
    return Database(path, connection)


@contextmanager
def writing(db: Database) -> Iterator[sqlite3.Connection]:
    """Do what is inside as one transaction: all of it is on the disk afterwards, or none of it.

    Raises StoreError where SQLite fails; other errors pass, with nothing written.
    """
    with _transaction(db, "BEGIN IMMEDIATE") as connection:
        yield connection


@contextmanager
def reading(db: Database) -> Iterator[sqlite3.Connection]:
    """Read what is inside as the database was at one moment; raises StoreError."""
    with _transaction(db, "BEGIN") as connection:
        yield connection


@contextmanager
def _transaction(db: Database, begin: str) -> Iterator[sqlite3.Connection]:
    with _telling(db.path):
        db.connection.execute(begin)
        try:
            yield db.connection
            db.connection.execute("COMMIT")
        except BaseException:
            # SQLite has ended the transaction itself after some failures of the disk.
            if db.connection.in_transaction:
                db.connection.execute("ROLLBACK")
            raise


def _connect(path: Path, mode: str) -> sqlite3.Connection:
    # An absolute path: a folder named "..." or with a "?" must not be read as part of the URI.
    uri = f"file:{quote(str(path.absolute()))}?mode={mode}"
    return sqlite3.connect(
        uri, uri=True, timeout=BUSY_SECONDS, isolation_level=None, check_same_thread=False
    )


def _is_new(path: Path) -> bool:
    """Whether ``path`` is free, or as empty as a first start that was cut off leaves it."""
    if not path.parent.is_dir():
        raise StoreError(f"{path}: its folder {path.parent} isn't there; make it, then try again")
    if path.is_dir():
        raise StoreError(f"{path}: this is a folder; name a file for the database")
    return not path.exists() or path.stat().st_size == 0


def _check_header(path: Path) -> int:
    """Refuse by the file's first bytes alone, before SQLite may put anything beside it.

    Returns how many bytes a page has.
    """
    with path.open("rb") as file:
        header = file.read(_HEADER_BYTES)
    if len(header) < _HEADER_BYTES or not header.startswith(_MAGIC):
        raise _damaged(path)
    version = int.from_bytes(header[60:64])
    application_id = int.from_bytes(header[68:72])
    # 0 may still be ours: the first step of all may be in the write-ahead log only.
    if application_id != 0:
        _check_identity(path, application_id, version)
    return _LARGEST_PAGE if header[16:18] == b"\0\1" else int.from_bytes(header[16:18])


def _check_log(path: Path, page_bytes: int) -> None:
    """Refuse a log from which SQLite would silently leave out what was acknowledged."""
    log = path.with_name(path.name + "-wal")
    if log.exists() and loses_what_was_acknowledged(log.read_bytes(), page_bytes):
        raise StoreError(
            f"{log}: the log of the database is damaged, and it was left as it is; put a backup of"
            " both files in their place, or move the log away to go on without what was saved last"
        )


def _check_identity(path: Path, application_id: int, version: int) -> None:
    if application_id != APPLICATION_ID:
        raise StoreError(
            f"{path}: this database belongs to another program; name another file for Treadle's"
        )
    if version > len(MIGRATIONS):
        raise StoreError(
            f"{path}: this database is of version {version} and this Treadle knows"
            f" {len(MIGRATIONS)} at most; install the newer Treadle again, or name another file"
        )


def _check_contents(path: Path, *, read_only: bool) -> None:
    """Refuse what SQLite itself finds wrong; it can't write through this connection."""
    with closing(_connect(path, "ro")) as connection:
        found = connection.execute("PRAGMA quick_check(1)").fetchone()
        if found is None or found[0] != "ok":
            raise _damaged(path)
        application_id = int(connection.execute("PRAGMA application_id").fetchone()[0])
        version = int(connection.execute("PRAGMA user_version").fetchone()[0])
        tables = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
        if application_id or version or tables:
            _check_identity(path, application_id, version)
    if read_only and version < len(MIGRATIONS):
        raise StoreError(
            f"{path}: this database is of version {version} and {len(MIGRATIONS)} is needed;"
            " start the daemon once to bring it up to date"
        )


def _keep_a_log(connection: sqlite3.Connection, path: Path) -> None:
    mode = connection.execute("PRAGMA journal_mode = WAL").fetchone()[0]
    if mode != "wal":
        raise StoreError(
            f"{path}: this disk can't keep a write-ahead log; put the database on a local disk"
        )


def _migrate(
    connection: sqlite3.Connection, path: Path, migrations: Sequence[Sequence[str]]
) -> None:
    """Take the steps that are missing, all of them or none."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        # Asked again inside the transaction: another process may have been faster.
        version = int(connection.execute("PRAGMA user_version").fetchone()[0])
        if version > len(migrations):
            _check_identity(path, APPLICATION_ID, version)
        for statements in migrations[version:]:
            for statement in statements:
                connection.execute(statement)
        if version < len(migrations):
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version = {len(migrations)}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


@contextmanager
def _telling(path: Path) -> Iterator[None]:
    """Turn what SQLite says into a sentence about ``path``."""
    try:
        yield
    except sqlite3.Error as error:
        raise _sentence(path, error) from error


@contextmanager
def _telling_of_files(path: Path) -> Iterator[None]:
    """Turn what the file system says into a sentence about ``path``."""
    try:
        yield
    except OSError as error:
        raise StoreError(
            f"{path}: the file can't be read ({error.strerror});"
            " see that the daemon's user may read and write it and its folder"
        ) from error


def _damaged(path: Path) -> StoreError:
    return StoreError(
        f"{path}: this is not a sound database, and it was left as it is;"
        " put a backup in its place, or move it away to start with an empty one"
    )


def _sentence(path: Path, error: sqlite3.Error) -> StoreError:
    code = getattr(error, "sqlite_errorcode", None)
    if code is None:
        return StoreError(f"{path}: the database can't be used ({error}); open it again")
    match sqlite3.SQLITE_FULL if code == _NO_ROOM_FOR_INDEX else code & _PRIMARY_CODE:
        case sqlite3.SQLITE_BUSY | sqlite3.SQLITE_LOCKED:
            return StoreError(
                f"{path}: another program has locked the database; close that one and try again"
            )
        case sqlite3.SQLITE_FULL:
            return StoreError(
                f"{path}: the disk is full, and nothing was saved; make room and try again"
            )
        case sqlite3.SQLITE_CORRUPT | sqlite3.SQLITE_NOTADB:
            return _damaged(path)
        case (
            sqlite3.SQLITE_READONLY
            | sqlite3.SQLITE_PERM
            | sqlite3.SQLITE_CANTOPEN
            | sqlite3.SQLITE_AUTH
        ):
            return StoreError(
                f"{path}: the database can't be opened for this work ({error});"
                " see that its disk is not read-only, and that the daemon's user may read and write"
                " it and its folder"
            )
        case sqlite3.SQLITE_IOERR:
            return StoreError(
                f"{path}: the disk has failed ({error}), and nothing was saved;"
                " save what is on it and try another disk"
            )
        case _:
            return StoreError(
                f"{path}: the database refused the work ({error}), and nothing was saved;"
                " try again, and report it if it comes back"
            )
