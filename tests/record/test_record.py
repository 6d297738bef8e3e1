"""The record: what each sheet was to get, and what it has received."""

import json
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from itertools import count
from pathlib import Path

import pytest

from timer.errors import RefusedError, StoreError, UnknownNameError
from timer.photo.prints import Burn, Print
from timer.programmes.model import Programme
from timer.programmes.passes import passes_of
from timer.record.sheets import Period, Received
from timer.record.store import Record
from timer.storage.database import Database, open_database

SECOND = 1_000_000_000
OAK = Programme(
    "Oak",
    print=Print(10.0, "2", burns=(Burn("sky", Fraction(1)), Burn("corner", Fraction(1), "00"))),
)
PASSES = passes_of(OAK)


@pytest.fixture
def db(tmp_path: Path) -> Iterator[Database]:
    opened = open_database(tmp_path / "treadle.db")
    yield opened
    opened.close()


@pytest.fixture
def record(db: Database) -> Record:
    days = count(1)
    return Record(db, now=lambda: f"day {next(days)}")


@pytest.fixture
def sheet(record: Record) -> int:
    return record.open_sheet(OAK, 3, PASSES)


def expose(record: Record, sheet: int, number: int, *periods: tuple[int, int]) -> None:
    record.begin_pass(sheet, number, 70 + number, "boot", periods[0][0])
    for on_ns, off_ns in periods:
        record.add_period(sheet, number, on_ns, off_ns)


def test_a_sheet_is_written_with_all_that_it_is_to_get(record: Record, sheet: int) -> None:
    found = record.sheet(sheet)
    assert (found.started_at, found.closed_at, found.outcome) == ("day 1", None, None)
    assert (found.name, found.version, found.programme) == ("Oak", 3, OAK)
    assert [(p.number, p.attempt, p.kind, p.label, p.filter) for p in found.passes] == [
        (1, 1, "base", None, "2"),
        (2, 1, "burn", "sky", None),
        (3, 1, "burn", "corner", "00"),
    ]
    assert [p.intended_ns for p in found.passes] == [10 * SECOND] * 3
    assert {(p.state, p.received, p.periods) for p in found.passes} == {("planned", None, ())}


def test_a_programme_that_was_never_stored_has_no_version(record: Record) -> None:
    assert record.sheet(record.open_sheet(OAK, None, PASSES)).version is None


def test_a_pass_has_received_what_was_measured(record: Record, sheet: int) -> None:
    expose(record, sheet, 1, (5, 10 * SECOND + 17))
    record.end_pass(sheet, 1, "complete")
    base = record.sheet(sheet).latest[0]
    assert base.state == "complete"
    assert base.received == Received(10 * SECOND + 12, 10 * SECOND + 12)
    assert base.received.exact_ns == 10 * SECOND + 12
    assert (base.order_id, base.boot_id, base.begun_ns) == (71, "boot", 5)


def test_a_held_pass_has_received_the_sum_of_its_periods(record: Record, sheet: int) -> None:
    record.begin_pass(sheet, 1, 71, "boot", 100)
    record.add_period(sheet, 1, 100, 4 * SECOND)
    record.begin_pass(sheet, 1, 72, "boot", 50 * SECOND)
    record.add_period(sheet, 1, 50 * SECOND, 56 * SECOND + 100)
    record.end_pass(sheet, 1, "complete")
    base = record.sheet(sheet).latest[0]
    assert base.periods == (Period(100, 4 * SECOND), Period(50 * SECOND, 56 * SECOND + 100))
    assert [one.duration_ns for one in base.periods] == [4 * SECOND - 100, 6 * SECOND + 100]
    assert base.received == Received(10 * SECOND, 10 * SECOND)
    assert base.order_id == 72


def test_a_pass_given_up_keeps_what_it_had_received(record: Record, sheet: int) -> None:
    expose(record, sheet, 1, (0, 3 * SECOND))
    record.end_pass(sheet, 1, "given up")
    assert record.sheet(sheet).latest[0].received == Received(3 * SECOND, 3 * SECOND)


def test_a_pass_given_up_before_it_was_begun_has_received_nothing(
    record: Record, sheet: int
) -> None:
    record.end_pass(sheet, 2, "given up")
    assert record.sheet(sheet).latest[1].received == Received(0, 0)


def test_an_interrupted_pass_has_received_at_least_its_last_mark_and_at_most_all(
    record: Record, sheet: int
) -> None:
    record.begin_pass(sheet, 1, 71, "boot", 0)
    record.mark(sheet, 1, 4 * SECOND)
    record.mark(sheet, 1, 3 * SECOND)  # one that comes late takes nothing back
    record.end_pass(sheet, 1, "interrupted")
    base = record.sheet(sheet).latest[0]
    assert base.received == Received(4 * SECOND, 10 * SECOND)
    assert base.received.exact_ns is None
    assert base.marked_ns == 4 * SECOND


def test_an_interrupted_pass_whose_last_period_was_measured_is_known_exactly(
    record: Record, sheet: int
) -> None:
    expose(record, sheet, 1, (0, 4 * SECOND))
    record.mark(sheet, 1, 5 * SECOND)
    record.end_pass(sheet, 1, "interrupted")
    assert record.sheet(sheet).latest[0].received == Received(4 * SECOND, 4 * SECOND)


@pytest.mark.parametrize("when", ["before the end", "after the end", "after closing"])
def test_bounds_that_are_known_better_stand(record: Record, sheet: int, when: str) -> None:
    record.begin_pass(sheet, 1, 71, "boot", 0)
    if when == "before the end":
        record.set_received(sheet, 1, 4 * SECOND, 5 * SECOND)
    record.end_pass(sheet, 1, "interrupted")
    if when == "after closing":
        record.close_sheet(sheet, "interrupted")
    if when != "before the end":
        record.set_received(sheet, 1, 4 * SECOND, 5 * SECOND)
    assert record.sheet(sheet).latest[0].received == Received(4 * SECOND, 5 * SECOND)


def test_a_pass_continued_after_a_loss_of_power_adds_to_its_bounds(
    record: Record, sheet: int
) -> None:
    record.begin_pass(sheet, 1, 71, "boot", 0)
    record.set_received(sheet, 1, 4 * SECOND, 5 * SECOND)
    record.begin_pass(sheet, 1, 1, "next boot", 100)
    assert record.sheet(sheet).latest[0].received == Received(4 * SECOND, 5 * SECOND)
    record.add_period(sheet, 1, 100, 6 * SECOND + 100)
    assert record.sheet(sheet).latest[0].received == Received(10 * SECOND, 11 * SECOND)
    record.end_pass(sheet, 1, "complete")
    assert record.sheet(sheet).latest[0].received == Received(10 * SECOND, 11 * SECOND)


def test_a_pass_continued_with_nothing_known_of_before_stays_unknown_by_as_much(
    record: Record, sheet: int
) -> None:
    record.begin_pass(sheet, 1, 71, "boot", 0)
    record.mark(sheet, 1, 4 * SECOND)
    record.begin_pass(sheet, 1, 1, "next boot", 0)
    record.add_period(sheet, 1, 0, 6 * SECOND)
    record.end_pass(sheet, 1, "complete")
    assert record.sheet(sheet).latest[0].received == Received(10 * SECOND, 16 * SECOND)


def test_an_order_that_gave_no_light_leaves_the_measure_exact(record: Record, sheet: int) -> None:
    expose(record, sheet, 1, (0, 0))
    expose(record, sheet, 1, (100, 10 * SECOND + 100))
    record.end_pass(sheet, 1, "complete")
    assert record.sheet(sheet).latest[0].received == Received(10 * SECOND, 10 * SECOND)


def test_a_repeated_pass_is_another_attempt_and_the_first_stays(record: Record, sheet: int) -> None:
    expose(record, sheet, 2, (0, 2 * SECOND))
    record.end_pass(sheet, 2, "given up")
    assert record.repeat_pass(sheet, 2) == 2
    assert record.sheet(sheet).latest[1].state == "planned"
    expose(record, sheet, 2, (0, 10 * SECOND))
    record.end_pass(sheet, 2, "complete")
    first, second = record.sheet(sheet).attempts(2)
    assert (first.attempt, first.state, first.received) == (
        1,
        "given up",
        Received(2 * SECOND, 2 * SECOND),
    )
    assert (second.attempt, second.state, second.received) == (
        2,
        "complete",
        Received(10 * SECOND, 10 * SECOND),
    )
    assert (second.kind, second.label, second.intended_ns) == ("burn", "sky", 10 * SECOND)
    assert [(p.number, p.attempt) for p in record.sheet(sheet).latest] == [(1, 1), (2, 2), (3, 1)]


def test_a_closed_sheet_tells_how_it_ended(record: Record, sheet: int) -> None:
    record.close_sheet(sheet, "complete")
    record.close_sheet(sheet, "complete")
    found = record.sheet(sheet)
    assert (found.outcome, found.closed_at) == ("complete", "day 2")


def test_closing_a_sheet_ends_the_pass_that_had_begun(record: Record, sheet: int) -> None:
    record.begin_pass(sheet, 1, 71, "boot", 0)
    record.close_sheet(sheet, "given up")
    assert [p.state for p in record.sheet(sheet).latest] == ["interrupted", "planned", "planned"]
    assert record.sheet(sheet).latest[0].received == Received(0, 10 * SECOND)


# What the state does not allow


def test_nothing_more_comes_onto_a_closed_sheet(record: Record, sheet: int) -> None:
    record.end_pass(sheet, 1, "given up")
    record.close_sheet(sheet, "complete")
    for wrong in (
        lambda: record.begin_pass(sheet, 2, 71, "boot", 0),
        lambda: record.repeat_pass(sheet, 1),
        lambda: record.end_pass(sheet, 2, "given up"),
        lambda: record.close_sheet(sheet, "interrupted"),
    ):
        with pytest.raises(RefusedError, match="was closed as complete; begin a new sheet"):
            wrong()


@pytest.mark.parametrize("outcome", ["complete", "given up", "interrupted"])
def test_a_pass_that_is_over_takes_nothing_more(record: Record, sheet: int, outcome: str) -> None:
    record.begin_pass(sheet, 1, 71, "boot", 0)
    record.end_pass(sheet, 1, outcome)  # type: ignore[arg-type]
    for wrong in (
        lambda: record.begin_pass(sheet, 1, 72, "boot", 0),
        lambda: record.mark(sheet, 1, 5),
        lambda: record.add_period(sheet, 1, 0, 5),
        lambda: record.end_pass(sheet, 1, "complete"),
    ):
        with pytest.raises(RefusedError, match=f"is {outcome}; repeat it for another attempt"):
            wrong()


def test_a_pass_that_was_not_begun_has_nothing_to_measure_or_repeat(
    record: Record, sheet: int
) -> None:
    for wrong in (
        lambda: record.mark(sheet, 1, 5),
        lambda: record.add_period(sheet, 1, 0, 5),
        lambda: record.repeat_pass(sheet, 1),
        lambda: record.set_received(sheet, 1, 0, 5),
        lambda: record.end_pass(sheet, 1, "complete"),
    ):
        with pytest.raises(RefusedError, match=r"pass 1 of sheet 1 is planned"):
            wrong()
    assert record.sheet(sheet).latest[0].state == "planned"


def test_measures_that_cannot_be_are_a_mistake_of_the_caller(record: Record, sheet: int) -> None:
    record.begin_pass(sheet, 1, 71, "boot", 0)
    with pytest.raises(ValueError, match="before it begins"):
        record.add_period(sheet, 1, 10, 9)
    for least_ns, most_ns in ((-1, 5), (6, 5)):
        with pytest.raises(ValueError, match="no bounds"):
            record.set_received(sheet, 1, least_ns, most_ns)


@pytest.mark.parametrize("number", [0, -1, 2, 10**30])
def test_an_unknown_sheet_is_told_with_those_that_there_are(
    record: Record, sheet: int, number: int
) -> None:
    assert sheet == 1
    for wrong in (
        lambda: record.sheet(number),
        lambda: record.begin_pass(number, 1, 71, "boot", 0),
        lambda: record.set_received(number, 1, 0, 0),
        lambda: record.close_sheet(number, "complete"),
    ):
        with pytest.raises(UnknownNameError, match="it has sheets 1 to 1"):
            wrong()


def test_an_empty_record_has_no_sheets(record: Record) -> None:
    assert record.sheets() == ()
    assert record.unfinished() is None
    with pytest.raises(UnknownNameError, match="none yet"):
        record.sheet(1)


@pytest.mark.parametrize("number", [0, -1, 4, 10**30])
def test_an_unknown_pass_is_told(record: Record, sheet: int, number: int) -> None:
    with pytest.raises(UnknownNameError, match="sheet 1 has no such pass"):
        record.begin_pass(sheet, number, 71, "boot", 0)


# Looking back


def test_sheets_are_listed_from_the_newest_in_pages(record: Record) -> None:
    for _ in range(5):
        record.open_sheet(OAK, 1, PASSES)
    assert [one.number for one in record.sheets(limit=2)] == [5, 4]
    assert [one.number for one in record.sheets(limit=2, before=4)] == [3, 2]
    assert [one.number for one in record.sheets(before=2)] == [1]
    assert (
        record.sheets(before=1) == record.sheets(limit=0) == record.sheets(before=-(10**30)) == ()
    )
    assert len(record.sheets(limit=10**30, before=10**30)) == 5
    assert record.sheets(limit=1)[0] == record.sheet(5)


def test_a_sheet_keeps_the_programme_as_it_was(record: Record, sheet: int) -> None:
    record.open_sheet(replace(OAK, print=Print(99.0)), 4, PASSES)
    assert record.sheet(sheet).programme == OAK


# Finding one's way after a loss


def test_the_newest_sheet_that_was_not_closed_is_unfinished(record: Record) -> None:
    first, second, third = (record.open_sheet(OAK, 1, PASSES) for _ in range(3))
    record.close_sheet(third, "complete")
    found = record.unfinished()
    assert found is not None
    assert found.sheet.number == second
    assert found.begun is None
    record.close_sheet(second, "given up")
    record.close_sheet(first, "given up")
    assert record.unfinished() is None


def test_an_unfinished_sheet_tells_the_pass_that_had_begun(record: Record, sheet: int) -> None:
    expose(record, sheet, 1, (0, 10 * SECOND))
    record.end_pass(sheet, 1, "complete")
    record.begin_pass(sheet, 2, 72, "boot", 20 * SECOND)
    record.add_period(sheet, 2, 20 * SECOND, 23 * SECOND)
    record.begin_pass(sheet, 2, 73, "boot", 30 * SECOND)
    record.mark(sheet, 2, 5 * SECOND)
    found = record.unfinished()
    assert found is not None
    assert (found.programme, found.version) == (OAK, 3)
    assert [one.state for one in found.passes] == ["complete", "begun", "planned"]
    assert found.begun == found.passes[1]
    assert (found.begun.order_id, found.begun.boot_id) == (73, "boot")
    assert (found.begun.begun_ns, found.begun.marked_ns) == (30 * SECOND, 5 * SECOND)
    assert found.begun.periods == (Period(20 * SECOND, 23 * SECOND),)
    assert found.begun.received is None


def test_a_closed_database_is_told_in_a_sentence(record: Record, db: Database) -> None:
    db.close()
    with pytest.raises(StoreError, match="open it again"):
        record.open_sheet(OAK, 1, PASSES)


def test_a_sheet_that_cannot_be_written_whole_is_not_written_at_all(
    record: Record, db: Database
) -> None:
    db.connection.execute("PRAGMA max_page_count = 1")
    many = [replace(PASSES[0], number=number) for number in range(1, 5000)]
    with pytest.raises(StoreError, match="the disk is full"):
        record.open_sheet(OAK, 1, many)
    assert record.sheets() == ()


KILLED = """
import json, os, signal, sys
from pathlib import Path
from timer.photo.prints import Print
from timer.programmes.model import Programme
from timer.programmes.passes import passes_of
from timer.record.store import Record
from timer.storage.database import open_database
record = Record(open_database(Path(sys.argv[1])))
oak = Programme("Oak", print=Print(10.0))
sheet = record.open_sheet(oak, 3, passes_of(oak))
steps = [
    lambda: record.begin_pass(sheet, 1, 7, "boot", 1000),
    lambda: record.add_period(sheet, 1, 1000, 3000),
    lambda: record.mark(sheet, 1, 2500),
    lambda: record.end_pass(sheet, 1, "complete"),
]
for step in steps[: int(sys.argv[2])]:
    step()
print(json.dumps(sheet), flush=True)
os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.mark.parametrize(
    ("steps", "state", "periods", "marked_ns"),
    [
        (0, "planned", (), None),
        (1, "begun", (), None),
        (2, "begun", (Period(1000, 3000),), None),
        (3, "begun", (Period(1000, 3000),), 2500),
        (4, "complete", (Period(1000, 3000),), 2500),
    ],
)
def test_each_acknowledged_step_outlives_a_killed_process(
    tmp_path: Path, steps: int, state: str, periods: tuple[Period, ...], marked_ns: int | None
) -> None:
    path = tmp_path / "treadle.db"
    done = subprocess.run(
        [sys.executable, "-c", KILLED, str(path), str(steps)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == -9, done.stderr
    db = open_database(path)
    found = Record(db).unfinished()
    assert found is not None
    assert found.sheet.number == json.loads(done.stdout)
    assert found.programme == Programme("Oak", print=Print(10.0))
    (only,) = found.passes
    assert (only.state, only.periods, only.marked_ns) == (state, periods, marked_ns)
    db.close()
