"""The rehearsal: the real daemon and keeper, a simulated line, and a simulated printer."""

import asyncio
import sys
import tempfile
import termios
import tty
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from fractions import Fraction
from pathlib import Path
from typing import Any

from hardware.simulated import SimulatedLine, SimulatedPedal, SimulatedSounder
from timer.clock import SteadyClock, to_ns
from timer.control.run import Run
from timer.control.table import Input, State
from timer.errors import TreadleError
from timer.photo.prints import Burn, Dodge, Print
from timer.photo.strips import Strip
from timer.programmes.model import Programme, Setup
from timer.rehearsal.printer import SimulatedPrinter
from timer.rehearsal.sheet import develop
from timer.service.config import Config, parse_config, simulated_example
from timer.service.daemon import Daemon
from timer.service.show import Show

# An invented darkroom: the old boat shed, and a negative made on its slipway.
_SETUP = Setup(negative="boat shed, roll 4, frame 11", paper="grade 2", size="20 x 25 cm")
STRIP = Programme(
    "Slipway at low tide, strip",
    strip=Strip(5, centre_seconds=8.0, step_stops=Fraction(1, 3)),
    setup=_SETUP,
)
PRINT = Programme(
    "Slipway at low tide, print",
    print=Print(
        10.0,
        dodges=(Dodge("boat", Fraction(1, 3)),),
        burns=(Burn("sky", Fraction(1, 2)),),
    ),
    setup=_SETUP,
)


async def rehearse(rate: int, *, keyboard: bool, quiet: bool) -> list[dict[str, Any]]:
    """Make the strip and the print, and return what each place of the two sheets received."""
    if keyboard and not sys.stdin.isatty():
        raise TreadleError("rehearse: --foot needs a keyboard; run it in a terminal")
    with tempfile.TemporaryDirectory(prefix="treadle-") as folder:
        config = rehearsal_config(Path(folder))
        clock = SteadyClock(rate)
        pedal, sounder = SimulatedPedal(clock.monotonic_ns), SimulatedSounder(clock.monotonic_ns)
        keys = _keys(pedal, clock) if keyboard else nullcontext()
        async with Daemon(config, clock, pedal=pedal, sounder=sounder) as daemon:
            with keys, Show(clock, quiet=quiet, keyboard=keyboard) as show:
                return [
                    await _make(daemon, programme, pedal, show, own_foot=not keyboard)
                    for programme in (STRIP, PRINT)
                ]


def rehearsal_config(folder: Path) -> Config:
    """Return a configuration that is simulated whole, with all files in ``folder``."""
    return parse_config(simulated_example(folder), "the rehearsal's configuration")


async def _make(
    daemon: Daemon, programme: Programme, pedal: SimulatedPedal, show: Show, *, own_foot: bool
) -> dict[str, Any]:
    """Make one sheet and return what its places received."""
    run = Run(programme, None)
    printer = SimulatedPrinter(run.passes, pedal, daemon.clock, own_foot=own_foot)
    events = daemon.listeners.add()
    show.begin(programme, run.passes)
    line = SimulatedLine(daemon.config.lamp_text.partition(":")[2], daemon.clock.monotonic_ns)
    before = len(line.history())
    hands: set[asyncio.Task[None]] = set()
    try:
        await asyncio.wrap_future(daemon.dark_way.handle(Input.ARM, run=run))
        while not printer.is_done:
            event = await events.get()
            show.tell(event)
            if own_foot and event["event"] == "status" and event["state"] == State.FAULT:
                raise TreadleError(f"rehearse: {event['fault']}; rehearse again")
            # Foot and hands are moved beside the listening: a printer hears while moving.
            hands.add(asyncio.create_task(printer.hear(event)))
            await asyncio.sleep(0)
    finally:
        daemon.listeners.remove(events)
        for one in hands:
            one.cancel()
    places = develop(programme, run.passes, printer.hands, line.history()[before:])
    line.close()
    return {"programme": programme.name, "places": [place.as_json() for place in places]}


@contextmanager
def _keys(pedal: SimulatedPedal, clock: SteadyClock) -> Iterator[None]:
    """Work the pedal by keys while inside: space taps, l is long, q is very long."""
    loop, keyboard = asyncio.get_running_loop(), sys.stdin.fileno()
    before = termios.tcgetattr(keyboard)
    held = {" ": 0.2, "\n": 0.2, "l": 1.2, "q": 3.0}

    def pressed() -> None:
        seconds = held.get(sys.stdin.read(1))
        if seconds is not None and not pedal.is_down:
            pedal.press()
            loop.call_later(clock.real_seconds(to_ns(seconds)), pedal.lift)

    tty.setcbreak(keyboard)
    loop.add_reader(keyboard, pressed)
    try:
        yield
    finally:
        loop.remove_reader(keyboard)
        termios.tcsetattr(keyboard, termios.TCSADRAIN, before)
