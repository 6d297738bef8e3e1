"""The dark way: the one thread between pedal, control and keeper, that waits for nothing else.

Pedal edges, commands and stored records come in through :meth:`DarkWay.post`;
the keeper's reports through its channel. Listeners are told through ports that
never wait.
"""

import logging
import os
import select
import threading
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from typing import TypeVar

from hardware.errors import HardwareError
from timer.clock import SteadyClock
from timer.control.control import Control
from timer.control.ports import Status
from timer.control.run import Run
from timer.control.table import Input, State
from timer.errors import TreadleError
from timer.foot import STALE_SECONDS
from timer.keeper.link import KeeperLink
from timer.keeper.protocol import Kind, Record

# How long the thread waits at most: so often it looks after the keeper.
_TURN_SECONDS = 0.5
_RESTART_SECONDS = 1.0
_Answer = TypeVar("_Answer")
_log = logging.getLogger(__name__)

_AT_REST = frozenset({State.DARK, State.PAPER_OUT, State.DONE, State.FAULT})

_INPUT_OF = {
    Kind.ON: Input.LAMP_ON,
    Kind.WENT_OFF: Input.LAMP_OFF,
    Kind.REFUSED: Input.ORDER_REFUSED,
    Kind.ALARM: Input.ALARM,
}


class KeeperLamp:
    """Control's way to the keeper."""

    def __init__(self, link: KeeperLink) -> None:
        self._link = link

    def expose(self, duration_ns: int, latched: int = 0) -> int:
        """Order an exposure; returns the order's number, 0 where no keeper takes it."""
        return self._link.order(Kind.EXPOSE, duration_ns, number=latched)

    def latch(self, duration_ns: int, from_ns: int) -> int:
        """Have a tap start an exposure; returns its number, 0 where the keeper hears no pedal."""
        if not self._link.has_pedal:
            return 0
        return self._link.order(Kind.LATCH, duration_ns, b_ns=from_ns)

    def dismiss(self, latched: int) -> bool:
        """Call off a latched exposure; False where a foot was quicker, with the lamp off again."""
        return self._link.dismiss(latched)

    def view(self, limit_ns: int) -> int:
        """Order the lamp on for viewing; returns the order's number, 0 where no keeper takes it."""
        return self._link.order(Kind.VIEW, limit_ns)

    def off(self) -> None:
        """Order the lamp off."""
        self._link.order(Kind.OFF)

    @property
    def is_well(self) -> bool:
        """Whether a keeper is up and to be trusted, and the lamp does what it is told."""
        return self._link.is_up and self._link.is_lamp_well


class DarkWay:
    """Drives ``control`` from a thread of its own; :meth:`stop` ends with the lamp off."""

    def __init__(self, control: Control, link: KeeperLink, clock: SteadyClock) -> None:
        self._control = control
        self._link = link
        self._clock = clock
        self._waiting: deque[Callable[[], None]] = deque()
        self._wake_fd = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._closing = threading.Lock()
        self._stopping = False
        self._restart_at: float | None = None
        self._turned_at = time.monotonic()
        self._thread = threading.Thread(target=self._run, name="dark way", daemon=True)

    def start(self) -> None:
        """Start the thread; the keeper must be up."""
        self._thread.start()

    def begin_to_stop(self) -> None:
        """Have the lamp off and the thread ended at once, without waiting for it."""
        self.post(self._stop)

    def stop(self) -> None:
        """End the thread and the keeper; the lamp is off when this returns."""
        self.post(self._stop)
        self._thread.join()
        with self._closing:
            os.close(self._wake_fd)
            self._wake_fd = -1

    def _stop(self) -> None:
        self._stopping = True

    @property
    def is_well(self) -> bool:
        """Whether the thread turns and a keeper is up."""
        return (
            self._thread.is_alive()
            and time.monotonic() - self._turned_at < 1.0
            and self._link.is_up
        )

    @property
    def is_at_work(self) -> bool:
        """Whether the lamp is on, or may be at the next tap."""
        return self._control.state not in _AT_REST

    @property
    def is_alive(self) -> bool:
        """Whether the thread runs at all."""
        return self._thread.is_alive()

    def post(self, what: Callable[[], None]) -> None:
        """Have ``what`` done in the thread, in order; never waits; may be called from anywhere."""
        self._waiting.append(what)
        with self._closing:
            if self._wake_fd >= 0:
                os.eventfd_write(self._wake_fd, 1)

    def ask(self, what: Callable[[], _Answer]) -> "Future[_Answer]":
        """Have ``what`` done in the thread and return its answer to come."""
        answer: Future[_Answer] = Future()

        def do() -> None:
            # Whoever asked may have gone; what runs can't be cancelled any more.
            if not answer.set_running_or_notify_cancel():
                return
            try:
                answer.set_result(what())
            except TreadleError as error:
                answer.set_exception(error)
            except Exception as error:
                answer.set_exception(error)
                raise

        self.post(do)
        return answer

    def edge(self, down: bool, at_ns: int) -> None:
        """Take a raw edge of the pedal, from whatever thread the device uses."""
        self.post(lambda: self._edge(down, at_ns))

    def _edge(self, down: bool, at_ns: int) -> None:
        # An edge from before a standstill may stop the lamp, but must not start it now.
        age_ns = self._clock.monotonic_ns() - at_ns
        is_stale = self._clock.real_seconds(age_ns) > STALE_SECONDS
        self._control.edge(down, at_ns, is_stale=is_stale)

    def handle(
        self, *inputs: Input, run: Run | None = None, fault: str | None = None
    ) -> "Future[bool]":
        """Take inputs in one go; the answer is False where the last of them is refused.

        ``run`` and ``fault`` are what :meth:`Control.handle` takes with an input.
        """

        def do() -> bool:
            taken = True
            for one in inputs:
                taken = self._control.handle(one, self._clock.monotonic_ns(), run=run, fault=fault)
            return taken

        return self.ask(do)

    def status(self) -> "Future[Status]":
        """Return the status to come."""
        return self.ask(lambda: self._control.status(self._clock.monotonic_ns()))

    def beat(self) -> None:
        """Pass a beat of the service's loop on to the keeper: it then knows that both are well."""
        self.post(self._link.beat)

    def _run(self) -> None:
        try:
            while not self._stopping:
                self._turn()
        except BaseException:
            _log.exception("the dark way failed; the lamp goes off")
        finally:
            self._link.stop()

    def _turn(self) -> None:
        self._turned_at = time.monotonic()
        sources = [self._wake_fd] + ([self._link.fileno()] if self._link.fileno() >= 0 else [])
        ready = select.select(sources, (), (), self._wait_seconds())[0]
        if self._wake_fd in ready:
            os.eventfd_read(self._wake_fd)
        self._link.ask()
        self._guarded(self._hear)
        while self._waiting:
            self._guarded(self._waiting.popleft())
        self._guarded(lambda: self._control.wake(self._clock.monotonic_ns()))
        if self._restart_at is not None and time.monotonic() >= self._restart_at:
            self._restart()

    def _wait_seconds(self) -> float:
        if self._link.has_reports:
            return 0.0
        wake_ns = self._control.next_wake_ns
        if wake_ns is None:
            return _TURN_SECONDS
        until = self._clock.real_seconds(wake_ns - self._clock.monotonic_ns())
        return max(0.0, min(_TURN_SECONDS, until))

    def _guarded(self, what: Callable[[], None]) -> None:
        """Do ``what``; an error in our own code ends with the lamp off and a fault, not silence."""
        try:
            what()
        except Exception:
            _log.exception("an error in the control; the lamp is switched off")
            self._lose_keeper("an error inside Treadle; see its log, then clear the fault")

    def _hear(self) -> None:
        was_starting = self._link.is_starting
        reports, is_well = self._link.receive()
        for report in reports:
            self._take(report)
        if is_well:
            return
        if was_starting:
            self._try_again_later(self._link.give_up_start())
        else:
            self._lose_keeper(None)

    def _take(self, report: Record) -> None:
        if report.kind is Kind.EDGE:
            self._edge(bool(report.b_ns), report.a_ns)
            return
        one = _INPUT_OF.get(report.kind)
        if one is not None:
            self._control.handle(one, self._clock.monotonic_ns(), report=report)

    def _lose_keeper(self, why: str | None) -> None:
        alarm = None
        self._hear_to_the_end()
        try:
            off_ns = self._link.fail()
        except (HardwareError, ValueError) as error:
            off_ns = self._clock.monotonic_ns()
            alarm = f"the lamp could not be forced off ({error}); pull the enlarger's plug"
        self._restart_at = time.monotonic()
        self._control.handle(Input.KEEPER_LOST, off_ns, fault=why)
        if alarm is not None:
            self._control.handle(Input.ALARM, off_ns, fault=alarm)

    def _hear_to_the_end(self) -> None:
        """Take what a keeper that is to be ended has told: it may have begun a pass by foot."""
        try:
            for report in self._link.receive()[0]:
                self._take(report)
        except Exception:
            _log.exception("what the keeper told last could not be taken")

    def _restart(self) -> None:
        self._restart_at = None
        try:
            self._link.begin()
        except (TreadleError, OSError) as error:
            self._try_again_later(error)

    def _try_again_later(self, error: Exception) -> None:
        _log.error("the keeper does not start again: %s", error)
        self._restart_at = time.monotonic() + _RESTART_SECONDS
