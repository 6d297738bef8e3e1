"""The daemon's end of the keeper: starting it, ordering, hearing, and acting when it fails.

When the keeper dies or falls silent, the link kills what is left of it and
forces the lamp off through a lamp of its own, in the thread that noticed it.
"""

import socket
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from hardware.errors import HardwareError
from timer.clock import Clock, SteadyClock
from timer.errors import KeeperError
from timer.keeper.lamps import open_lamp
from timer.keeper.protocol import PACKET_BYTES, Damaged, Kind, Reason, Record, pack, unpack

START_SECONDS = 10.0
# The keeper says that it is alive ten times a second; this long a silence is a hang.
SILENCE_SECONDS = 1.0
_FORCE_TRIES = 100
_FORCE_PAUSE_SECONDS = 0.002


@dataclass(frozen=True, slots=True)
class KeeperSettings:
    """How to start a keeper: the lamp's text form, the limits in nanoseconds, the journal."""

    lamp: str
    longest_ns: int
    beats_ns: int
    journal: Path
    clock_rate: int = 1
    command: tuple[str, ...] = (sys.executable, "-m", "timer.keeper")


def force_off(lamp: str, clock: Clock) -> None:
    """Switch the line off without any keeper; HardwareError where the line can't be had."""
    for attempt in range(_FORCE_TRIES):
        try:
            open_lamp(lamp, clock.monotonic_ns).close()
        except HardwareError:
            # The kernel may need a moment to take the line from a process that it has ended.
            if attempt == _FORCE_TRIES - 1:
                raise
            time.sleep(_FORCE_PAUSE_SECONDS)
        else:
            return


def _ready(packet: bytes) -> Record:
    record = unpack(packet)
    if record.kind is not Kind.READY:
        raise Damaged(f"it said {record.kind.name} before it was ready")
    return record


class KeeperLink:
    """One keeper process and the channel to it; used from one thread."""

    def __init__(self, settings: KeeperSettings, clock: SteadyClock) -> None:
        self._settings = settings
        self._clock = clock
        self._process: subprocess.Popen[bytes] | None = None
        self._channel: socket.socket | None = None
        self._heard_at = 0.0
        self._last_order = int(time.time() * 1000)
        self.scheduled = False
        self.locked = False

    def number_orders_after(self, order: int) -> None:
        """Give orders numbers above ``order``, wherever the wall clock stands."""
        self._last_order = max(self._last_order, order)

    @property
    def is_up(self) -> bool:
        """Whether a keeper is there that has not been seen to fail."""
        return self._channel is not None

    @property
    def pid(self) -> int | None:
        """The keeper's process number, None where there is none."""
        return self._process.pid if self._process and self.is_up else None

    def fileno(self) -> int:
        """Return the channel's file descriptor, to wait on; -1 where no keeper is up."""
        return self._channel.fileno() if self._channel else -1

    def start(self) -> None:
        """Start a keeper and wait until it has switched off; KeeperError where that fails."""
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with theirs:
            one = self._settings
            try:
                self._process = subprocess.Popen(
                    [
                        *one.command,
                        one.lamp,
                        str(theirs.fileno()),
                        str(one.clock_rate),
                        str(one.longest_ns),
                        str(one.beats_ns),
                        str(one.journal),
                    ],
                    pass_fds=(theirs.fileno(),),
                    stdin=subprocess.DEVNULL,
                    stderr=subprocess.PIPE,
                    # A Ctrl-C at the terminal is for the daemon, which closes down in order.
                    start_new_session=True,
                )
            except OSError as error:
                ours.close()
                raise KeeperError(f"the keeper did not start ({error}); see its log") from None
        ours.settimeout(START_SECONDS)
        self._channel = ours
        try:
            ready = _ready(ours.recv(PACKET_BYTES + 1))
        except (Damaged, OSError) as error:
            said = self._what_it_said()
            self.abandon()
            raise KeeperError(said or f"the keeper did not start ({error}); see its log") from None
        ours.setblocking(False)
        self._heard_at = time.monotonic()
        self.scheduled, self.locked = bool(ready.a_ns), bool(ready.b_ns)

    def _what_it_said(self) -> str:
        """Return the last line that a keeper which did not start wrote about it."""
        process = self._process
        if process is None or process.stderr is None:
            return ""
        try:
            lines = process.communicate(timeout=1.0)[1].decode(errors="replace").split("\n")
        except subprocess.TimeoutExpired:
            return ""
        return next((line for line in reversed(lines) if line.strip()), "")

    def order(self, kind: Kind, duration_ns: int = 0) -> int:
        """Send an order and return its number, 0 where no keeper is there to take it."""
        self._last_order += 1
        return (
            self._last_order
            if self._send(Record(kind, Reason.NONE, self._last_order, duration_ns))
            else 0
        )

    def beat(self) -> None:
        """Tell the keeper that the daemon is well."""
        self._send(Record(Kind.BEAT))

    def _send(self, record: Record) -> bool:
        if self._channel is None:
            return False
        try:
            self._channel.send(pack(record), socket.MSG_NOSIGNAL)
        except OSError:
            # Full or closed: both show in receive(), by silence or by the end of the channel.
            return False
        return True

    def receive(self) -> tuple[list[Record], bool]:
        """Return the reports that came, and whether the keeper is still to be trusted."""
        reports: list[Record] = []
        if self._channel is None:
            return reports, True
        while True:
            try:
                packet = self._channel.recv(PACKET_BYTES + 1)
            except BlockingIOError:
                break
            except OSError:
                return reports, False
            if not packet:
                return reports, False
            self._heard_at = time.monotonic()
            try:
                record = unpack(packet)
            except Damaged:
                return reports, False
            if record.kind is not Kind.ALIVE:
                reports.append(record)
        return reports, time.monotonic() - self._heard_at < SILENCE_SECONDS

    def fail(self) -> int:
        """Kill what is left of the keeper and force the lamp off; returns the instant of off."""
        self._kill()
        force_off(self._settings.lamp, self._clock)
        return self._clock.monotonic_ns()

    def abandon(self) -> None:
        """Kill the keeper and force the lamp off as far as that can be done."""
        self._kill()
        try:
            force_off(self._settings.lamp, self._clock)
        except (HardwareError, ValueError):
            return

    def _kill(self) -> None:
        if self._process is not None:
            # Killed even where it seems dead: a stopped process still owns the line.
            with_pid = self._process
            with_pid.kill()
            with_pid.wait()
            if with_pid.stderr:
                with_pid.stderr.close()
            self._process = None
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
