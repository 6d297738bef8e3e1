"""The keeper: the one process that switches the lamp.

It takes one order at a time, switches off by absolute deadlines, and reports
measured stamps. It switches off at once when the daemon dies (the channel
closes), hangs (its beats stop), when a limit is reached, when the foot comes
down, when the lamp does not do what it is told, and on every signal that can be
caught.
"""

from __future__ import annotations

import os
import select
import signal
import socket
from contextlib import suppress
from types import FrameType

from hardware.errors import HardwareError
from timer.clock import NS_PER_SECOND, Clock
from timer.foot import PedalTimes
from timer.keeper.cooling import Cooling
from timer.keeper.foot_way import FootWay
from timer.keeper.protocol import PACKET_BYTES, Damaged, Kind, Reason, Record, pack, unpack
from timer.keeper.watch import LampWatch

TYPE_CHECKING = False  # known to type checkers; what is only a type need not be in memory
if TYPE_CHECKING:
    from hardware.interface import Lamp, PedalWire, Sense

# The last stretch before a deadline is spent spinning: a sleep may come back late.
SPIN_SECONDS = 0.001
# Off is written a little before its deadline, by what it has proved to take: from one exposure
# no more is learnt than this, and no more is ever taken off.
_MOST_LEARNT_NS, _MOST_LEAD_NS = 16_000, 100_000
_MOST_READS = 50  # a storm of edges must end
# The longest wait, in real time: so often the lamp is looked at, come what may.
_TURN_SECONDS = 1.0
# A programme that just fits may be some microseconds longer than it was meant, in its passes.
_COOLING_SLACK_NS = NS_PER_SECOND // 10
# A daemon that leaves so many edges of the pedal unread has long stopped to beat.
_MOST_UNSENT_EDGES = 1000

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


class _PedalFailed(Exception):  # noqa: N818 -- for one place that catches it
    """Raised where the pedal can't be read: a foot could no longer stop the light."""


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
        pedal: PedalWire | None = None,
        pedal_times: PedalTimes | None = None,
        pedal_holds: bool = True,
        sense: Sense | None = None,
        settle_ns: int = 0,
        most_per_hour_ns: int = 0,
    ) -> None:
        self._lamp = lamp
        self._channel = channel
        self._clock = clock
        self._longest_ns = longest_ns
        self._beats_ns = beats_ns
        self._journal_fd = journal_fd
        self._pedal_holds = pedal_holds
        self._spin_ns = round(SPIN_SECONDS / clock.real_seconds(NS_PER_SECOND) * NS_PER_SECOND)
        self._lead_ns = 0  # how long before the deadline the write of off begins
        self._order: Record | None = None  # what the lamp is on for
        self._latch: Record | None = None  # what a tap starts
        self._begun_by_foot = 0
        self._latest = 0  # the highest number of an order that was carried out
        self._on_ns = 0
        self._ends_ns = 0
        self._heard_ns = clock.monotonic_ns()
        self._unsent: list[bytes] = []
        self._is_stopped = False
        self._cooling = Cooling(most_per_hour_ns)
        self._watch = LampWatch(lamp, sense, settle_ns, clock)
        self._foot = None
        if pedal is not None:
            self._foot = FootWay(
                pedal, pedal_times or PedalTimes(), clock, edge=self._pass_edge_on,
                press=self._foot_came_down, tap=self._foot_tapped,
            )  # fmt: skip

    def run(self, *, scheduled: bool = False, locked: bool = False) -> None:
        """Serve until the daemon closes the channel or a signal comes.

        Raises HardwareError where the lamp can't be switched off at the end.
        """
        reason = Reason.DAEMON_GONE
        try:
            for number in SIGNALS:
                signal.signal(number, self._stop)
            before_ns = self._clock.monotonic_ns()
            self._lead_ns = min(_MOST_LEAD_NS // 4, self._write(lit=False) - before_ns)
            foot_is_down = self._foot is not None and self._foot.was_down_at_start
            self._report(Record(Kind.READY, Reason.NONE, foot_is_down, scheduled, locked))
            if self._foot is not None:
                self._pass_edge_on(foot_is_down, self._clock.monotonic_ns())
            while self._step():
                pass
        except Stopped:
            reason = Reason.SIGNAL
        except _PedalFailed:
            reason = Reason.PEDAL_FAILED
            self._report(Record(Kind.ALARM, reason, self._present_number))
        except HardwareError:
            reason = Reason.LAMP_WRITE_FAILED
            self._report(Record(Kind.ALARM, reason, self._present_number))
        finally:
            # A signal that comes from here on must find nothing to cut short.
            self._is_stopped = True
            try:
                if self._order is not None:
                    self._switch_off(reason)
            finally:
                self._lamp.close()
                self._watch.close()
                if self._foot is not None:
                    self._foot.close()

    def _stop(self, _number: int, _frame: FrameType | None) -> None:
        # Once only: a second signal at the same instant must not cut the switching off short.
        if not self._is_stopped:
            self._is_stopped = True
            raise Stopped

    def _step(self) -> bool:
        """Wait for an order, a beat, an edge or a deadline; False when the channel closed."""
        if self._order is not None and self._is_due:
            # The middle of the write is to fall on the deadline, as that of the on began it.
            ends_ns = self._ends_ns
            while self._clock.monotonic_ns() < ends_ns - self._lead_ns:
                pass
            viewing = self._order.kind is Kind.VIEW
            late_ns = self._switch_off(Reason.LIMIT if viewing else Reason.COMPLETE) - ends_ns
            # One that the machine held up teaches no more than any other.
            learnt_ns = max(-_MOST_LEARNT_NS, min(_MOST_LEARNT_NS, late_ns)) // 4
            self._lead_ns = max(0, min(_MOST_LEAD_NS, self._lead_ns + learnt_ns))
        sources: list[socket.socket | FootWay] = [self._channel]
        if self._foot is not None:
            sources.append(self._foot)
        unsent = [self._channel] if self._unsent else []
        ready, room, _ = select.select(sources, unsent, (), self._wait_seconds())
        if room:
            self._send()
        # The daemon's words come first: where it has gone, or called a pass off, no foot starts it.
        if self._channel in ready:
            if not self._read_orders():
                return False
        # Judged only where nothing was to be read: a machine that stood still as a whole has not
        # silenced the daemon.
        elif self._order is not None and self._is_silent:
            self._switch_off(Reason.BEATS_STOPPED)
        if self._foot is not None:
            if self._foot in ready:
                self._read_foot(self._foot)
            self._foot.wake()
        self._look()
        return True

    def _read_orders(self) -> bool:
        """Obey all that has come from the daemon; False when the channel closed."""
        while True:
            try:
                packet = self._channel.recv(PACKET_BYTES + 1, socket.MSG_DONTWAIT)
            except BlockingIOError:
                return True
            except ConnectionResetError:
                # So a channel closes on which the daemon has left reports unread.
                return False
            if not packet:
                return False
            self._obey(packet)
            if self._is_due:
                return True  # what else there is waits: an exposure ends first

    @property
    def _is_due(self) -> bool:
        """Whether an exposure is so near its end that nothing else may be done before it."""
        if self._order is None:
            return False
        return self._clock.monotonic_ns() >= self._ends_ns - self._spin_ns

    @property
    def _is_silent(self) -> bool:
        return self._clock.monotonic_ns() > self._heard_ns + self._beats_ns

    def _wait_seconds(self) -> float:
        due_ns = []
        if self._order is not None:
            due_ns = [self._ends_ns - self._spin_ns, self._heard_ns + self._beats_ns + 1]
        for one in (self._foot, self._watch):
            if one is not None and one.next_wake_ns is not None:
                due_ns.append(one.next_wake_ns)
        if not due_ns:
            return _TURN_SECONDS
        until = self._clock.real_seconds(min(due_ns) - self._clock.monotonic_ns())
        return max(0.0, min(_TURN_SECONDS, until))

    def _look(self) -> None:
        """Raise an alarm where the lamp turns out not to be as it was told."""
        trouble = self._watch.look()
        if trouble is Reason.NONE:
            return
        number = self._present_number
        if self._order is not None:
            self._switch_off(trouble)
        else:
            self._lamp.off()
        self._report(Record(Kind.ALARM, trouble, number))

    @property
    def _present_number(self) -> int:
        return self._order.order if self._order is not None else 0

    # The foot.

    def _read_foot(self, foot: FootWay) -> None:
        """Take the edges that have come, all of them before the clock is looked at for a bounce."""
        try:
            for _ in range(_MOST_READS):
                if self._is_due or not foot.read():
                    return
        except HardwareError as error:
            raise _PedalFailed from error

    def _pass_edge_on(self, down: bool, at_ns: int) -> None:
        self._report(Record(Kind.EDGE, a_ns=at_ns, b_ns=int(down)))

    def _foot_came_down(self) -> None:
        if self._order is not None and self._order.kind is Kind.EXPOSE and self._pedal_holds:
            self._switch_off(Reason.FOOT)

    def _foot_tapped(self, pressed_ns: int) -> None:
        order = self._latch
        if order is None or pressed_ns < order.b_ns or self._is_silent:
            return
        if self._refusal(order) is Reason.NONE:
            self._begun_by_foot = order.order
            self._switch_on(order._replace(kind=Kind.EXPOSE))

    # Orders.

    def _obey(self, packet: bytes) -> None:
        try:
            record = unpack(packet)
        except Damaged:
            self._report(Record(Kind.REFUSED, Reason.BAD_ORDER))
            return
        if record.kind in (Kind.BEAT, Kind.ASK):
            now_ns = self._clock.monotonic_ns()
            if record.kind is Kind.BEAT:
                self._heard_ns = now_ns
            left_ns = self._cooling.left_ns(now_ns)
            left_ns = -1 if left_ns is None else left_ns
            self._report(Record(Kind.ALIVE, self._watch.trouble, a_ns=left_ns))
        elif record.kind is Kind.OFF:
            self._obey_off(record)
        elif record.kind is Kind.DISMISS:
            self._obey_off(record)
            self._report(Record(Kind.DISMISSED, Reason.NONE, record.order, self._begun_by_foot))
        elif record.kind is Kind.LATCH:
            # One that would be refused is told when it is ordered: nothing is wrong before.
            self._latch = record if self._refusal(record) is Reason.NONE else None
        elif record.kind in (Kind.EXPOSE, Kind.VIEW):
            if record.order != self._begun_by_foot:  # else a foot was quicker
                self._obey_on(record)
        else:
            self._report(Record(Kind.REFUSED, Reason.BAD_ORDER, record.order))

    def _obey_off(self, record: Record) -> None:
        self._latch = None
        self._latest = max(self._latest, record.order)
        if self._order is not None:
            self._switch_off(Reason.ORDERED)
            return
        self._lamp.off()
        trouble = self._watch.seen()
        if trouble is not Reason.NONE:
            self._watch.trouble = trouble
            self._report(Record(Kind.ALARM, trouble, record.order))

    def _obey_on(self, record: Record) -> None:
        # The thread that orders may live while the service's loop hangs.
        refusal = Reason.SILENT if self._is_silent else self._refusal(record)
        if refusal is Reason.NONE:
            self._switch_on(record)
        else:
            self._report(Record(Kind.REFUSED, refusal, record.order))

    def _refusal(self, order: Record) -> Reason:
        if self._order is not None:
            return Reason.BUSY
        # One that comes once more, or that an order to go off has overtaken, is not meant.
        if order.a_ns <= 0 or order.order <= self._latest:
            return Reason.BAD_ORDER
        if order.a_ns > self._longest_ns:
            return Reason.TOO_LONG
        left_ns = self._cooling.left_ns(self._clock.monotonic_ns())
        wanted_ns = 1 if order.kind is Kind.VIEW else order.a_ns - _COOLING_SLACK_NS
        if left_ns is not None and left_ns < wanted_ns:
            return Reason.MUST_COOL
        return self._watch.trouble

    def _switch_on(self, order: Record) -> None:
        # Set first: a signal between here and the write must find something to switch off.
        self._order, self._latch = order, None
        self._latest = max(self._latest, order.order)
        self._on_ns = self._clock.monotonic_ns()
        # Before the write, for whoever finds the lamp on and nobody alive to ask.
        self._note("on", order, 0, Reason.NONE)
        lasts_ns, left_ns = order.a_ns, self._cooling.left_ns(self._on_ns)
        if order.kind is Kind.VIEW and left_ns is not None:
            # Viewing ends sooner where the lamp must cool; a pass is whole or refused.
            lasts_ns = min(lasts_ns, left_ns)
        self._on_ns = self._write(lit=True)
        self._ends_ns = self._on_ns + lasts_ns
        self._report(Record(Kind.ON, Reason.NONE, order.order, self._on_ns, self._ends_ns))
        trouble = self._watch.switched(lit=True)
        if trouble is not Reason.NONE:
            self._switch_off(trouble)
            self._report(Record(Kind.ALARM, trouble, order.order))

    def _switch_off(self, reason: Reason) -> int:
        """Switch off, report it, and return the stamp."""
        order = self._order
        off_ns = self._write(lit=False)
        self._order = None
        if order is None:
            return off_ns
        self._cooling.note(self._on_ns, off_ns)
        self._note("off", order, off_ns, reason)
        self._report(Record(Kind.WENT_OFF, reason, order.order, self._on_ns, off_ns))
        trouble = self._watch.switched(lit=False)
        if trouble is not Reason.NONE:
            self._report(Record(Kind.ALARM, trouble, order.order))
        return off_ns

    def _write(self, *, lit: bool) -> int:
        """Switch the lamp and return the stamp: the middle between the clock before and after."""
        before_ns = self._clock.monotonic_ns()
        if lit:
            self._lamp.on()
        else:
            self._lamp.off()
        return (before_ns + self._clock.monotonic_ns()) // 2

    def _note(self, what: str, order: Record, off_ns: int, reason: Reason) -> None:
        """Write an exposure into the journal in memory: it outlives the process, not the power."""
        if self._journal_fd is not None and order.kind is Kind.EXPOSE:
            line = f"{what} {order.order} {self._on_ns} {off_ns} {reason.name}\n"
            # A full disk must neither end an exposure nor keep its report back.
            with suppress(OSError):
                os.write(self._journal_fd, line.encode())

    def _report(self, record: Record) -> None:
        """Send without ever waiting; what finds no room is kept, but for signs of life and feet."""
        spared = {Kind.ALIVE: 0, Kind.EDGE: _MOST_UNSENT_EDGES}.get(record.kind)
        if spared is None or len(self._unsent) <= spared:
            self._unsent.append(pack(record))
        self._send()

    def _send(self) -> None:
        while self._unsent:
            try:
                self._channel.send(self._unsent[0], socket.MSG_DONTWAIT | socket.MSG_NOSIGNAL)
            except BlockingIOError:
                return
            except OSError:
                # The daemon is gone: the next look at the channel will say so.
                self._unsent.clear()
                return
            self._unsent.pop(0)
