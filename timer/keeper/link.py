"""The daemon's end of the keeper: starting it, ordering, hearing, and acting when it fails.

When the keeper dies or falls silent, the link kills what is left of it and
forces the lamp off through a lamp of its own, in the thread that noticed it.
"""

import select
import socket
import subprocess
import sys
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from hardware.errors import HardwareError
from timer.clock import Clock, SteadyClock
from timer.errors import KeeperError, StoreError
from timer.foot import PedalTimes
from timer.keeper.journal import note_forced_off
from timer.keeper.lamps import open_lamp
from timer.keeper.protocol import PACKET_BYTES, Damaged, Kind, Reason, Record, pack, unpack

START_SECONDS = 10.0
# A keeper that leaves a beat unanswered for this long hangs: with the way to the next beat, and
# the one on which it is noticed, a second after it stood still.
SILENCE_SECONDS = 0.8
# Where the service's loop sends no beats, the keeper is asked this often whether it lives.
ASK_SECONDS = 0.5
# A keeper that failed to start has this long to leave by itself.
_LEAVE_SECONDS = 0.5
# The keeper answers within a fraction of a millisecond; waited for in the dark way.
_DISMISS_SECONDS = 0.25
_FORCE_TRIES = 100
_FORCE_PAUSE_SECONDS = 0.002


@dataclass(frozen=True, slots=True)
class KeeperSettings:
    """How to start a keeper: its devices in their text forms, its limits in ns, the journal.

    ``pedal`` is empty where the daemon reads the pedal itself, ``sense`` where there is none;
    ``most_per_hour_ns`` is 0 where the lamp needs no time to cool.
    """

    lamp: str
    longest_ns: int
    beats_ns: int
    journal: Path
    clock_rate: int = 1
    pedal: str = ""
    pedal_times: PedalTimes = PedalTimes()  # noqa: RUF009 -- a tuple: it can't change
    pedal_holds: bool = True
    sense: str = ""
    settle_ns: int = 0
    most_per_hour_ns: int = 0
    command: tuple[str, ...] = (sys.executable, "-m", "timer.keeper")

    def arguments(self, channel_fd: int) -> list[str]:
        """Return the keeper's arguments, with ``channel_fd`` its end of the channel."""
        return [
            f"lamp={self.lamp}",
            f"channel={channel_fd}",
            f"rate={self.clock_rate}",
            f"longest_ns={self.longest_ns}",
            f"beats_ns={self.beats_ns}",
            f"journal={self.journal}",
            f"pedal={self.pedal}",
            f"pedal_ns={','.join(map(str, self.pedal_times))}",
            f"pedal_holds={int(self.pedal_holds)}",
            f"sense={self.sense}",
            f"settle_ns={self.settle_ns}",
            f"most_per_hour_ns={self.most_per_hour_ns}",
        ]


def force_off(lamp: str, clock: Clock) -> int:
    """Switch the line off without any keeper; returns the instant at which it was off.

    Raises HardwareError where the line can't be had.
    """
    for attempt in range(_FORCE_TRIES):
        try:
            opened = open_lamp(lamp, clock.monotonic_ns)
            off_ns = clock.monotonic_ns()
            opened.close()
        except HardwareError:
            # The kernel may need a moment to take the line from a process that it has ended.
            if attempt == _FORCE_TRIES - 1:
                raise
            time.sleep(_FORCE_PAUSE_SECONDS)
        else:
            return off_ns
    raise AssertionError("the last try returns or raises")


class KeeperLink:
    """One keeper process and the channel to it; used from one thread."""

    def __init__(self, settings: KeeperSettings, clock: SteadyClock) -> None:
        self._settings = settings
        self._clock = clock
        self._process: subprocess.Popen[bytes] | None = None
        self._channel: socket.socket | None = None
        self._asked_at = 0.0
        self._unanswered_since: float | None = None
        self._set_by: list[Record] = []
        self._dismissing = self._begun_by_foot = 0
        self._ready_by: float | None = None
        self._distrust = ""
        self._last_order = int(time.time() * 1000)
        self.scheduled = False
        self.locked = False
        self.foot_was_down = False
        self.lamp_left_ns: int | None = None  # until it must cool; None without such a limit
        self.is_lamp_well = True  # as far as the keeper sees

    def number_orders_after(self, order: int) -> None:
        """Give orders numbers above ``order``, wherever the wall clock stands."""
        self._last_order = max(self._last_order, order)

    @property
    def is_up(self) -> bool:
        """Whether a keeper is there that is ready and has not been seen to fail."""
        return self._channel is not None and self._ready_by is None

    @property
    def is_starting(self) -> bool:
        """Whether a keeper has been started that is not ready yet."""
        return self._ready_by is not None

    @property
    def pid(self) -> int | None:
        """The keeper's process number, None where there is none."""
        return self._process.pid if self._process and self.is_up else None

    @property
    def has_reports(self) -> bool:
        """Whether :meth:`receive` has something to tell without waiting."""
        return bool(self._set_by)

    def fileno(self) -> int:
        """Return the channel's file descriptor, to wait on; -1 where there is no keeper."""
        return self._channel.fileno() if self._channel else -1

    def start(self) -> None:
        """Start a keeper and wait until it has switched off; KeeperError where that fails."""
        self.begin()
        while not self.is_up:
            select.select((self,), (), (), START_SECONDS)
            reports, is_well = self.receive()
            self._set_by += reports  # what it told behind its being ready is for whoever listens
            if not is_well and not self.is_up:
                raise self.give_up_start()

    def begin(self) -> None:
        """Start a keeper without waiting for it: :meth:`receive` hears that it is ready.

        Raises KeeperError where there is no such command.
        """
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with theirs:
            one = self._settings
            try:
                self._process = subprocess.Popen(
                    [*one.command, *one.arguments(theirs.fileno())],
                    pass_fds=(theirs.fileno(),),
                    stdin=subprocess.DEVNULL,
                    stderr=subprocess.PIPE,
                    # A Ctrl-C at the terminal is for the daemon, which closes down in order.
                    start_new_session=True,
                )
            except OSError as error:
                ours.close()
                raise KeeperError(f"the keeper did not start ({error}); see its log") from None
        ours.setblocking(False)
        self._channel = ours
        self._ready_by = time.monotonic() + START_SECONDS
        self._distrust = ""
        self._unanswered_since = None
        self._dismissing = self._begun_by_foot = 0
        self.is_lamp_well = True
        self._set_by.clear()

    def give_up_start(self) -> KeeperError:
        """Kill a keeper that did not become ready, and return what there is to say about it."""
        why = self._distrust or "it is not ready"
        # What it said itself says more, but one that still runs would keep us waiting for it.
        said = self._what_it_said()
        self.abandon()
        return KeeperError(said or f"the keeper did not start ({why}); see its log")

    def _what_it_said(self) -> str:
        """Return the last line that a keeper which did not start wrote about it."""
        process = self._process
        if process is None or process.stderr is None:
            return ""
        try:
            lines = process.communicate(timeout=_LEAVE_SECONDS)[1].decode(errors="replace")
        except subprocess.TimeoutExpired:
            return ""
        return next((line for line in reversed(lines.split("\n")) if line.strip()), "")

    @property
    def has_pedal(self) -> bool:
        """Whether the keeper reads the pedal."""
        return bool(self._settings.pedal)

    def order(self, kind: Kind, duration_ns: int = 0, *, b_ns: int = 0, number: int = 0) -> int:
        """Send an order and return its number, 0 where no keeper is there to take it.

        ``number`` is that of an order which was latched, 0 for a new one.
        """
        if not number:
            self._last_order += 1
            number = self._last_order
        return number if self._send(Record(kind, Reason.NONE, number, duration_ns, b_ns)) else 0

    def dismiss(self, number: int) -> bool:
        """Call off a latched order; False where a foot may have been quicker.

        The keeper switches off then. Waits for its word, which comes at once; one that
        hangs is waited for once, and found out elsewhere.
        """
        if not self.is_up:
            return True
        if self._dismissing:
            return False
        self._dismissing = number
        self.order(Kind.DISMISS, number=number)
        gives_up_at = time.monotonic() + _DISMISS_SECONDS
        while select.select((self,), (), (), max(0.0, gives_up_at - time.monotonic()))[0]:
            reports, is_well = self.receive()
            self._set_by += reports
            if not self._dismissing:
                return self._begun_by_foot != number
            if not is_well:
                break
        return False

    def beat(self) -> None:
        """Tell the keeper that the daemon is well, and expect an answer."""
        self._expect_answer(Kind.BEAT)

    def ask(self) -> None:
        """Ask the keeper whether it lives, where it has not been asked for a while."""
        if time.monotonic() - self._asked_at >= ASK_SECONDS:
            self._expect_answer(Kind.ASK)

    def _expect_answer(self, kind: Kind) -> None:
        if not self.is_up:
            return
        self._asked_at = time.monotonic()
        if self._unanswered_since is None:
            self._unanswered_since = self._asked_at
        self._send(Record(kind))

    def _send(self, record: Record) -> bool:
        if self._channel is None or not self.is_up:
            return False
        try:
            self._channel.send(pack(record), socket.MSG_NOSIGNAL)
        except OSError:
            # Full or closed: both show in receive(), by silence or by the end of the channel.
            return False
        return True

    def receive(self) -> tuple[list[Record], bool]:
        """Return the reports that came, and whether the keeper is still to be trusted."""
        reports, self._set_by = self._set_by, []
        while self._channel is not None and not self._distrust:
            try:
                packet = self._channel.recv(PACKET_BYTES + 1)
            except BlockingIOError:
                break
            except ConnectionResetError:
                # It died with words of ours unread; what it had told before is still to be read.
                continue
            except OSError as error:
                self._distrust = str(error)
                break
            self._unanswered_since = None
            try:
                record = unpack(packet)
                if self._ready_by is not None:
                    self._note_ready(record)
            except Damaged as error:
                self._distrust = str(error) if packet else "it has left"
                break
            if record.kind is Kind.REFUSED and not record.order:
                # It could not read an order of ours: no order of this channel can be trusted.
                self._distrust = "it could not read an order"
            elif record.kind is Kind.DISMISSED:
                if record.order == self._dismissing:
                    self._dismissing, self._begun_by_foot = 0, record.a_ns
            elif record.kind is Kind.ALIVE:
                self.lamp_left_ns = None if record.a_ns < 0 else record.a_ns
                self.is_lamp_well = record.reason is Reason.NONE
            elif record.kind is not Kind.READY:
                reports.append(record)
                self.is_lamp_well &= record.kind is not Kind.ALARM
        now = time.monotonic()
        is_late = self._ready_by is not None and now > self._ready_by
        is_silent = self._unanswered_since is not None and (
            now - self._unanswered_since >= SILENCE_SECONDS
        )
        return reports, not (self._distrust or is_late or is_silent)

    def _note_ready(self, record: Record) -> None:
        if record.kind is not Kind.READY:
            raise Damaged(f"it said {record.kind.name} before it was ready")
        self._ready_by = None
        self.scheduled, self.locked = bool(record.a_ns), bool(record.b_ns)
        self.foot_was_down = bool(record.order)

    def fail(self) -> int:
        """Kill what is left of the keeper and force the lamp off; returns the instant of off."""
        self._kill()
        off_ns = force_off(self._settings.lamp, self._clock)
        # For the next daemon, if this one should not live to write it down.
        with suppress(StoreError):
            note_forced_off(self._settings.journal, off_ns)
        return off_ns

    def abandon(self) -> None:
        """Kill the keeper and force the lamp off as far as that can be done."""
        with suppress(HardwareError, ValueError):
            self.fail()

    def _kill(self) -> None:
        if self._process is not None:
            # Killed even where it seems dead: a stopped process still owns the line.
            with_pid = self._process
            with_pid.kill()
            with_pid.wait()
            if with_pid.stderr:
                with_pid.stderr.close()
            self._process = None
        self._ready_by = self._unanswered_since = None
        self._distrust = ""
        if self._channel is not None:
            self._channel.close()
            self._channel = None

    def stop(self) -> None:
        """End the keeper in order: the closing of the channel makes it switch off and leave."""
        if self._channel is not None:
            self._channel.close()
            self._channel = None
        if self._process is not None:
            try:
                self._process.wait(timeout=2.0)
            except subprocess.TimeoutExpired:
                self.abandon()
                return
            if self._process.returncode:
                # It was killed, or failed: nothing says that it has switched off.
                self.abandon()
                return
            if self._process.stderr:
                self._process.stderr.close()
            self._process = None
