"""A daemon in the test's own process, with a foot and a clock to be moved by the test."""

import asyncio
import threading
import time
from contextlib import asynccontextmanager, closing
from itertools import pairwise

from hardware.errors import HardwareError
from hardware.simulated import SimulatedFoot, SimulatedLine, SimulatedPedal
from timer.clock import SteadyClock, to_ns
from timer.control.run import Run
from timer.control.table import Input, State
from timer.photo.prints import Print
from timer.programmes.model import Programme
from timer.record.store import Record
from timer.rehearsal.sheet import lamp_periods
from timer.service.daemon import Daemon
from timer.service.rehearsal import rehearsal_config
from timer.storage.database import open_database

from .enlarger_in_words import MS

PATIENCE_SECONDS = 30.0


class FootOnWire:
    """A foot on the pedal that the keeper itself reads; it does what a simulated pedal does."""

    def __init__(self, path, clock):
        self.history = []
        self._at_ns = None
        self._foot = SimulatedFoot(path, lambda: self._at_ns or clock.monotonic_ns())
        self._is_away = False

    def press(self, at_ns=None):
        self._move(True, at_ns)

    def lift(self, at_ns=None):
        self._move(False, at_ns)

    def close(self):
        if not self._is_away:
            self._is_away = True
            self._foot.close()

    def _move(self, down, at_ns):
        if self._is_away:
            return
        self._at_ns = at_ns
        gives_up_at = time.monotonic() + PATIENCE_SECONDS
        while True:
            try:
                self.history.append((down, self._foot.press() if down else self._foot.lift()))
            except (BlockingIOError, HardwareError):  # the pipe is full for a moment
                assert time.monotonic() < gives_up_at, "the keeper reads no edges any more"
                time.sleep(0.001)
            else:
                return


@asynccontextmanager
async def enlarger(folder, rate, *, foot_is_down=False, by_keeper=False, keeper_command=None):
    """A daemon in this process, whose foot and clock are the test's own, and its line.

    The foot is on a pedal that the daemon reads, or, ``by_keeper``, on one that the keeper does.
    """
    config, clock = rehearsal_config(folder), SteadyClock(rate)
    if by_keeper:
        async with Daemon(config, clock, keeper_command=keeper_command) as daemon:
            with closing(FootOnWire(config.pedal_text.partition(":")[2], clock)) as foot:
                yield Worked(daemon, foot)
        return
    pedal = SimulatedPedal(clock.monotonic_ns)
    if foot_is_down:
        pedal.press()
    async with Daemon(config, clock, pedal=pedal, keeper_command=keeper_command) as daemon:
        yield Worked(daemon, pedal)


class Worked:
    """The daemon, its foot, and what the lamp's line did."""

    def __init__(self, daemon, pedal):
        self.daemon, self.pedal, self.clock = daemon, pedal, daemon.clock
        self._path = daemon.config.lamp_text.partition(":")[2]

    def history(self):
        line = SimulatedLine(self._path)
        try:
            return line.history()
        finally:
            line.close()

    @property
    def is_lit(self):
        return self.history()[-1].level

    def periods(self):
        """From when to when the line was on, by its own history."""
        return lamp_periods(self.history())

    def turned_on(self):
        """How often the line went from off to on."""
        levels = [False, *(change.level for change in self.history())]
        return sum(after and not before for before, after in pairwise(levels))

    async def say(self, one, run=None):
        return await asyncio.wrap_future(self.daemon.dark_way.handle(one, run=run))

    async def status(self):
        return await asyncio.wrap_future(self.daemon.dark_way.status())

    async def until(self, condition, what):
        gives_up_at = time.monotonic() + PATIENCE_SECONDS
        while not condition():
            assert time.monotonic() < gives_up_at, f"waited in vain until {what}"
            await asyncio.sleep(0.002)

    async def until_state(self, *states):
        await self.until(lambda: self.daemon.control.state in states, f"it is {states}")

    async def seconds(self, seconds):
        """Wait by the daemon's own clock."""
        await asyncio.sleep(self.clock.real_seconds(to_ns(seconds)))

    async def tap(self):
        """Tap for 0.2 s; both edges are told when it is over: no busy machine makes it long."""
        now_ns = self.clock.monotonic_ns()
        await self.seconds(0.2)
        self.pedal.press(now_ns)
        self.pedal.lift(now_ns + 200 * MS)

    async def chatter(self, edges, apart_ns, *, asking_every=500):
        """Have the contact chatter in a thread of its own, and ask the daemon all the while.

        Returns how often it was asked, and how often the machine was so busy that the contact
        seemed to rest for 20 ms.
        """
        told, rests = threading.Semaphore(0), 0

        def work():
            nonlocal rests
            at_ns = self.clock.monotonic_ns()
            for number in range(edges):
                while self.clock.monotonic_ns() < at_ns:
                    time.sleep(0)
                rests += self.clock.monotonic_ns() > at_ns + 20 * MS
                (self.pedal.lift if number % 2 else self.pedal.press)(at_ns)
                at_ns += apart_ns
                if number % asking_every == 0:
                    told.release()

        worker = asyncio.create_task(asyncio.to_thread(work))
        answers = 0
        while not worker.done():
            if not told.acquire(blocking=False):
                await asyncio.sleep(0.001)
                continue
            # An answer has waited its turn behind all edges that were there before it: were
            # they more than are heard, it would come later and later.
            await self.status()
            answers += 1
        await worker
        await self.status()
        return answers, rests

    async def bring_into(self, state, seconds=60.0):
        """Bring it into ``state`` with a print of ``seconds``."""
        if state is State.DARK:
            return
        await self.say(Input.ARM, Run(Programme("Boat shed", print=Print(seconds)), None))
        await self.until_state(State.WAITING)
        if state is State.WAITING:
            return
        await self.seconds(1.0)  # no second tap in a hurry
        await self.tap()
        await self.until(lambda: self.is_lit, "the lamp is on")
        if state is State.HELD:
            await self.seconds(1.0)
            await self.tap()
            await self.until_state(State.HELD)
            await self.until(lambda: not self.is_lit, "the lamp is off")
            await self.seconds(1.0)


def play(folder, rate, story, **how):
    """Run ``story`` with a daemon whose clock runs ``rate`` times as fast as ours."""

    async def run():
        async with enlarger(folder, rate, **how) as one:
            await asyncio.wait_for(story(one), 3 * PATIENCE_SECONDS)

    asyncio.run(run())


def recorded(folder):
    """Return the first sheet's first pass as it stands in the record; the daemon has ended."""
    with closing(open_database(rehearsal_config(folder).database)) as database:
        return Record(database).sheet(1).passes[0]
