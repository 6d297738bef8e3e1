"""What goes wrong with the pedal, and what the printer finds then."""

import asyncio
import random
import threading
import time
from contextlib import asynccontextmanager

import pytest

from hardware.simulated import SimulatedLine, SimulatedPedal
from timer.clock import SteadyClock, to_ns
from timer.control.run import Run
from timer.control.table import Input, State
from timer.photo.prints import Print
from timer.programmes.model import Programme
from timer.rehearsal.sheet import lamp_periods
from timer.service.daemon import Daemon
from timer.service.interface import PRESSES as PRESSES_BY_COMMAND
from timer.service.rehearsal import rehearsal_config

from .enlarger_in_words import MS, S
from .watched import brought_into

PATIENCE_SECONDS = 30.0
FOOT_IS_DOWN = (State.HOLDING, State.ENDING)

PRESSES = 1000
PRESSES_IN_A_GO = 10


@pytest.mark.fault(
    "pedal",
    "The pedal is pressed a thousand times at random, in each state",
    happens="The lamp goes on only by a tap that is meant for what is to be seen, and all light is "
    "in the record.",
    guard="control: what was meant for an earlier moment starts nothing",
    within="",
    annex_h=("interrupt handling", "digital I/O"),
)
@pytest.mark.parametrize("state", list(State))
def test_a_thousand_presses_at_random_start_only_what_they_mean(state):
    chance = random.Random(f"a thousand presses while {state}")
    presses = 0
    while presses < PRESSES:
        room = brought_into(state.value)
        for _ in range(PRESSES_IN_A_GO):
            lasts_ns = round(10 ** chance.uniform(3, 10.3))  # from 1 µs to 20 s
            gap_ns = round(10 ** chance.uniform(6, 9.7))  # from 1 ms to 5 s
            room.moves([(0, True), (lasts_ns, False)])
            room.check()
            room.wait_ns(gap_ns)
            room.check()
            room.check_light()
            presses += 1


# Stuck, cut off, unplugged: by the control's own doors, in each state.


@pytest.mark.fault(
    "pedal",
    "The pedal stays down, whatever is going on",
    happens="The lamp does not go on by it; after pedal.stuck_s a fault is told, which can be "
    "cleared once the foot is up.",
    guard="control: what a foot means is known when it lifts; pedal.stuck_s",
    within="pedal.stuck_s while viewing; at once while exposing",
    annex_h=("digital I/O", "interrupt handling"),
)
@pytest.mark.parametrize("state", list(State))
def test_a_pedal_that_stays_down_starts_nothing_and_is_told(state):
    room = brought_into(state.value)
    room.watched.lit_for.clear()
    room.moves([(0, True)])
    assert not room.is_lit or state is State.VIEWING
    room.wait(15.1)
    assert room.where == "fault"
    assert not room.is_lit
    room.wait(3600.0)
    assert not room.watched.lit_for
    assert not room.say(Input.CLEAR)
    assert not room.say(Input.VIEW)
    room.moves([(0, False)])
    room.wait(1.0)
    if state is not State.FAULT:  # a very long press that was meant for a fault clears it
        assert room.where == "fault"
    assert room.say(Input.CLEAR)
    assert room.where in ("paper out", "waiting", "held")
    assert not room.watched.lit_for
    room.check_light()


@pytest.mark.fault(
    "pedal",
    "The pedal's wire is cut, or its plug is pulled, while the foot is down",
    happens="That is one lift of the foot: what ran is held, and goes no further by itself.",
    guard="control: an exposure is stopped when the foot comes down",
    within="at once, by the foot itself",
    annex_h=("digital I/O", "interrupt handling"),
)
@pytest.mark.parametrize("after_ms", [100, 1000, 3000])
def test_a_wire_that_is_cut_under_the_foot_is_a_foot_that_lifts(after_ms):
    room = brought_into("exposing")
    room.watched.lit_for.clear()
    room.moves([(0, True)])
    assert not room.is_lit
    room.moves([(after_ms * MS, False)])
    room.wait(3600.0)  # no edge ever comes again
    assert room.where == ("held" if after_ms < 800 else "paper out")
    assert not room.watched.lit_for
    room.check_light()


@pytest.mark.fault(
    "pedal",
    "One edge of the pedal is lost: the foot is never seen to lift, or to come down",
    happens="A lift alone means nothing; a press alone is a foot that stays down.",
    guard="control: a tap is a press and a lift",
    within="at once while exposing",
    annex_h=("interrupt handling",),
)
@pytest.mark.parametrize("state", [one for one in State if one not in FOOT_IS_DOWN])
@pytest.mark.parametrize("lost", ["press", "lift"])
def test_a_lost_edge_starts_nothing(state, lost):
    room = brought_into(state.value)
    room.watched.lit_for.clear()
    room.moves([(0, lost == "lift")])
    room.wait(14.0)
    if lost == "lift":
        assert not room.is_lit or state is State.VIEWING
    assert not set(room.watched.lit_for) - {"the pause ended"}
    room.check()


# A daemon, a keeper and a foot.


@asynccontextmanager
async def enlarger(folder, rate, *, foot_is_down=False):
    """A daemon in this process, whose foot and clock are the test's own, and its line."""
    config, clock = rehearsal_config(folder), SteadyClock(rate)
    pedal = SimulatedPedal(clock.monotonic_ns)
    if foot_is_down:
        pedal.press()
    async with Daemon(config, clock, pedal=pedal) as daemon:
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

    def turned_on(self, since=0):
        """How often the line went from off to on."""
        return len(lamp_periods(self.history()[since:])) + (self.is_lit and since == 0)

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
        now_ns = self.clock.monotonic_ns()
        self.pedal.press(now_ns)
        await self.seconds(0.2)
        self.pedal.lift(now_ns + 200 * MS)

    async def chatter(self, edges, apart_ns, *, asking_every=500):
        """Have the contact chatter in a thread of its own, and ask the daemon all the while."""
        told = threading.Semaphore(0)

        def work():
            at_ns = self.clock.monotonic_ns()
            for number in range(edges):
                while self.clock.monotonic_ns() < at_ns:
                    time.sleep(0)
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
        return answers

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


@pytest.mark.fault(
    "pedal",
    "The pedal is down when the daemon starts",
    happens="A fault tells it; nothing starts before the foot is up and the fault is cleared.",
    guard="daemon: the pedal is read at start",
    within="",
    annex_h=("digital I/O",),
)
def test_a_pedal_that_is_down_at_start_is_a_fault_until_it_is_free(folder):
    async def story(one):
        await one.until_state(State.FAULT)
        assert "the pedal was down at start" in (await one.status()).fault
        for _ in range(2):
            assert not await one.say(Input.CLEAR)
            assert not await one.say(Input.VIEW)
            await one.seconds(16.0)
        one.pedal.lift()
        await one.seconds(1.0)
        assert (await one.status()).state is State.FAULT
        assert not any(change.level for change in one.history())
        assert await one.say(Input.CLEAR)
        assert await one.say(Input.PAPER_AWAY)
        await one.tap()
        await one.until(lambda: one.is_lit, "a tap is a tap again")

    play(folder, 20, story, foot_is_down=True)


@pytest.mark.parametrize("state", [State.DARK, State.WAITING, State.EXPOSING, State.HELD])
def test_a_daemon_finds_its_pedal_stuck(folder, state):
    async def story(one):
        await one.bring_into(state)
        known = len(one.history())
        one.pedal.press()
        await one.until_state(State.FAULT)
        assert "the pedal stays down" in (await one.status()).fault
        assert not any(change.level for change in one.history()[known:])
        assert not one.is_lit
        if state is State.EXPOSING:
            off = next(change for change in one.history()[known:] if not change.level)
            assert off.pid == one.daemon.link.pid
        assert not await one.say(Input.CLEAR)
        one.pedal.lift()
        await one.seconds(1.0)
        assert await one.say(Input.CLEAR)
        assert not any(change.level for change in one.history()[known:])

    play(folder, 20, story)


@pytest.mark.fault(
    "pedal",
    "The pedal is unplugged while exposing: no edge comes any more",
    happens="The exposure ends by itself, as exact as any; the command line goes on from there.",
    guard="keeper: the order's own deadline",
    within="the exposure's own end",
    annex_h=("digital I/O", "interrupt handling"),
)
def test_a_pedal_that_is_unplugged_while_exposing_changes_nothing_of_it(darkroom):
    darkroom.start()
    keeper = darkroom.keeper_pid
    darkroom.save("Boat shed", "print --base 1 --burn sky=1")
    darkroom.arm("Boat shed")
    darkroom.tell("pedal")  # this darkroom's pedal never sends an edge
    darkroom.until_lamp_on()
    darkroom.until_dark()
    last = darkroom.history()[-1]
    assert (last.level, last.pid) == (False, keeper)
    assert darkroom.config.journal.read_text(encoding="ascii").endswith(" COMPLETE\n")
    ((on_ns, off_ns),) = darkroom.journal()
    assert off_ns - on_ns >= S
    assert darkroom.until_state("waiting")["pass"] == 2
    one = darkroom.tell("record show", "1")["passes"][0]
    assert (one["state"], one["received_ns"]) == ("complete", off_ns - on_ns)


@pytest.mark.fault(
    "pedal",
    "The pedal is unplugged while a pass waits for it",
    happens="It waits; the command line starts the pass.",
    guard="none needed: without a foot nothing starts",
    within="",
    annex_h=("digital I/O", "interrupt handling"),
)
def test_a_pedal_that_is_unplugged_while_waiting_is_never_pressed(folder):
    async def story(one):
        await one.bring_into(State.WAITING, seconds=1.0)
        one.pedal.close()  # whatever the foot does now, nobody hears it
        one.pedal.press()
        await one.seconds(120.0)
        one.pedal.lift()
        assert (await one.status()).state is State.WAITING
        assert not any(change.level for change in one.history())
        for pressed in PRESSES_BY_COMMAND["tap"]:
            await one.say(pressed)
        await one.until_state(State.DONE)
        assert one.turned_on() == 1

    play(folder, 100, story)


@pytest.mark.parametrize("state", [State.DARK, State.WAITING, State.EXPOSING, State.HELD])
def test_ten_thousand_edges_in_ten_seconds_do_not_hold_the_daemon_up(folder, state):
    async def story(one):
        await one.bring_into(state)
        known = len(one.pedal.history)
        answers = await one.chatter(10_000, 1 * MS)
        assert len(one.pedal.history) == known + 10_000
        assert answers > 0
        await one.seconds(1.0)
        assert await one.say(Input.DARK)
        await one.until(lambda: not one.is_lit, "the lamp is off")
        assert one.daemon.dark_way.is_well

    play(folder, 4, story)
