"""The daemon: everything put together, started in the order of dependence, ended in reverse."""

import asyncio
import logging
import signal
import sys
import time
from contextlib import AsyncExitStack, suppress
from dataclasses import replace
from pathlib import Path

from hardware.interface import Pedal, Sounder
from timer.clock import SteadyClock, to_ns
from timer.control.control import Control
from timer.control.cues import Cue
from timer.control.run import Run
from timer.control.table import Input
from timer.errors import ServiceError
from timer.keeper.journal import read_journal, set_journal_aside
from timer.keeper.link import KeeperLink, KeeperSettings
from timer.programmes.store import ProgrammeStore
from timer.record.store import Record
from timer.service.config import Config
from timer.service.dark_way import DarkWay, KeeperLamp
from timer.service.devices import open_pedal, open_sounder
from timer.service.interface import serve_interface
from timer.service.listeners import Listeners
from timer.service.lock import only_daemon
from timer.service.record_writer import RecordWriter
from timer.service.recovery import recover
from timer.service.systemd import notify
from timer.storage.database import open_database

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
# A thread that computes gives the interpreter up this often, so that the dark way gets its turn.
_SWITCH_SECONDS = 0.0005
# So many seconds' worth of beats in a row without a keeper, and systemd is to start anew.
_FAILED_SECONDS = 10.0
# Of the time for which the keeper trusts a silent daemon: the beats at work, and at rest.
_BEATS_AT_WORK, _BEATS_AT_REST = 1 / 10, 1 / 4
_log = logging.getLogger(__name__)


class Daemon:
    """The running daemon; use it with ``async with``.

    ``pedal`` and ``sounder`` take the place of those that the configuration
    names; ``keeper_command`` that of the keeper's own start.
    """

    def __init__(
        self,
        config: Config,
        clock: SteadyClock | None = None,
        *,
        pedal: Pedal | None = None,
        sounder: Sounder | None = None,
        keeper_command: tuple[str, ...] | None = None,
    ) -> None:
        self.config = config
        self.clock = clock or SteadyClock()
        self._pedal = pedal
        self._sounder = sounder
        self._keeper_command = keeper_command
        self._stack = AsyncExitStack()
        self.failed: asyncio.Event = asyncio.Event()
        self.store: ProgrammeStore
        self.record: Record
        self.writer: RecordWriter
        self.control: Control
        self.dark_way: DarkWay
        self.listeners: Listeners
        self.link: KeeperLink

    async def __aenter__(self) -> "Daemon":
        try:
            await self._start()
        except BaseException:
            await self._stack.aclose()
            raise
        return self

    async def __aexit__(self, *_exception: object) -> None:
        notify("STOPPING=1")
        # First of all, for the listeners may take their time to leave.
        self.dark_way.begin_to_stop()
        await self._stack.aclose()

    async def _start(self) -> None:
        loop = asyncio.get_running_loop()
        runtime, data = Path(self.config.service.runtime), Path(self.config.service.data)
        for folder in (runtime, data):
            _make_folder(folder)
        self._stack.enter_context(only_daemon(runtime))
        self._stack.callback(sys.setswitchinterval, sys.getswitchinterval())
        sys.setswitchinterval(_SWITCH_SECONDS)

        # The keeper comes first: its first act is to switch the lamp off.
        old_journal = set_journal_aside(self.config.journal)
        kept = read_journal(old_journal)
        self.link = self._new_link()
        self.link.start()
        self._stack.callback(self.link.stop)
        off_ns = self.clock.monotonic_ns()

        database = open_database(self.config.database)
        self._stack.callback(database.close)
        self.store, self.record = ProgrammeStore(database), Record(database)
        boot_id = _boot_id()
        recovered = recover(self.record, kept.values(), boot_id, off_ns)
        old_journal.unlink(missing_ok=True)
        self.link.number_orders_after(max([self.record.latest_order(), *kept]))

        self._sounder = self._sounder or open_sounder(self.config, self.clock.monotonic_ns)
        if self._sounder is not None:
            self._stack.callback(self._sounder.close)
        self.listeners = Listeners(loop, self._sounder)
        self.writer = RecordWriter(self.record, boot_id, self._troubled)
        self._stack.callback(self.writer.stop)
        self.control = Control(
            KeeperLamp(self.link),
            self.writer,
            self.listeners,
            self.config.control_at(self.clock.rate),
            resumed=recovered.run,
            paper_is_out=recovered.paper_is_out,
            recovered=recovered.text,
        )
        self.dark_way = DarkWay(self.control, self.link, self.clock)
        self.writer.stored = self._stored
        self.dark_way.start()
        self._stack.callback(self.dark_way.stop)
        self._watch_pedal()
        if recovered.text:
            _log.warning("%s", recovered.text)
            self.listeners.cue(Cue.HELD, self.clock.monotonic_ns(), None)
        await serve_interface(self, self._stack)
        beating = loop.create_task(self._beat())
        self._stack.push_async_callback(_end, beating)
        notify("READY=1")

    def _new_link(self) -> KeeperLink:
        config, rate = self.config, self.clock.rate
        settings = KeeperSettings(
            lamp=config.lamp_text,
            longest_ns=to_ns(config.lamp.longest_s),
            # Real time: an accelerated clock must not make the keeper impatient.
            beats_ns=to_ns(config.service.beats_s) * rate,
            journal=config.journal,
            clock_rate=rate,
            # A pedal that was handed in is read here.
            pedal=config.pedal_text if self._pedal is None else "",
            pedal_times=config.control_at(rate).pedal_times,
            pedal_holds=config.pedal.holds,
            sense=config.sense_text,
            settle_ns=to_ns(config.lamp.settle_s),
            most_per_hour_ns=to_ns(config.lamp.most_per_hour_s),
        )
        if self._keeper_command is not None:
            settings = replace(settings, command=self._keeper_command)
        return KeeperLink(settings, self.clock)

    def _watch_pedal(self) -> None:
        if self.link.has_pedal:
            # Its edges come through the channel, and the first tells where the foot is.
            if self.link.foot_was_down:
                self._tell_foot_is_down()
            return
        pedal = self._pedal = self._pedal or open_pedal(self.config)
        if pedal is None:
            return
        self._stack.callback(pedal.close)
        if pedal.is_down:
            # In this order: what such a foot means by lifting was meant for before the fault.
            self.dark_way.edge(True, self.clock.monotonic_ns())
            self._tell_foot_is_down()
        pedal.watch(lambda edge: self.dark_way.edge(edge.down, edge.at_ns))

    def _tell_foot_is_down(self) -> None:
        fault = "the pedal was down at start; lift the foot or free the pedal, then clear"
        self.dark_way.handle(Input.STUCK, fault=fault)

    def _stored(self, answer: Input, run: Run) -> None:
        self.dark_way.handle(answer, run=run)

    def _troubled(self, sentence: str) -> None:
        self.listeners.trouble(sentence)
        self.listeners.cue(Cue.NOT_STORED, self.clock.monotonic_ns(), None)

    async def _beat(self) -> None:
        """Show the keeper and systemd that loop, dark way and keeper are well."""
        try:
            await self._go_on_beating()
        except Exception:
            _log.exception("the daemon's beat failed; the daemon ends")
            self.failed.set()

    async def _go_on_beating(self) -> None:
        failed = 0.0
        while True:
            self.dark_way.beat()
            part = _BEATS_AT_WORK if self.dark_way.is_at_work else _BEATS_AT_REST
            pause = part * self.config.service.beats_s
            if self.dark_way.is_well and self.writer.is_alive:
                notify("WATCHDOG=1")
                failed = 0.0
            else:
                # Beats are summed, not time: a machine that stood still is not a failure.
                failed += pause
            if failed > _FAILED_SECONDS or not self.dark_way.is_alive:
                _log.error("the dark way or the keeper is gone for good; the daemon ends")
                self.failed.set()
                return
            await asyncio.sleep(pause)


async def serve(config: Config) -> None:
    """Run the daemon until SIGTERM or SIGINT; the lamp is off when this returns."""
    loop = asyncio.get_running_loop()
    asked = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        loop.add_signal_handler(number, asked.set)
    async with Daemon(config) as daemon:
        _log.info("ready; the socket is %s", config.service.socket)
        waits = [loop.create_task(asked.wait()), loop.create_task(daemon.failed.wait())]
        await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
        for one in waits:
            await _end(one)
        if daemon.failed.is_set():
            raise ServiceError(
                "the keeper or the dark way failed and did not come back; see the log"
            )


async def _end(task: "asyncio.Task[object]") -> None:
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ServiceError(
            f"{folder}: this folder can't be made ({error.strerror}); make it, or name another one"
            " in the configuration under [service]"
        ) from None


def _boot_id() -> str:
    try:
        return _BOOT_ID.read_text(encoding="ascii").strip()
    except OSError:
        # Unknown: no stamp from before may be compared with one of now.
        return f"unknown-{time.time_ns()}"
