"""The simulated twins: no wire, no Pi, the same promises.

Each keeps a timed history for tests and rehearsals, and refuses what the real
device refuses. Light enough for the process that owns the lamp: nothing here
imports more than a few small modules before it is needed.
"""

from __future__ import annotations

import errno
import os
import stat
import struct
import time

from hardware.errors import HardwareError

TYPE_CHECKING = False  # known to type checkers; `typing` itself would cost 2 MiB
if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from hardware.interface import Note, PedalEdge

# Stamp in ns, level, writer's process number. 16 bytes divide a page, so that no record
# is ever split over two pages and a reader sees it whole or not at all.
_RECORD = struct.Struct("=qii")
_NS_PER_SECOND = 1_000_000_000


class LineChange:
    """One write to a simulated line: when, which level, and by which process."""

    __slots__ = ("at_ns", "level", "pid")  # a dataclass would cost 3 MiB

    def __init__(self, at_ns: int, level: bool, pid: int) -> None:
        self.at_ns = at_ns
        self.level = level
        self.pid = pid

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, LineChange):
            return NotImplemented
        return (self.at_ns, self.level, self.pid) == (other.at_ns, other.level, other.pid)

    def __hash__(self) -> int:
        return hash((self.at_ns, self.level, self.pid))

    def __repr__(self) -> str:
        return f"LineChange(at_ns={self.at_ns}, level={self.level}, pid={self.pid})"


class SimulatedLine:
    """A file that stands for the wire to the lamp.

    Several processes may hold it at once, and it keeps its level when one of them
    dies, as the line of a Raspberry Pi may do. Every write is recorded, also one
    that changes nothing. ``now_ns`` is the clock for writes that give no stamp of
    their own, in nanoseconds. Raises HardwareError where the file can't be opened.
    """

    def __init__(
        self, path: str | os.PathLike[str], now_ns: Callable[[], int] = time.monotonic_ns
    ) -> None:
        self.path = os.fspath(path)
        self.now_ns = now_ns
        self._fd = -1
        try:
            self._fd = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC)
        except OSError as error:
            raise HardwareError(
                f"the simulated line {self.path} can't be opened ({error.strerror}): "
                "choose a file in a folder that this user may write to."
            ) from error

    def write(self, level: bool, at_ns: int | None = None) -> None:
        """Put ``level`` on the line, stamped ``at_ns``, or now where it is None."""
        record = _RECORD.pack(self.now_ns() if at_ns is None else at_ns, level, os.getpid())
        try:
            # One write with O_APPEND: records of several processes never mix.
            whole = os.write(self._open_fd(), record) == len(record)
        except OSError as error:
            raise HardwareError(
                f"the simulated line {self.path} can't be written ({error.strerror}): "
                "free some space on its disk and start again."
            ) from error
        if not whole:
            raise HardwareError(
                f"the simulated line {self.path} was written only in part: "
                "free some space on its disk, delete the file and start again."
            )

    @property
    def level(self) -> bool:
        """The level of the last write; False on a line that was never written."""
        size = self._size()
        return size > 0 and _change(self._read(size - _RECORD.size, _RECORD.size)).level

    def history(self) -> list[LineChange]:
        """Return every write by any process since the file was made, oldest first."""
        records = self._read(0, self._size())
        step = _RECORD.size
        return [_change(records[at : at + step]) for at in range(0, len(records), step)]

    def own(self) -> None:
        """Have the line alone, as one on a chip, until it is closed or this process ends.

        Raises HardwareError where another keeper has it.
        """
        import fcntl  # noqa: PLC0415 - only where it is needed

        try:
            fcntl.flock(self._open_fd(), fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise HardwareError(
                f"the simulated line {self.path} belongs to another keeper ({error.strerror}): "
                "stop the daemon that started it first."
            ) from error

    def close(self) -> None:
        """Let go of the file and leave the level as it is; a second call does nothing."""
        fd, self._fd = self._fd, -1
        if fd >= 0:
            os.close(fd)

    def _open_fd(self) -> int:
        if self._fd < 0:
            raise HardwareError(
                f"the simulated line {self.path} was closed: open it again before using it."
            )
        return self._fd

    def _size(self) -> int:
        size = os.fstat(self._open_fd()).st_size
        if size % _RECORD.size:
            raise HardwareError(
                f"the simulated line {self.path} is damaged (its last record is cut off): "
                "delete the file and start again."
            )
        return size

    def _read(self, at: int, length: int) -> bytes:
        read = os.pread(self._open_fd(), length, at)
        if len(read) != length:
            raise HardwareError(
                f"the simulated line {self.path} became shorter while it was read: "
                "leave the file alone while the controller runs."
            )
        return read


def _change(record: bytes) -> LineChange:
    at_ns, level, pid = _RECORD.unpack(record)
    return LineChange(at_ns, bool(level), pid)


class SimulatedLamp:
    """A Lamp on a simulated line, which it leaves open when it is closed itself.

    Faults, to be set at any time: ``fail_writes`` makes every switching raise
    HardwareError; ``welded`` keeps the line on once it is on, as a contact does
    that has welded together.
    """

    def __init__(
        self, line: SimulatedLine, *, fail_writes: bool = False, welded: bool = False
    ) -> None:
        self.line = line
        self.fail_writes = fail_writes
        self.welded = welded
        self._closed = False
        self.off()

    def on(self) -> None:
        """Switch on; raises HardwareError where it is closed or told to fail."""
        self._switch(True)

    def off(self) -> None:
        """Switch off; raises HardwareError where it is closed or told to fail."""
        self._switch(False)

    @property
    def is_on(self) -> bool:
        """The level that the line has now, whoever wrote it."""
        self._check_open()
        return self.line.level

    def close(self) -> None:
        """Switch off and let go of the line; a second call does nothing."""
        if self._closed:
            return
        try:
            self.off()
        finally:
            self._closed = True

    def _check_open(self) -> None:
        if self._closed:
            raise HardwareError("the simulated lamp was closed: open it again before using it.")

    def _switch(self, wanted: bool) -> None:
        self._check_open()
        if self.fail_writes:
            raise HardwareError(
                f"the simulated lamp on {self.line.path} can't be switched "
                f"{'on' if wanted else 'off'} (it was told to fail): clear its fault."
            )
        self.line.write(wanted or (self.welded and self.line.level))


def _open_pipe(path: str, flags: int) -> int:
    """Open the named pipe at ``path``; raises OSError where it is none."""
    fd = os.open(path, flags | os.O_NONBLOCK | os.O_CLOEXEC)
    if stat.S_ISFIFO(os.fstat(fd).st_mode):
        return fd
    os.close(fd)
    raise OSError(errno.EINVAL, "it is no named pipe")


class SimulatedFoot:
    """A foot on the far end of a simulated pedal's wire, which is a named pipe at ``path``.

    Raises HardwareError where there is no such pipe, or nobody reads it. Pressing and
    lifting raise BrokenPipeError where its reader has gone, BlockingIOError where the
    reader has left so many edges unread that the pipe is full.
    """

    def __init__(
        self, path: str | os.PathLike[str], now_ns: Callable[[], int] = time.monotonic_ns
    ) -> None:
        self._now_ns = now_ns
        try:
            self._fd = _open_pipe(os.fspath(path), os.O_WRONLY)
        except OSError as error:
            raise HardwareError(
                f"the simulated pedal {os.fspath(path)} can't be pressed ({error.strerror}): "
                "start the controller first."
            ) from error

    def press(self) -> int:
        """Come down, and return the stamp of it in nanoseconds."""
        return self._write(True)

    def lift(self) -> int:
        """Lift, and return the stamp of it in nanoseconds."""
        return self._write(False)

    def close(self) -> None:
        """Go away, and leave the pedal as it is; a second call does nothing."""
        fd, self._fd = self._fd, -1
        if fd >= 0:
            os.close(fd)

    def _write(self, down: bool) -> int:
        at_ns = self._now_ns()
        os.write(self._fd, _RECORD.pack(at_ns, down, os.getpid()))
        return at_ns


class SimulatedPedalWire:
    """A PedalWire that is a named pipe at ``path``; :class:`SimulatedFoot` is at its far end.

    Unlike a real pedal's line it tells only of edges: a foot whose press was read before
    this wire was opened is taken to be up. Raises HardwareError where there is no pipe and
    none can be made, and where something else than a foot writes to it.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self._path = os.fspath(path)
        self._down = False
        self._fd = -1
        try:
            if not os.path.exists(self._path):  # noqa: PTH110 - pathlib would cost 2 MiB
                os.mkfifo(self._path, 0o660)
            # For writing too: a pipe whose last foot has gone would be readable for ever.
            self._fd = _open_pipe(self._path, os.O_RDWR)
        except OSError as error:
            raise HardwareError(
                f"the simulated pedal {self._path} can't be opened ({error.strerror}): "
                "give it a path of its own, in a folder that this user may write to."
            ) from error
        try:
            while self.read():  # edges that nobody saw tell no more than where the foot is now
                pass
        except HardwareError:
            self.close()
            raise

    def fileno(self) -> int:
        """Return the file descriptor that becomes readable with an edge."""
        if self._fd < 0:
            raise HardwareError(
                f"the simulated pedal {self._path} was closed: open it again before using it."
            )
        return self._fd

    @property
    def is_down(self) -> bool:
        """Whether the last edge that was read is a press."""
        self.fileno()
        return self._down

    def read(self) -> list[tuple[bool, int]]:
        """Return the edges that came since the last call."""
        try:
            records = os.read(self.fileno(), 16 * _RECORD.size)
        except BlockingIOError:
            return []
        if len(records) % _RECORD.size:
            raise HardwareError(
                f"the simulated pedal {self._path} was given something that is no edge: "
                "let nothing but a simulated foot write to it."
            )
        edges = [(bool(down), at_ns) for at_ns, down, _ in _RECORD.iter_unpack(records)]
        if edges:
            self._down = edges[-1][0]
        return edges

    def close(self) -> None:
        """Let go of the pipe; a second call does nothing."""
        fd, self._fd = self._fd, -1
        if fd >= 0:
            os.close(fd)


class SimulatedSense:
    """A Sense that sees the simulated line at ``path``, with the faults of a switch.

    A file beside the line with ``.fault`` at its end says what has failed: with
    "welded" in it the lamp burns on however it is switched, with "dead" it never burns.
    Raises HardwareError where the line or that file can't be read.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self._line = SimulatedLine(path)
        self._fault = f"{os.fspath(path)}.fault"

    @property
    def is_lit(self) -> bool:
        """Whether the lamp would be seen to burn."""
        level = self._line.level
        try:
            with open(self._fault, "rb") as file:  # noqa: PTH123 - pathlib costs 2 MiB
                fault = file.read().strip()
        except FileNotFoundError:
            return level
        except OSError as error:
            raise HardwareError(
                f"the simulated sense contact can't be read ({self._fault}: {error.strerror}): "
                "let it be a file that this user may read, or delete it."
            ) from error
        return fault == b"welded" or (fault != b"dead" and level)

    def close(self) -> None:
        """Let go of the line; a second call does nothing."""
        self._line.close()


class SimulatedPedal:
    """A Pedal that is worked by calls: ``press``, ``lift`` and ``bounce``.

    ``history`` has every edge since it was opened. Edges are delivered in the
    thread of the caller. A watcher that fails is logged, and the others are told.
    """

    def __init__(self, now_ns: Callable[[], int] = time.monotonic_ns) -> None:
        self.history: list[PedalEdge] = []
        self._now_ns = now_ns
        self._watchers: list[Callable[[PedalEdge], None]] = []
        self._down = False
        self._closed = False

    def watch(self, on_edge: Callable[[PedalEdge], None]) -> None:
        """Call ``on_edge`` at every edge from now on, after the watchers before it."""
        self._check_open()
        self._watchers.append(on_edge)

    @property
    def is_down(self) -> bool:
        """Whether the switch is pressed now."""
        self._check_open()
        return self._down

    def close(self) -> None:
        """Let go of the switch; no more edges come, however it is pressed."""
        self._closed = True
        self._watchers.clear()

    def press(self, at_ns: int | None = None) -> None:
        """Put the foot down, stamped ``at_ns`` or now; no edge where it is down already."""
        self._move(True, self._now_ns() if at_ns is None else at_ns)

    def lift(self, at_ns: int | None = None) -> None:
        """Take the foot off, stamped ``at_ns`` or now; no edge where it is up already."""
        self._move(False, self._now_ns() if at_ns is None else at_ns)

    def bounce(self, down: bool, *, chatters: int = 3, apart_ns: int = 500_000) -> None:
        """Press (or lift, where ``down`` is False) with a contact that chatters.

        The first edge is stamped now. The contact then falls back and closes
        again ``chatters`` times, with ``apart_ns`` from edge to edge, and ends as
        it began: the stamps run ahead of a clock that stands still.
        """
        at_ns = self._now_ns()
        for number in range(2 * chatters + 1):
            self._move(down == (number % 2 == 0), at_ns + number * apart_ns)

    def _check_open(self) -> None:
        if self._closed:
            raise HardwareError("the simulated pedal was closed: open it again before using it.")

    def _move(self, down: bool, at_ns: int) -> None:
        if down == self._down:
            return
        self._down = down
        if self._closed:
            return
        from hardware.interface import PedalEdge  # noqa: PLC0415 - only where a pedal is used

        edge = PedalEdge(down, at_ns)
        self.history.append(edge)
        for on_edge in tuple(self._watchers):
            try:
                on_edge(edge)
            except Exception:
                import logging  # noqa: PLC0415 - only in trouble; it costs 2 MiB

                logging.getLogger(__name__).exception("a watcher of the pedal failed at %s", edge)


class SimulatedSounder:
    """A Sounder that makes no sound but knows what would be heard.

    ``played`` has (stamp in ns, notes) for each sound that was started,
    ``silenced`` the stamp of each order to stop, closing included.
    """

    def __init__(self, now_ns: Callable[[], int] = time.monotonic_ns) -> None:
        self.played: list[tuple[int, tuple[Note, ...]]] = []
        self.silenced: list[int] = []
        self._now_ns = now_ns
        self._current: tuple[int, tuple[Note, ...]] | None = None
        self._closed = False

    def play(self, notes: Sequence[Note]) -> None:
        """Start the sound; raises HardwareError where the sounder is closed."""
        self._check_open()
        self._current = (self._now_ns(), tuple(notes))
        self.played.append(self._current)

    def silence(self) -> None:
        """Stop whatever sounds; raises HardwareError where the sounder is closed."""
        self._check_open()
        self._stop()

    @property
    def sounding(self) -> float | None:
        """The pitch in hertz that is heard at this instant; None in silence and in rests."""
        if self._current is None:
            return None
        ends_ns, notes = self._current
        now_ns = self._now_ns()
        for note in notes:
            ends_ns += round(note.seconds * _NS_PER_SECOND)
            if now_ns < ends_ns:
                return note.hertz
        return None

    def close(self) -> None:
        """Fall silent; a second call does nothing."""
        if not self._closed:
            self._closed = True
            self._stop()

    def _check_open(self) -> None:
        if self._closed:
            raise HardwareError("the simulated sounder was closed: open it again before using it.")

    def _stop(self) -> None:
        self._current = None
        self.silenced.append(self._now_ns())


class SimulatedReadout:
    """A Readout in memory: ``lines`` is shown now, ``history`` has (stamp in ns, lines)."""

    def __init__(self, now_ns: Callable[[], int] = time.monotonic_ns) -> None:
        self.lines: tuple[str, ...] = ()
        self.history: list[tuple[int, tuple[str, ...]]] = []
        self._now_ns = now_ns
        self._closed = False

    def show(self, lines: Sequence[str]) -> None:
        """Replace what is shown; raises HardwareError where the readout is closed."""
        if self._closed:
            raise HardwareError("the simulated readout was closed: open it again before using it.")
        self._replace(tuple(lines))

    def close(self) -> None:
        """Go blank; a second call does nothing."""
        if not self._closed:
            self._closed = True
            self._replace(())

    def _replace(self, lines: tuple[str, ...]) -> None:
        self.lines = lines
        self.history.append((self._now_ns(), lines))


class SimulatedLightProbe:
    """A LightProbe under a light of ``lux``, which may be set at any time.

    ``lux`` None is the fault of a meter that can't be read. ``history`` has
    (stamp in ns, lux) for each reading.
    """

    def __init__(self, lux: float | None, now_ns: Callable[[], int] = time.monotonic_ns) -> None:
        self.lux = lux
        self.history: list[tuple[int, float]] = []
        self._now_ns = now_ns
        self._closed = False

    def read_lux(self) -> float:
        """Return the illuminance in lux; raises HardwareError where it can't be read."""
        if self._closed:
            raise HardwareError("the simulated probe was closed: open it again before using it.")
        if self.lux is None:
            raise HardwareError("the simulated probe gives no reading: give it a light in lux.")
        self.history.append((self._now_ns(), self.lux))
        return self.lux

    def close(self) -> None:
        """Let go of the meter; a second call does nothing."""
        self._closed = True
