"""The keeper: the one process that switches the lamp.

It takes one order at a time, switches off by absolute deadlines, and reports
measured stamps. It switches off at once when the daemon dies (the channel
closes), hangs (its beats stop), when a limit is reached, and on every signal
that can be caught.
"""

import os
import select
import signal
import socket
import time
from contextlib import suppress
from types import FrameType

from hardware.errors import HardwareError
from hardware.interface import Lamp
from timer.clock import NS_PER_SECOND, Clock
from timer.keeper.protocol import PACKET_BYTES, Damaged, Kind, Reason, Record, pack, unpack

# The last stretch before a deadline is spent spinning: a sleep may come back late.
SPIN_SECONDS = 0.001
# How often the keeper says that it is alive, in real time.
ALIVE_SECONDS = 0.1

# All that would end the process and can be caught. Left out: what can't be caught, what does
# not end it, and the processor's own faults, after which no handler can be trusted to run.
SIGNALS = frozenset(signal.valid_signals()) - {
    signal.SIGKILL,
    signal.SIGSTOP,
    signal.SIGCHLD,
    signal.SIGCONT,
    signal.SIGTSTP,
    signal.SIGTTIN,
    signal.SIGTTOU,
    signal.SIGWINCH,
    signal.SIGURG,
    signal.SIGSEGV,
    signal.SIGBUS,
    signal.SIGFPE,
    signal.SIGILL,
}


class Stopped(BaseException):
    """Raised by the signal handler; not an Exception, so that no handler for errors swallows it."""


class Keeper:
    """Serves orders from ``channel`` until it closes; the lamp is off whenever this returns."""

    def __init__(
        self,
        lamp: Lamp,
        channel: socket.socket,
        clock: Clock,
        *,
        longest_ns: int,
        beats_ns: int,
        journal_fd: int | None = None,
    ) -> None:
        self._lamp = lamp
        self._channel = channel
        self._clock = clock
        self._longest_ns = longest_ns
        self._beats_ns = beats_ns
        self._journal_fd = journal_fd
        self._spin_ns = round(SPIN_SECONDS / clock.real_seconds(NS_PER_SECOND) * NS_PER_SECOND)
        self._order: Record | None = None  # what the lamp is on for
        self._on_ns = 0
        self._ends_ns = 0
        self._heard_ns = clock.monotonic_ns()
        self._alive_at = 0.0
        self._unsent: list[bytes] = []
        self._is_stopped = False

    def run(self, *, scheduled: bool = False, locked: bool = False) -> None:
        """Serve until the daemon closes the channel or a signal comes.

        Raises HardwareError where the lamp can't be switched off at the end.
        """
        reason = Reason.DAEMON_GONE
        try:
            for number in SIGNALS:
                signal.signal(number, self._stop)
            self._lamp.off()
            self._report(Record(Kind.READY, a_ns=int(scheduled), b_ns=int(locked)))
            while self._step():
                pass
        except Stopped:
            reason = Reason.SIGNAL
        except HardwareError:
            reason = Reason.LAMP_WRITE_FAILED
            self._report(Record(Kind.ALARM, reason, self._order.order if self._order else 0))
        finally:
            # A signal that comes from here on must find nothing to cut short.
            self._is_stopped = True
            try:
                if self._order is not None:
                    self._switch_off(reason)
            finally:
                self._lamp.close()

    def _stop(self, _number: int, _frame: FrameType | None) -> None:
        # Once only: a second signal at the same instant must not cut the switching off short.
        if not self._is_stopped:
            self._is_stopped = True
            raise Stopped

    def _step(self) -> bool:
        """Wait for the next order, beat or deadline and act; False when the channel closed."""
        now_ns = self._clock.monotonic_ns()
        if self._order is not None and now_ns >= self._ends_ns - self._spin_ns:
            while self._clock.monotonic_ns() < self._ends_ns:
                pass
            viewing = self._order.kind is Kind.VIEW
            self._switch_off(Reason.LIMIT if viewing else Reason.COMPLETE)
        if select.select((self._channel,), (), (), self._wait_seconds())[0]:
            try:
                packet = self._channel.recv(PACKET_BYTES + 1)
            except ConnectionResetError:
                # So a channel closes on which the daemon has left reports unread.
                return False
            if not packet:
                return False
            self._obey(packet)
        # Judged only where nothing more was to be read: a machine that stood still as a whole
        # has not silenced the daemon.
        elif self._order is not None and self._clock.monotonic_ns() > self._silent_at_ns:
            self._switch_off(Reason.BEATS_STOPPED)
        if time.monotonic() >= self._alive_at:
            self._alive_at = time.monotonic() + ALIVE_SECONDS
            self._report(Record(Kind.ALIVE))
        return True

    @property
    def _silent_at_ns(self) -> int:
        return self._heard_ns + self._beats_ns

    def _wait_seconds(self) -> float:
        alive = self._alive_at - time.monotonic()
        if self._order is None:
            return max(0.0, alive)
        wake_ns = min(self._ends_ns - self._spin_ns, self._silent_at_ns + 1)
        until = self._clock.real_seconds(wake_ns - self._clock.monotonic_ns())
        return max(0.0, min(alive, until))

    def _obey(self, packet: bytes) -> None:
        try:
            record = unpack(packet)
        except Damaged:
            self._report(Record(Kind.REFUSED, Reason.BAD_ORDER))
            return
        self._heard_ns = self._clock.monotonic_ns()
        if record.kind is Kind.OFF:
            if self._order is not None:
                self._switch_off(Reason.ORDERED)
            else:
                self._lamp.off()
                if self._lamp.is_on:
                    self._report(Record(Kind.ALARM, Reason.LAMP_STAYS_ON, record.order))
        elif record.kind in (Kind.EXPOSE, Kind.VIEW):
            refusal = self._refusal(record)
            if refusal is Reason.NONE:
                self._switch_on(record)
            else:
                self._report(Record(Kind.REFUSED, refusal, record.order))
        elif record.kind is not Kind.BEAT:
            self._report(Record(Kind.REFUSED, Reason.BAD_ORDER, record.order))

    def _refusal(self, order: Record) -> Reason:
        if self._order is not None:
            return Reason.BUSY
        if order.a_ns <= 0:
            return Reason.BAD_ORDER
        return Reason.TOO_LONG if order.a_ns > self._longest_ns else Reason.NONE

    def _switch_on(self, order: Record) -> None:
        # Set first: a signal between here and the write must find something to switch off.
        self._order = order
        before_ns = self._clock.monotonic_ns()
        self._on_ns = before_ns
        self._lamp.on()
        self._on_ns = (before_ns + self._clock.monotonic_ns()) // 2
        self._ends_ns = self._on_ns + order.a_ns
        self._note("on", order, 0, Reason.NONE)
        self._report(Record(Kind.ON, order=order.order, a_ns=self._on_ns))
        if not self._lamp.is_on:
            self._switch_off(Reason.LAMP_STAYS_OFF)
            self._report(Record(Kind.ALARM, Reason.LAMP_STAYS_OFF, order.order))

    def _switch_off(self, reason: Reason) -> None:
        order = self._order
        before_ns = self._clock.monotonic_ns()
        self._lamp.off()
        off_ns = (before_ns + self._clock.monotonic_ns()) // 2
        self._order = None
        if order is None:
            return
        self._note("off", order, off_ns, reason)
        self._report(Record(Kind.WENT_OFF, reason, order.order, self._on_ns, off_ns))
        if self._lamp.is_on:
            self._report(Record(Kind.ALARM, Reason.LAMP_STAYS_ON, order.order))

    def _note(self, what: str, order: Record, off_ns: int, reason: Reason) -> None:
        """Write an exposure into the journal in memory: it outlives the process, not the power."""
        if self._journal_fd is not None and order.kind is Kind.EXPOSE:
            line = f"{what} {order.order} {self._on_ns} {off_ns} {reason.name}\n"
            # A full disk must neither end an exposure nor keep its report back.
            with suppress(OSError):
                os.write(self._journal_fd, line.encode())

    def _report(self, record: Record) -> None:
        """Send without ever waiting; a beat that finds no room is dropped, the rest is kept."""
        is_spare = record.kind is Kind.ALIVE and not self._unsent
        if is_spare or record.kind is not Kind.ALIVE:
            self._unsent.append(pack(record))
        while self._unsent:
            try:
                self._channel.send(self._unsent[0], socket.MSG_DONTWAIT | socket.MSG_NOSIGNAL)
            except BlockingIOError:
                if is_spare:
                    self._unsent.clear()
                return
            except OSError:
                # The daemon is gone: the next look at the channel will say so.
                self._unsent.clear()
                return
            self._unsent.pop(0)
