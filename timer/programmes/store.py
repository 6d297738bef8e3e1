"""The store of programmes: every version of each is kept, and a removed one can come back."""

import sqlite3
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

from timer.clock import wall_time
from timer.errors import FormatError, NameClashError, UnknownNameError
from timer.programmes.model import Programme
from timer.programmes.names import name_key, near, shown
from timer.programmes.text import from_toml, to_toml
from timer.storage.database import LARGEST_INTEGER, Database, reading, writing


@dataclass(frozen=True, slots=True)
class StoredProgramme:
    """A programme as it is kept: ``version`` counts from 1, ``saved_at`` is ISO 8601 in UTC."""

    programme: Programme
    version: int
    saved_at: str


class _Row(NamedTuple):
    id: int
    name: str


class ProgrammeStore:
    """The programmes of a database, by name.

    Names that look alike are one name: letter case and the way in which an
    accent is encoded don't tell them apart. Every method may raise StoreError.
    """

    def __init__(self, db: Database, *, now: Callable[[], str] = wall_time) -> None:
        self._db = db
        self._now = now

    def add(self, programme: Programme) -> StoredProgramme:
        """Keep a new programme as version 1; raises NameClashError where the name is taken."""
        body = to_toml(programme)
        with writing(self._db) as connection:
            taken = _find(connection, programme.name)
            if taken is not None:
                raise NameClashError(
                    f"a programme is named {taken.name!r} already; choose another name,"
                    " or change that one"
                )
            cursor = connection.execute(
                "INSERT INTO programmes (name, name_key) VALUES (?, ?)",
                (programme.name, name_key(programme.name)),
            )
            saved_at = self._now()
            connection.execute(
                "INSERT INTO programme_versions VALUES (?, 1, ?, ?)",
                (cursor.lastrowid, saved_at, body),
            )
        return StoredProgramme(programme, 1, saved_at)

    def change(self, programme: Programme) -> StoredProgramme:
        """Keep ``programme`` as the next version of the one with its name.

        Where nothing has changed the newest version stands. The name itself is
        changed by :meth:`rename` only. Raises UnknownNameError.
        """
        with writing(self._db) as connection:
            row = _require(connection, programme.name)
            programme = replace(programme, name=row.name)
            body = to_toml(programme)
            version, saved_at, newest = _version(connection, row, None)
            if not _says(newest, programme):
                version, saved_at = version + 1, self._now()
                connection.execute(
                    "INSERT INTO programme_versions VALUES (?, ?, ?, ?)",
                    (row.id, version, saved_at, body),
                )
        return StoredProgramme(programme, version, saved_at)

    def get(self, name: str, version: int | None = None) -> StoredProgramme:
        """Return a programme, its newest version unless one is asked for; UnknownNameError."""
        with reading(self._db) as connection:
            row = _require(connection, name)
            found = _version(connection, row, version)
        return _stored(row.name, *found)

    def list(self) -> tuple[StoredProgramme, ...]:
        """Return the newest version of each programme, by name."""
        with reading(self._db) as connection:
            rows = connection.execute(
                "SELECT id, name FROM programmes WHERE removal IS NULL ORDER BY name_key"
            ).fetchall()
            found = [(name, _version(connection, _Row(id_, name), None)) for id_, name in rows]
        return tuple(_stored(name, *version) for name, version in found)

    def versions(self, name: str) -> tuple[StoredProgramme, ...]:
        """Return every version of a programme, the first one first; raises UnknownNameError."""
        with reading(self._db) as connection:
            row = _require(connection, name)
            found = connection.execute(
                "SELECT version, saved_at, body FROM programme_versions"
                " WHERE programme = ? ORDER BY version",
                (row.id,),
            ).fetchall()
        return tuple(_stored(row.name, *one) for one in found)

    def rename(self, old: str, new: str) -> StoredProgramme:
        """Give a programme and all of its versions another name; no version is added.

        Raises UnknownNameError, NameClashError, and PlanError where ``new`` is no name.
        """
        with writing(self._db) as connection:
            row = _require(connection, old)
            before = _stored(row.name, *_version(connection, row, None))
            after = replace(before, programme=replace(before.programme, name=new))
            name = after.programme.name
            taken = _find(connection, name)
            if taken is not None and taken.id != row.id:
                raise NameClashError(
                    f"a programme is named {taken.name!r} already; choose another name,"
                    " or rename or remove that one first"
                )
            connection.execute(
                "UPDATE programmes SET name = ?, name_key = ? WHERE id = ?",
                (name, name_key(name), row.id),
            )
        return after

    def remove(self, name: str) -> None:
        """Take a programme out of the list; :meth:`restore` brings it back. UnknownNameError."""
        with writing(self._db) as connection:
            row = _require(connection, name)
            connection.execute(
                "UPDATE programmes SET removed_at = ?,"
                " removal = (SELECT coalesce(max(removal), 0) + 1 FROM programmes) WHERE id = ?",
                (self._now(), row.id),
            )

    def removed(self) -> tuple[StoredProgramme, ...]:
        """Return the newest version of each removed programme, the last removed first."""
        with reading(self._db) as connection:
            rows = connection.execute(
                "SELECT id, name FROM programmes WHERE removal IS NOT NULL ORDER BY removal DESC"
            ).fetchall()
            found = [(name, _version(connection, _Row(id_, name), None)) for id_, name in rows]
        return tuple(_stored(name, *version) for name, version in found)

    def restore(self, name: str) -> StoredProgramme:
        """Bring back the programme of that name that was removed last, with all its versions.

        Raises UnknownNameError, and NameClashError where its name has been given away since.
        """
        with writing(self._db) as connection:
            gone = _find_removed(connection, name)
            if gone is None:
                names = _names(connection, "removal IS NOT NULL")
                raise UnknownNameError(
                    f"no removed programme is named {shown(name)}; {_hint(name, names)}"
                )
            taken = _find(connection, name)
            if taken is not None:
                raise NameClashError(
                    f"{gone.name!r} can't be restored, since a programme is named {taken.name!r};"
                    " rename that one first, then restore"
                )
            connection.execute(
                "UPDATE programmes SET removal = NULL, removed_at = NULL WHERE id = ?", (gone.id,)
            )
            found = _version(connection, gone, None)
        return _stored(gone.name, *found)


def _stored(name: str, version: int, saved_at: str, body: str) -> StoredProgramme:
    programme = from_toml(body, f"programme {name!r}, version {version} of the database")
    # The name in the body is the one that it had when it was saved.
    return StoredProgramme(replace(programme, name=name), version, saved_at)


def _says(body: str, programme: Programme) -> bool:
    """Whether a stored body says ``programme``, under whatever name it was saved."""
    try:
        return replace(from_toml(body), name=programme.name) == programme
    except FormatError:  # spoilt, and no reason against a sound version after it
        return False


def _find(connection: sqlite3.Connection, name: str) -> _Row | None:
    return _one(connection, "SELECT id, name FROM programmes WHERE removal IS NULL", name)


def _find_removed(connection: sqlite3.Connection, name: str) -> _Row | None:
    return _one(connection, "SELECT id, name FROM programmes WHERE removal IS NOT NULL", name)


def _one(connection: sqlite3.Connection, select: str, name: str) -> _Row | None:
    key = name_key(name)
    if any("\ud800" <= c <= "\udfff" for c in key):  # bytes that are no text: never a name
        return None
    found = connection.execute(
        f"{select} AND name_key = ? ORDER BY removal DESC LIMIT 1", (key,)
    ).fetchone()
    return None if found is None else _Row(*found)


def _require(connection: sqlite3.Connection, name: str) -> _Row:
    row = _find(connection, name)
    if row is not None:
        return row
    gone = _find_removed(connection, name)
    if gone is not None:
        raise UnknownNameError(f"programme {gone.name!r} was removed; restore it to use it again")
    names = _names(connection, "removal IS NULL")
    raise UnknownNameError(f"no programme is named {shown(name)}; {_hint(name, names)}")


def _names(connection: sqlite3.Connection, condition: str) -> list[str]:
    return [
        name
        for (name,) in connection.execute(
            f"SELECT name FROM programmes WHERE {condition} ORDER BY name_key"  # noqa: S608 -- ours
        )
    ]


def _hint(name: str, names: list[str]) -> str:
    if not names:
        return "there is none at all"
    likely = near(name, names)
    if likely:
        return f"did you mean {' or '.join(repr(one) for one in likely)}?"
    return "look at the list of them"


def _version(
    connection: sqlite3.Connection, row: _Row, version: int | None
) -> tuple[int, str, str]:
    """Return number, date and body of a version of ``row``, the newest where it is None."""
    newest: tuple[int, str, str] = connection.execute(
        "SELECT version, saved_at, body FROM programme_versions"
        " WHERE programme = ? ORDER BY version DESC LIMIT 1",
        (row.id,),
    ).fetchone()
    if version is None or version == newest[0]:
        return newest
    found: tuple[int, str, str] | None = None
    if 0 < version <= LARGEST_INTEGER:
        found = connection.execute(
            "SELECT version, saved_at, body FROM programme_versions"
            " WHERE programme = ? AND version = ?",
            (row.id, version),
        ).fetchone()
    if found is None:
        has = "version 1 only" if newest[0] == 1 else f"versions 1 to {newest[0]}"
        asked = f"version {version}" if abs(version) < 10**9 else "version of that number"
        raise UnknownNameError(f"programme {row.name!r} has no {asked}; it has {has}")
    return found
