"""Writing the record from a thread of its own: the dark way never waits for a disk.

All work on the database goes through this one thread, in order. While the disk
refuses, what has happened is kept and tried again, and the printer is told
once; what is only planned is refused at once. Who asks then is answered as far
as the disk allows, without what is still kept. A disk that stalls refuses too.
"""

import logging
import threading
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future, InvalidStateError
from contextlib import suppress
from dataclasses import dataclass
from typing import Protocol, TypeVar

from timer.control.run import Run
from timer.control.table import Input
from timer.errors import StoreError, TreadleError
from timer.record.sheets import Outcome
from timer.record.store import Record

_RETRY_SECONDS = 1.0
# A card that tidies itself up may take a second or two, and a lock is waited for as long.
_STALL_SECONDS = 5.0
_LOOK_SECONDS = 0.5
_MOST_TRIES = 3
_Answer = TypeVar("_Answer")
_log = logging.getLogger(__name__)


class StoredPort(Protocol):
    """Where the answer goes when a sheet was written, or could not be."""

    def __call__(self, answer: Input, run: Run, /) -> None:
        """Take STORED or NOT_STORED for ``run``."""
        ...


@dataclass(frozen=True, slots=True)
class _Work:
    do: Callable[[], None]
    refuse: Callable[[TreadleError], None] | None = None  # None: kept until it is written
    is_mark: bool = False
    is_asked: bool = False


class RecordWriter:
    """Control's way to the record, and the service's way to the database.

    ``troubled`` is told one sentence when the disk begins to refuse.
    """

    def __init__(self, record: Record, boot_id: str, troubled: Callable[[str], None]) -> None:
        self._record = record
        self._boot_id = boot_id
        self._troubled = troubled
        self.stored: StoredPort = lambda answer, run: None
        self._work: deque[_Work] = deque()
        self._there_is_work = threading.Condition()
        self._stopping = False
        self._trouble: StoreError | None = None
        self._failed = 0
        self._began_at: float | None = None
        self._is_over = threading.Event()
        self._thread = threading.Thread(target=self._run, name="record", daemon=True)
        self._thread.start()
        threading.Thread(target=self._watch, name="record watch", daemon=True).start()

    def stop(self, seconds: float = 5.0) -> None:
        """End the thread when everything is written, or after ``seconds``."""
        with self._there_is_work:
            self._stopping = True
            self._there_is_work.notify()
        self._thread.join(seconds)
        self._is_over.set()

    @property
    def is_alive(self) -> bool:
        """Whether the thread that writes is there."""
        return self._thread.is_alive()

    def ask(self, what: Callable[[], _Answer]) -> "Future[_Answer]":
        """Have ``what`` done in the thread, after what was put in before, and return its answer."""
        answer: Future[_Answer] = Future()

        def do() -> None:
            if not answer.set_running_or_notify_cancel():
                return  # whoever asked has left
            try:
                answer.set_result(what())
            except StoreError:
                raise
            except Exception as error:
                answer.set_exception(error)

        def refuse(error: TreadleError) -> None:
            with suppress(InvalidStateError):  # whoever asked has left
                answer.set_exception(error)

        self._put(_Work(do, refuse, is_asked=True))
        return answer

    def open_sheet(self, run: Run) -> None:
        """Write the sheet with all passes that are intended; answers through ``stored``."""

        def do() -> None:
            run.sheet = self._record.open_sheet(run.programme, run.version, run.passes)
            self.stored(Input.STORED, run)

        self._put(_Work(do, lambda _: self.stored(Input.NOT_STORED, run)))

    def repeat_pass(self, run: Run) -> None:
        """Write that the present pass is made once more; answers through ``stored``."""
        sheet, number = run.sheet, run.present.number

        def do() -> None:
            if sheet is not None:
                self._record.repeat_pass(sheet, number)
            self.stored(Input.STORED, run)

        self._put(_Work(do, lambda _: self.stored(Input.NOT_STORED, run)))

    def paper(self, is_out: bool) -> None:
        """Write whether unprotected paper may be out."""
        self._put(_Work(lambda: self._record.set_paper_out(is_out)))

    def begin_pass(self, sheet: int, number: int, order: int, at_ns: int) -> None:
        """Write that the lamp went on."""
        self._put(
            _Work(lambda: self._record.begin_pass(sheet, number, order, self._boot_id, at_ns))
        )

    def mark(self, sheet: int, number: int, received_ns: int) -> None:
        """Write how far the exposure has come, unless an earlier mark still waits for the disk."""
        with self._there_is_work:
            if any(work.is_mark for work in self._work):
                return
        self._put(_Work(lambda: self._record.mark(sheet, number, received_ns), is_mark=True))

    def add_period(self, sheet: int, number: int, on_ns: int, off_ns: int) -> None:
        """Write a measured lamp-on period."""
        self._put(_Work(lambda: self._record.add_period(sheet, number, on_ns, off_ns)))

    def bound_pass(self, sheet: int, number: int, least_ns: int, most_ns: int) -> None:
        """Write the bounds of what a pass has received."""
        self._put(_Work(lambda: self._record.set_received(sheet, number, least_ns, most_ns)))

    def end_pass(self, sheet: int, number: int, outcome: Outcome) -> None:
        """Write how the pass ended."""
        self._put(_Work(lambda: self._record.end_pass(sheet, number, outcome)))

    def close_sheet(self, sheet: int, outcome: Outcome) -> None:
        """Write how the sheet ended."""
        self._put(_Work(lambda: self._record.close_sheet(sheet, outcome)))

    def _put(self, work: _Work) -> None:
        with self._there_is_work:
            self._work.append(work)
            self._there_is_work.notify()

    def _run(self) -> None:
        while True:
            with self._there_is_work:
                while not self._work and not self._stopping:
                    self._there_is_work.wait()
                if not self._work:
                    return
                work = self._work[0]
            if self._is_done(work):
                with self._there_is_work:
                    self._work.popleft()
            else:
                self._wait_for_disk()

    def _is_done(self, work: _Work) -> bool:
        """Whether ``work`` needs no further try."""
        self._began_at = time.monotonic()
        try:
            work.do()
        except StoreError as error:
            self._tell(error)
            if work.refuse is not None:
                work.refuse(error)
            return work.refuse is not None or work.is_mark
        except TreadleError as error:
            _log.error("the record refused an entry: %s", error)
            if work.refuse is not None:
                work.refuse(error)
        except Exception:
            _log.exception("an entry of the record failed")
            failure = StoreError("the record failed by an error inside Treadle; see its log")
            self._tell(failure)
            if work.refuse is not None:
                work.refuse(failure)
                return True
            # What was exposed is worth another try or two; an entry that never works must not
            # keep back all that come after it.
            self._failed += 1
            if self._failed < _MOST_TRIES and not work.is_mark:
                return False
            self._failed = 0
        else:
            self._trouble = None
            self._failed = 0
        finally:
            self._began_at = None
        return True

    def _tell(self, error: StoreError) -> None:
        is_new, self._trouble = self._trouble is None, error
        if is_new:
            _log.error("%s", error)
            try:
                self._troubled(str(error))
            except Exception:
                _log.exception("a trouble could not be told")

    def _watch(self) -> None:
        """Tell when the disk stalls, and refuse meanwhile what waits behind what it is at."""
        while not self._is_over.wait(_LOOK_SECONDS):
            began_at = self._began_at
            if began_at is None or time.monotonic() - began_at < _STALL_SECONDS:
                continue
            error = StoreError(
                f"the disk with the record has not answered for {_STALL_SECONDS:g} s, and nothing"
                " new is saved; wait for it, or try another disk"
            )
            self._tell(error)
            for work in self._take_others(behind=1):
                if work.refuse is not None:
                    work.refuse(error)

    def _take_others(self, *, behind: int = 0) -> list[_Work]:
        """Take out what need not be kept, but for the first ``behind``."""
        with self._there_is_work:
            others = [work for work in list(self._work)[behind:] if work.refuse is not None]
            for work in others:
                self._work.remove(work)
        return others

    def _wait_for_disk(self) -> None:
        """Answer or refuse what need not wait, then give the disk a moment."""
        others = self._take_others()
        trouble = self._trouble
        for work in others:
            if work.is_asked:
                # A disk that can't be written can often be read; that does not mend it.
                self._is_done(work)
                self._trouble = trouble
            elif work.refuse is not None and trouble is not None:
                work.refuse(trouble)
        with self._there_is_work:
            if self._stopping:
                self._work.clear()
                return
            self._there_is_work.wait(_RETRY_SECONDS)
