"""The record: written before the lamp can go on, and on the disk before a call returns."""

import sqlite3
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from timer.clock import wall_time
from timer.errors import RefusedError, UnknownNameError
from timer.programmes.model import Programme
from timer.programmes.passes import Pass
from timer.programmes.text import to_toml
from timer.record.sheets import (
    Outcome,
    PassRecord,
    Period,
    Received,
    SheetRecord,
    State,
    Unfinished,
)
from timer.storage.database import LARGEST_INTEGER, Database, reading, writing

_ENDED: tuple[State, ...] = ("complete", "given up", "interrupted")


class _Attempt(NamedTuple):
    """The latest attempt at a pass, as the writing methods need it."""

    id: int
    attempt: int
    state: State
    intended_ns: int
    marked_ns: int | None
    awaits_period: int
    least_ns: int | None
    most_ns: int | None
    counted_periods: int


class Record:
    """The sheets of a database.

    Methods that name a pass mean its latest attempt. Every method may raise
    StoreError; one that names a sheet or pass that isn't there raises
    UnknownNameError, one that its state does not allow RefusedError.
    """

    def __init__(self, db: Database, *, now: Callable[[], str] = wall_time) -> None:
        self._db = db
        self._now = now

    def open_sheet(self, programme: Programme, version: int | None, passes: Sequence[Pass]) -> int:
        """Write down a sheet and all that it is to get, before any of it; return its number."""
        body = to_toml(programme)
        with writing(self._db) as connection:
            cursor = connection.execute(
                "INSERT INTO sheets (started_at, name, version, body) VALUES (?, ?, ?, ?)",
                (self._now(), programme.name, version, body),
            )
            sheet = cursor.lastrowid
            assert sheet is not None  # noqa: S101 -- for the type checker; an INSERT has one
            connection.executemany(
                "INSERT INTO passes (sheet, number, attempt, kind, label, filter, intended_ns,"
                " state) VALUES (?, ?, 1, ?, ?, ?, ?, 'planned')",
                [(sheet, p.number, p.kind, p.label, p.filter, p.intended_ns) for p in passes],
            )
        return sheet

    def begin_pass(self, sheet: int, number: int, order_id: int, boot_id: str, at_ns: int) -> None:
        """Write down the order that exposes a pass, or that continues one.

        ``at_ns`` is on the monotonic clock of the boot ``boot_id``. Where the
        order before it has left no period, what came of it is unknown and stays
        so in the record; an order that gave no light is ended by a period of
        no length.
        """
        with writing(self._db) as connection:
            one = _open_attempt(connection, sheet, number, ("planned", "begun"))
            if one.awaits_period:
                _set_received(connection, one, _received(connection, one))
            connection.execute(
                "UPDATE passes SET state = 'begun', order_id = ?, boot_id = ?, begun_ns = ?,"
                " awaits_period = 1 WHERE id = ?",
                (order_id, boot_id, at_ns, one.id),
            )

    def mark(self, sheet: int, number: int, received_ns: int) -> None:
        """Write down what a pass under way has received so far, over all of its periods."""
        with writing(self._db) as connection:
            one = _open_attempt(connection, sheet, number, ("begun",))
            # A mark that comes late must not take back what the paper has received.
            connection.execute(
                "UPDATE passes SET marked_ns = ? WHERE id = ?",
                (max(received_ns, one.marked_ns or 0), one.id),
            )

    def add_period(self, sheet: int, number: int, on_ns: int, off_ns: int) -> None:
        """Write down a measured time in which the lamp was on; a held pass has several."""
        if off_ns < on_ns:
            raise ValueError(f"a period can't end {on_ns - off_ns} ns before it begins")
        with writing(self._db) as connection:
            one = _open_attempt(connection, sheet, number, ("begun",))
            connection.execute(
                "INSERT INTO periods SELECT ?, count(*) + 1, ?, ? FROM periods WHERE pass = ?",
                (one.id, on_ns, off_ns, one.id),
            )
            connection.execute("UPDATE passes SET awaits_period = 0 WHERE id = ?", (one.id,))

    def end_pass(self, sheet: int, number: int, outcome: Outcome) -> None:
        """Write down that a pass is over; it has received the sum of its periods.

        One interrupted before its last period was measured has received
        something between its last mark and what was intended, unless
        :meth:`set_received` has told it more narrowly.
        """
        allowed: Sequence[State] = ("begun",) if outcome == "complete" else ("planned", "begun")
        with writing(self._db) as connection:
            _end(connection, _open_attempt(connection, sheet, number, allowed), outcome)

    def set_received(self, sheet: int, number: int, least_ns: int, most_ns: int) -> None:
        """Write down the bounds of what a pass has received in all so far.

        For one that was interrupted, and for one whose lamp did not do as it was
        told. Periods that are added later count on top. This alone is allowed
        after the pass's end and on a closed sheet too: the knowledge may come late.
        """
        if not 0 <= least_ns <= most_ns:
            raise ValueError(f"{least_ns} to {most_ns} ns are no bounds")
        with writing(self._db) as connection:
            one = _attempt(connection, sheet, number)
            _allow(one, sheet, number, ("begun", *_ENDED))
            _set_received(connection, one, Received(least_ns, most_ns))

    def repeat_pass(self, sheet: int, number: int) -> int:
        """Plan another attempt at a pass that has ended, and return the attempt's number."""
        with writing(self._db) as connection:
            one = _open_attempt(connection, sheet, number, _ENDED)
            connection.execute(
                "INSERT INTO passes (sheet, number, attempt, kind, label, filter, intended_ns,"
                " state) SELECT sheet, number, attempt + 1, kind, label, filter, intended_ns,"
                " 'planned' FROM passes WHERE id = ?",
                (one.id,),
            )
        return one.attempt + 1

    def close_sheet(self, sheet: int, outcome: Outcome) -> None:
        """Write down that nothing more comes onto a sheet; a pass still begun was interrupted.

        To close it again with the same outcome changes nothing.
        """
        with writing(self._db) as connection:
            before = _sheet_outcome(connection, sheet)
            if before == outcome:
                return
            _refuse_closed(sheet, before)
            begun = connection.execute(
                "SELECT number FROM passes WHERE sheet = ? AND state = 'begun'", (sheet,)
            ).fetchall()
            for (number,) in begun:
                _end(connection, _attempt(connection, sheet, number), "interrupted")
            connection.execute(
                "UPDATE sheets SET outcome = ?, closed_at = ? WHERE number = ?",
                (outcome, self._now(), sheet),
            )

    def set_paper_out(self, is_out: bool) -> None:
        """Write down whether unprotected paper may be about."""
        with writing(self._db) as connection:
            connection.execute(
                "INSERT INTO facts VALUES ('paper out', ?)"
                " ON CONFLICT (fact) DO UPDATE SET value = excluded.value",
                (is_out,),
            )

    def paper_is_out(self) -> bool:
        """Whether unprotected paper may have been about when that was last written."""
        with reading(self._db) as connection:
            found = connection.execute(
                "SELECT value FROM facts WHERE fact = 'paper out'"
            ).fetchone()
        return found is not None and bool(found[0])

    def latest_order(self, *, before: int | None = None) -> int:
        """Return the highest number of an order in the record, 0 where there is none.

        With ``before`` a sheet's number, only the sheets before that one count.
        """
        with reading(self._db) as connection:
            found = connection.execute(
                "SELECT coalesce(max(order_id), 0) FROM passes WHERE sheet < ?",
                (LARGEST_INTEGER if before is None else before,),
            ).fetchone()
        return int(found[0])

    def unfinished(self) -> Unfinished | None:
        """Return the newest sheet that was not closed, or None if all were."""
        with reading(self._db) as connection:
            sheets = _sheets(connection, "WHERE outcome IS NULL ORDER BY number DESC LIMIT 1", ())
        if not sheets:
            return None
        begun = [one for one in sheets[0].latest if one.state == "begun"]
        return Unfinished(sheets[0], begun[-1] if begun else None)

    def sheets(self, limit: int = 50, before: int | None = None) -> tuple[SheetRecord, ...]:
        """Return up to ``limit`` sheets, the newest first, from below number ``before``."""
        top = LARGEST_INTEGER if before is None else min(before, LARGEST_INTEGER)
        with reading(self._db) as connection:
            return _sheets(
                connection,
                "WHERE number < ? ORDER BY number DESC LIMIT ?",
                (max(top, 0), max(0, min(limit, LARGEST_INTEGER))),
            )

    def sheet(self, number: int) -> SheetRecord:
        """Return one sheet with every attempt at its passes; raises UnknownNameError."""
        with reading(self._db) as connection:
            _sheet_outcome(connection, number)
            return _sheets(connection, "WHERE number = ?", (number,))[0]


def _sheet_outcome(connection: sqlite3.Connection, sheet: int) -> Outcome | None:
    """Return how a sheet ended, None while it is open; raises UnknownNameError."""
    found = None
    if 0 < sheet <= LARGEST_INTEGER:
        found = connection.execute(
            "SELECT outcome FROM sheets WHERE number = ?", (sheet,)
        ).fetchone()
    if found is None:
        newest = connection.execute("SELECT max(number) FROM sheets").fetchone()[0]
        has = "none yet" if newest is None else f"sheets 1 to {newest}"
        asked = f"sheet {sheet}" if abs(sheet) < 10**9 else "sheet of that number"
        raise UnknownNameError(f"the record has no {asked}; it has {has}")
    outcome: Outcome | None = found[0]
    return outcome


def _refuse_closed(sheet: int, outcome: Outcome | None) -> None:
    if outcome is not None:
        raise RefusedError(f"sheet {sheet} was closed as {outcome}; begin a new sheet")


def _attempt(connection: sqlite3.Connection, sheet: int, number: int) -> _Attempt:
    _sheet_outcome(connection, sheet)
    found = None
    if 0 < number <= LARGEST_INTEGER:
        found = connection.execute(
            "SELECT id, attempt, state, intended_ns, marked_ns, awaits_period, least_ns, most_ns,"
            " counted_periods FROM passes"
            " WHERE sheet = ? AND number = ? ORDER BY attempt DESC LIMIT 1",
            (sheet, number),
        ).fetchone()
    if found is None:
        raise UnknownNameError(f"sheet {sheet} has no such pass; look at its passes")
    return _Attempt(*found)


def _open_attempt(
    connection: sqlite3.Connection, sheet: int, number: int, allowed: Sequence[State]
) -> _Attempt:
    """Return the latest attempt at a pass of an open sheet if it is in a state of ``allowed``."""
    _refuse_closed(sheet, _sheet_outcome(connection, sheet))
    one = _attempt(connection, sheet, number)
    _allow(one, sheet, number, allowed)
    return one


def _allow(one: _Attempt, sheet: int, number: int, allowed: Sequence[State]) -> None:
    if one.state not in allowed:
        mend = "repeat it for another attempt" if one.state in _ENDED else "see to that first"
        raise RefusedError(f"pass {number} of sheet {sheet} is {one.state}; {mend}")


def _received(connection: sqlite3.Connection, one: _Attempt) -> Received:
    """Return what is known of an attempt: its bounds so far, and the periods since they were set.

    While an order's period is awaited, the lamp may have been on until the end of that order.
    """
    later = connection.execute(
        "SELECT coalesce(sum(off_ns - on_ns), 0) FROM periods WHERE pass = ? AND ordinal > ?",
        (one.id, one.counted_periods),
    ).fetchone()[0]
    least, most = (one.least_ns or 0) + later, (one.most_ns or 0) + later
    if one.awaits_period:
        least = max(least, one.marked_ns or 0)
        most = max(least, most, one.intended_ns)
    return Received(least, most)


def _set_received(connection: sqlite3.Connection, one: _Attempt, received: Received) -> None:
    connection.execute(
        "UPDATE passes SET least_ns = ?, most_ns = ?, awaits_period = 0, counted_periods ="
        " (SELECT count(*) FROM periods WHERE pass = ?) WHERE id = ?",
        (received.least_ns, received.most_ns, one.id, one.id),
    )


def _end(connection: sqlite3.Connection, one: _Attempt, outcome: Outcome) -> None:
    if outcome != "interrupted":  # ended in order, so every period that there was is written
        one = one._replace(awaits_period=0)
    _set_received(connection, one, _received(connection, one))
    connection.execute("UPDATE passes SET state = ? WHERE id = ?", (outcome, one.id))


def _sheets(
    connection: sqlite3.Connection, which: str, values: tuple[Any, ...]
) -> tuple[SheetRecord, ...]:
    rows = _named(
        connection.execute(
            "SELECT number, started_at, closed_at, outcome, name, version, body"  # noqa: S608 -- ours
            f" FROM sheets {which}",
            values,
        )
    )
    return tuple(SheetRecord(**row, passes=_passes(connection, row["number"])) for row in rows)


def _passes(connection: sqlite3.Connection, sheet: int) -> tuple[PassRecord, ...]:
    periods: dict[int, list[Period]] = {}
    for pass_id, on_ns, off_ns in connection.execute(
        "SELECT pass, on_ns, off_ns FROM periods WHERE pass IN"
        " (SELECT id FROM passes WHERE sheet = ?) ORDER BY pass, ordinal",
        (sheet,),
    ):
        periods.setdefault(pass_id, []).append(Period(on_ns, off_ns))
    return tuple(
        PassRecord(
            number=row["number"],
            attempt=row["attempt"],
            kind=row["kind"],
            label=row["label"],
            filter=row["filter"],
            intended_ns=row["intended_ns"],
            state=row["state"],
            received=_received_so_far(row, periods.get(row["id"], [])),
            periods=tuple(periods.get(row["id"], ())),
            order_id=row["order_id"],
            boot_id=row["boot_id"],
            begun_ns=row["begun_ns"],
            marked_ns=row["marked_ns"],
            awaits_period=bool(row["awaits_period"]),
        )
        for row in _named(
            connection.execute(
                "SELECT * FROM passes WHERE sheet = ? ORDER BY number, attempt", (sheet,)
            )
        )
    )


def _received_so_far(row: dict[str, Any], periods: list[Period]) -> Received | None:
    if row["least_ns"] is None:
        return None
    later_ns = sum(period.duration_ns for period in periods[row["counted_periods"] :])
    return Received(row["least_ns"] + later_ns, row["most_ns"] + later_ns)


def _named(cursor: sqlite3.Cursor) -> list[dict[str, Any]]:
    names = [column[0] for column in cursor.description]
    return [dict(zip(names, row, strict=True)) for row in cursor]
