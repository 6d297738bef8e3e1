"""Writing the record beside the dark way: in order, patient where the disk is not."""

import threading
from collections import deque
from concurrent.futures import CancelledError

import pytest

from timer.control.run import Run
from timer.control.table import Input
from timer.errors import StoreError
from timer.programmes.text import from_toml
from timer.service import record_writer
from timer.service.record_writer import RecordWriter

PATIENCE_SECONDS = 30.0
PRINT = from_toml('treadle = 1\nname = "Boat shed"\n[print]\nbase_s = 10\n')


class Disk:
    """A record that refuses while ``refusals`` lasts, and keeps what it took."""

    def __init__(self):
        self.refusals = 0
        self.written = deque()
        self.tried = threading.Semaphore(0)

    def _take(self, *what):
        self.tried.release()
        if self.refusals:
            self.refusals -= 1
            raise StoreError("the disk is full, and nothing was saved; make room and try again")
        self.written.append(what)

    def open_sheet(self, programme, version, passes):
        self._take("open", programme.name, version, len(passes))
        return 5

    def repeat_pass(self, sheet, number):
        self._take("repeat", sheet, number)

    def begin_pass(self, sheet, number, order, boot_id, at_ns):
        self._take("begin", sheet, number, order, boot_id, at_ns)

    def mark(self, sheet, number, received_ns):
        self._take("mark", sheet, number, received_ns)

    def add_period(self, sheet, number, on_ns, off_ns):
        self._take("period", sheet, number, on_ns, off_ns)

    def end_pass(self, sheet, number, outcome):
        self._take("end", sheet, number, outcome)

    def close_sheet(self, sheet, outcome):
        self._take("close", sheet, outcome)


class Bench:
    def __init__(self):
        self.disk = Disk()
        self.troubles = []
        self.answers = []
        self.answered = threading.Semaphore(0)
        self.writer = RecordWriter(self.disk, "boot", self.troubles.append)
        self.writer.stored = self._stored

    def _stored(self, answer, run):
        self.answers.append((answer, run))
        self.answered.release()

    def refuse(self, times=10**9):
        self.disk.refusals = times

    def until_tried(self):
        assert self.disk.tried.acquire(timeout=PATIENCE_SECONDS)

    def answer(self):
        assert self.answered.acquire(timeout=PATIENCE_SECONDS)
        return self.answers[-1]

    def until_written(self):
        """Wait until all that was put in before is written."""
        return self.writer.ask(lambda: list(self.disk.written)).result(PATIENCE_SECONDS)


@pytest.fixture
def bench(monkeypatch):
    monkeypatch.setattr(record_writer, "_RETRY_SECONDS", 0.01)
    monkeypatch.setattr(record_writer, "_LOOK_SECONDS", 0.01)
    one = Bench()
    yield one
    one.disk.refusals = 0
    one.writer.stop()


def test_a_sheet_is_written_before_the_answer_comes(bench):
    run = Run(PRINT, 2)
    bench.writer.open_sheet(run)
    assert bench.answer() == (Input.STORED, run)
    assert run.sheet == 5
    assert list(bench.disk.written) == [("open", "Boat shed", 2, 1)]


def test_everything_is_written_in_the_order_in_which_it_happened(bench):
    bench.writer.begin_pass(5, 1, 77, 1000)
    bench.writer.add_period(5, 1, 1000, 2000)
    bench.writer.end_pass(5, 1, "complete")
    bench.writer.close_sheet(5, "complete")
    assert bench.until_written() == [
        ("begin", 5, 1, 77, "boot", 1000),
        ("period", 5, 1, 1000, 2000),
        ("end", 5, 1, "complete"),
        ("close", 5, "complete"),
    ]


def test_what_has_happened_is_kept_while_the_disk_refuses(bench):
    bench.refuse(times=5)
    bench.writer.begin_pass(5, 1, 77, 1000)
    bench.writer.add_period(5, 1, 1000, 2000)
    bench.writer.end_pass(5, 1, "complete")
    for _ in range(8):  # five refusals, then three that are taken
        bench.until_tried()
    assert bench.until_written() == [
        ("begin", 5, 1, 77, "boot", 1000),
        ("period", 5, 1, 1000, 2000),
        ("end", 5, 1, "complete"),
    ]


def test_the_printer_is_told_once_and_once_more_for_a_new_trouble(bench):
    bench.refuse(times=4)
    bench.writer.add_period(5, 1, 1000, 2000)
    for _ in range(5):
        bench.until_tried()
    bench.until_written()
    assert len(bench.troubles) == 1
    assert "the disk is full" in bench.troubles[0]
    bench.refuse(times=2)
    bench.writer.add_period(5, 1, 3000, 4000)
    for _ in range(3):
        bench.until_tried()
    bench.until_written()
    assert len(bench.troubles) == 2


def test_a_new_sheet_is_refused_at_once_while_the_disk_refuses(bench):
    bench.refuse()
    bench.writer.add_period(5, 1, 1000, 2000)
    bench.until_tried()
    run = Run(PRINT, None)
    bench.writer.open_sheet(run)
    assert bench.answer() == (Input.NOT_STORED, run)
    assert run.sheet is None
    again = Run(PRINT, None, sheet=5)
    bench.writer.repeat_pass(again)
    assert bench.answer() == (Input.NOT_STORED, again)
    with pytest.raises(StoreError, match="the disk is full"):
        bench.writer.ask(lambda: bench.disk.close_sheet(9, "complete")).result(PATIENCE_SECONDS)
    # What has happened was kept all the while.
    bench.disk.refusals = 0
    while not bench.disk.written:
        bench.until_tried()
    assert list(bench.disk.written) == [("period", 5, 1, 1000, 2000)]


def test_what_can_still_be_read_is_answered_and_ends_no_trouble(bench):
    bench.refuse()
    bench.writer.add_period(5, 1, 1000, 2000)
    bench.until_tried()
    for answer in (7, 8, 9):
        assert bench.writer.ask(lambda answer=answer: answer).result(PATIENCE_SECONDS) == answer
        bench.until_tried()
    assert len(bench.troubles) == 1
    assert not bench.disk.written


def test_a_disk_that_stalls_is_told_once_and_refuses_what_is_new(bench, monkeypatch):
    monkeypatch.setattr(record_writer, "_STALL_SECONDS", 0.02)
    held, go_on = threading.Event(), threading.Event()
    stalled = bench.writer.ask(lambda: (held.set(), go_on.wait(PATIENCE_SECONDS)))
    assert held.wait(PATIENCE_SECONDS)
    bench.writer.add_period(5, 1, 1000, 2000)
    for _ in range(2):
        run = Run(PRINT, None)
        bench.writer.open_sheet(run)
        assert bench.answer() == (Input.NOT_STORED, run)
        with pytest.raises(StoreError, match="has not answered"):
            bench.writer.ask(lambda: 7).result(PATIENCE_SECONDS)
    assert len(bench.troubles) == 1
    assert "the disk with the record has not answered for 0.02 s" in bench.troubles[0]
    go_on.set()
    stalled.result(PATIENCE_SECONDS)
    assert bench.until_written() == [("period", 5, 1, 1000, 2000)]


def test_a_sheet_that_the_disk_itself_refuses_is_not_tried_again(bench):
    bench.refuse(times=1)
    run = Run(PRINT, None)
    bench.writer.open_sheet(run)
    assert bench.answer() == (Input.NOT_STORED, run)
    assert bench.until_written() == []


def test_a_mark_is_left_out_where_the_disk_is_slow(bench):
    held, go_on = threading.Event(), threading.Event()
    slow = bench.writer.ask(lambda: (held.set(), go_on.wait(PATIENCE_SECONDS)))
    assert held.wait(PATIENCE_SECONDS)
    for second in range(10):
        bench.writer.mark(5, 1, second)
    go_on.set()
    slow.result(PATIENCE_SECONDS)
    assert bench.until_written() == [("mark", 5, 1, 0)]


def test_an_error_of_an_asker_reaches_the_asker_only(bench):
    with pytest.raises(ZeroDivisionError):
        bench.writer.ask(lambda: 1 // 0).result(PATIENCE_SECONDS)
    assert bench.writer.ask(lambda: 7).result(PATIENCE_SECONDS) == 7


@pytest.mark.parametrize("refusals", [0, 1])
def test_an_asker_who_has_left_harms_nothing(bench, refusals):
    held, go_on = threading.Event(), threading.Event()
    bench.writer.ask(lambda: (held.set(), go_on.wait(PATIENCE_SECONDS)))
    assert held.wait(PATIENCE_SECONDS)
    left = bench.writer.ask(lambda: bench.disk.close_sheet(9, "complete"))
    assert left.cancel()
    bench.refuse(refusals)
    go_on.set()
    with pytest.raises(CancelledError):
        left.result(PATIENCE_SECONDS)
    bench.writer.add_period(5, 1, 1000, 2000)
    while ("period", 5, 1, 1000, 2000) not in bench.disk.written:
        bench.until_tried()


def test_a_writer_that_is_told_to_stop_writes_what_is_left(bench):
    for number in range(20):
        bench.writer.add_period(5, 1, number, number + 1)
    bench.writer.stop()
    assert len(bench.disk.written) == 20


@pytest.mark.fault(
    "disk",
    "The daemon is told to end while the disk refuses",
    happens="It ends all the same; what is not written then is in the keeper's notes.",
    guard="none needed: the lamp goes off before the record is waited for",
    within="",
    annex_h=(),
)
def test_a_writer_that_is_told_to_stop_does_not_wait_for_a_disk_for_ever(bench):
    bench.refuse()
    bench.writer.add_period(5, 1, 1000, 2000)
    bench.until_tried()
    bench.writer.stop()
    assert bench.disk.refusals > 0
