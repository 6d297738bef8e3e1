"""The daemon on gpiozero's pins: foot in, lamp and sounds out, with a real keeper in between.

The pins are gpiozero's own mock ones. The lamp's pin lives in the keeper's process, which writes
down each change of it (mock_keeper.py).
"""

import asyncio
import sys
import time
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from gpiozero.pins.mock import MockFactory, MockPWMPin

from hardware.gpio import GpioPedal, GpioSounder
from timer.clock import SteadyClock
from timer.control.run import Run
from timer.control.table import Input, State
from timer.programmes.text import from_toml
from timer.service.daemon import Daemon

NS = 1_000_000_000
LATE_NS = NS // 4
# The keeper's stamp of a switching lies within the write to the pin, and the pin's own note of
# it follows; this allows for a busy machine between the two.
MOMENT_NS = NS // 20
PATIENCE_SECONDS = 30.0
PEDAL_PIN, SOUNDER_PIN = 27, 18


class Bench:
    """The daemon, the pedal's pin to press, and what the lamp's and the sounder's pins did."""

    def __init__(self, daemon, pins, told):
        self.daemon = daemon
        self.pedal = pins.pin(f"GPIO{PEDAL_PIN}")
        self.sounder = pins.pin(f"GPIO{SOUNDER_PIN}")
        self._told = told

    def changes(self):
        """Each change of the lamp's pin as (level, stamp in ns)."""
        if not self._told.exists():
            return []
        lines = self._told.read_text(encoding="ascii").splitlines()
        return [(bool(int(level)), int(at)) for level, at in (line.split() for line in lines)]

    def lit(self):
        changes = self.changes()
        return bool(changes) and changes[-1][0]

    def press(self):
        self.pedal.drive_low()
        return time.monotonic_ns()

    def lift(self):
        self.pedal.drive_high()

    async def tap(self):
        self.press()
        # The foot stays for longer than a contact bounces, and shorter than a long press.
        await asyncio.sleep(0.1)
        self.lift()

    async def until(self, condition, what):
        gives_up_at = time.monotonic() + PATIENCE_SECONDS
        while not condition():
            assert time.monotonic() < gives_up_at, f"waited in vain until {what}"
            await asyncio.sleep(0.002)

    async def until_state(self, state):
        await self.until(lambda: self.daemon.control.state is state, f"the state is {state}")

    async def arm(self, text):
        run = Run(from_toml(f'treadle = 1\nname = "Boat shed"\n{text}'), None)
        control, clock = self.daemon.control, self.daemon.clock
        assert await asyncio.wrap_future(
            self.daemon.dark_way.ask(
                lambda: control.handle(Input.ARM, clock.monotonic_ns(), run=run)
            )
        )
        await self.until_state(State.WAITING)

    async def sheet(self, number=1):
        found = self.daemon.writer.ask(lambda: self.daemon.record.sheet(number))
        return await asyncio.wrap_future(found)

    async def agreed_periods(self, number=1):
        """The record's periods, after comparing them with the lamp's pin one by one."""
        sheet = await self.sheet(number)
        periods = [period for one in sheet.passes for period in one.periods]
        stamps = [stamp for period in periods for stamp in (period.on_ns, period.off_ns)]
        changes = self.changes()
        assert [level for level, _ in changes] == [True, False] * len(periods)
        for stamp, (_, pin_ns) in zip(stamps, changes, strict=True):
            assert abs(stamp - pin_ns) < MOMENT_NS
        return periods


@pytest.fixture
def on_pins(darkroom, monkeypatch):
    """Run a test's story on a bench in a loop of its own; the lamp must be off at the end."""
    told = darkroom.folder / "lamp.pin"
    monkeypatch.setenv("TREADLE_TEST_PIN", str(told))
    darkroom.configure(
        lamp={"driver": "gpiozero"},
        pedal={"driver": "gpiozero", "pin": PEDAL_PIN, "long_s": 5, "very_long_s": 8},
        sounder={"driver": "gpiozero", "pin": SOUNDER_PIN},
        gpio={"library": "mock"},
    )
    keeper = (sys.executable, str(Path(__file__).with_name("mock_keeper.py")))

    @asynccontextmanager
    async def bench(pins):
        daemon = Daemon(
            darkroom.config,
            SteadyClock(),
            pedal=GpioPedal(PEDAL_PIN, pin_factory=pins),
            sounder=GpioSounder(SOUNDER_PIN, pin_factory=pins),
            keeper_command=keeper,
        )
        async with daemon:
            yield Bench(daemon, pins, told)

    def run(story, pin_class=MockPWMPin):
        pins = MockFactory(pin_class=pin_class)

        async def play():
            async with bench(pins) as one:
                await story(one)
            return one

        try:
            one = asyncio.run(play())
        finally:
            pins.close()
        assert not one.lit()

    return run


def test_a_press_with_a_bouncing_contact_makes_one_exposure(on_pins):
    async def story(bench):
        await bench.arm("[print]\nbase_s = 0.4\n")
        assert bench.changes() == []
        for _ in range(4):
            bench.press()
            bench.lift()
        await bench.tap()
        await bench.until_state(State.DONE)
        (period,) = await bench.agreed_periods()
        assert 4 * NS // 10 <= period.off_ns - period.on_ns < 4 * NS // 10 + LATE_NS
        assert not bench.lit()

    on_pins(story)


def test_the_pass_is_held_at_the_press_and_not_at_the_lift(on_pins):
    async def story(bench):
        await bench.arm("[print]\nbase_s = 2\n")
        await bench.tap()
        await bench.until(bench.lit, "the lamp's pin is on")
        await bench.until(lambda: bench.daemon.control.status(0).on_since_ns, "it is known")
        pressed_ns = bench.press()
        # The foot stays on the pedal until it is dark: the edge of the press alone did it.
        await bench.until(lambda: not bench.lit(), "the lamp's pin is off")
        assert pressed_ns - MOMENT_NS < bench.changes()[-1][1] < pressed_ns + LATE_NS
        await bench.until_state(State.HOLDING)
        bench.lift()
        await bench.until_state(State.HELD)
        await bench.until(lambda: bench.daemon.control.status(0).on_since_ns is None, "it is off")
        await asyncio.sleep(0.06)  # past the bounce of the lift, as a foot would be
        await bench.tap()
        await bench.until_state(State.DONE)
        periods = await bench.agreed_periods()
        assert len(periods) == 2
        total_ns = sum(period.off_ns - period.on_ns for period in periods)
        assert 2 * NS <= total_ns < 2 * NS + LATE_NS

    on_pins(story)


def test_a_strip_goes_by_count_and_is_heard(on_pins):
    async def story(bench):
        await bench.arm("[strip]\npatches = 2\nfirst_s = 0.2\nadd_s = 0.1\npause_s = 1\n")
        bench.sounder.clear_states()
        await bench.tap()
        await bench.until_state(State.DONE)
        await bench.until(lambda: not bench.sounder.state, "the last cue is over")
        periods = await bench.agreed_periods()
        lengths = [period.off_ns - period.on_ns for period in periods]
        assert len(lengths) == 2
        assert NS // 5 <= lengths[0] < NS // 5 + LATE_NS
        assert NS // 10 <= lengths[1] < NS // 10 + LATE_NS
        # On and off again for each cue: two starts, two ends, the card, and done at the least.
        sounded = sum(1 for one in bench.sounder.states if one.state)
        assert sounded >= 4

    on_pins(story)


class _HeldDown(MockPWMPin):
    """A pin whose switch is closed from the moment on at which it is pulled up."""

    def _set_pull(self, value):
        super()._set_pull(value)
        if value == "up":
            self.drive_low()


def test_a_pedal_that_is_down_at_the_start_is_a_fault_until_it_is_lifted(on_pins):
    async def story(bench):
        await bench.until_state(State.FAULT)
        status = await asyncio.wrap_future(bench.daemon.dark_way.status())
        assert "the pedal was down at start" in status.fault

        async def clear():
            return await asyncio.wrap_future(bench.daemon.dark_way.handle(Input.CLEAR))

        assert not await clear()
        bench.lift()
        while not await clear():
            await asyncio.sleep(0.002)
        assert bench.daemon.control.state is State.PAPER_OUT
        assert bench.changes() == []

    on_pins(story, pin_class=_HeldDown)


def test_the_daemon_ends_with_the_lamp_off_in_mid_exposure(on_pins):
    async def story(bench):
        await bench.arm("[print]\nbase_s = 600\n")
        await bench.tap()
        await bench.until(bench.lit, "the lamp's pin is on")

    on_pins(story)
