"""What would be written instead: four general ways to switch a lamp for a time.

Each runs in a process of its own (``python -m tests.bench.ways WAY ...``) with a small page in
it, and switches a simulated line with two clock readings around each write, as Treadle does.
"""

import argparse
import asyncio
import json
import random
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

from hardware.simulated import SimulatedLamp, SimulatedLine
from tests.bench.conditions import Amount, Condition
from tests.bench.figures import Exposure
from tests.bench.floor import Floor
from tests.bench.loads import ROOT, Outside, start_inside
from tests.bench.page import Page
from timer.clock import to_ns
from timer.rehearsal.sheet import lamp_periods

WAYS = ("time.sleep", "asyncio.sleep", "threading.Timer", "gpiozero blink")
_Expose = Callable[[float], None]


class StampedLamp:
    """A simulated lamp whose switching is stamped in the middle of each write."""

    def __init__(self, line: SimulatedLine, page: Page) -> None:
        self.stamps_ns: list[int] = []
        self.went_off = threading.Event()
        self._lamp = SimulatedLamp(line)
        self._page = page

    def on(self) -> None:
        """Switch on."""
        self._stamped(self._lamp.on)
        self._page.tell(True)

    def off(self) -> None:
        """Switch off."""
        self._stamped(self._lamp.off)
        self.went_off.set()
        self._page.tell(False)

    def _stamped(self, switch: Callable[[], None]) -> None:
        before_ns = time.monotonic_ns()
        switch()
        self.stamps_ns.append((before_ns + time.monotonic_ns()) // 2)


def _by_sleep(lamp: StampedLamp, _page: Page) -> _Expose:
    def expose(seconds: float) -> None:
        lamp.on()
        time.sleep(seconds)
        lamp.off()

    return expose


def _by_asyncio(lamp: StampedLamp, page: Page) -> _Expose:
    async def expose(seconds: float) -> None:
        lamp.on()
        await asyncio.sleep(seconds)
        lamp.off()

    # In the page's own loop, as one loop is what such a program has.
    return lambda seconds: asyncio.run_coroutine_threadsafe(expose(seconds), page.loop).result()


def _by_timer(lamp: StampedLamp, _page: Page) -> _Expose:
    def expose(seconds: float) -> None:
        lamp.on()
        timer = threading.Timer(seconds, lamp.off)
        timer.start()
        timer.join()

    return expose


def _by_gpiozero(lamp: StampedLamp, _page: Page) -> _Expose:
    from gpiozero import LED
    from gpiozero.pins.mock import MockFactory, MockPin

    class LampPin(MockPin):  # type: ignore[misc]
        """A mock pin with the simulated line at its end."""

        def _set_state(self, value: float) -> None:
            super()._set_state(value)
            if bool(value):
                lamp.on()
            else:
                lamp.off()

    led = LED(17, pin_factory=MockFactory(pin_class=LampPin), initial_value=None)

    def expose(seconds: float) -> None:
        lamp.went_off.clear()
        led.blink(on_time=seconds, off_time=0, n=1, background=True)
        lamp.went_off.wait()

    return expose


_MAKE = dict(zip(WAYS, (_by_sleep, _by_asyncio, _by_timer, _by_gpiozero), strict=True))


def measure_ways(
    condition: Condition, amount: Amount, folder: Path, disk: Path
) -> tuple[dict[str, list[Exposure]], Floor, list[dict[str, int]]]:
    """Return the exposures of each general way, the floor beside them, and what the loads told."""
    told: list[dict[str, int]] = []
    floor = Floor(folder / "ways.floor", real_time=condition.real_time)
    found: dict[str, list[Exposure]] = {}
    with floor:
        if condition.one_by_one:
            for way in WAYS:
                one = _Process(way, condition, amount, folder, disk)
                one.wait_for_page()
                with Outside(condition.outside, one.page) as outside:
                    found[way] = one.exposures()
                told.append(outside.told)
        else:
            with Outside(condition.outside, folder / "nobody") as outside:
                together = [_Process(way, condition, amount, folder, disk) for way in WAYS]
                found = {one.way: one.exposures() for one in together}
            told.append(outside.told)
    return found, floor, told


class _Process:
    """One way at work."""

    def __init__(
        self, way: str, condition: Condition, amount: Amount, folder: Path, disk: Path
    ) -> None:
        self.way = way
        number = WAYS.index(way)
        self.page = folder / f"way{number}.sock"
        self.page.unlink(missing_ok=True)
        self._process = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "tests.bench.ways",
                way,
                str(self.page),
                str(folder / f"way{number}.line"),
                str(disk),
                json.dumps([(one.passes, one.seconds) for one in amount.general]),
                str(amount.general_longest_seconds),
                *condition.inside,
            ],
            cwd=ROOT,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
        )

    def wait_for_page(self) -> None:
        while not self.page.exists():
            if self._process.poll() is not None:
                raise RuntimeError(f"{self.way}: its process ended before it was up")
            time.sleep(0.01)

    def exposures(self) -> list[Exposure]:
        """Return what it measured, once it is done."""
        told = self._process.communicate()[0]
        if self._process.returncode:
            raise RuntimeError(f"{self.way}: its process failed")
        return [Exposure(*one) for one in json.loads(told)]


def _main() -> None:
    parser = argparse.ArgumentParser(description="One general way, measured.")
    parser.add_argument("way", choices=WAYS)
    parser.add_argument("page", type=Path)
    parser.add_argument("line", type=Path)
    parser.add_argument("disk", type=Path)
    parser.add_argument("sheets", type=json.loads)
    parser.add_argument("longest_seconds", type=float)
    parser.add_argument("inside", nargs="*")
    args = parser.parse_args()
    args.line.unlink(missing_ok=True)
    page, line = Page(args.page), SimulatedLine(args.line)
    lamp = StampedLamp(line, page)
    expose = _MAKE[args.way](lamp, page)
    start_inside(args.inside, args.disk)
    time.sleep(1.0)  # until the loads are at work
    seed = random.Random(args.way)
    wanted: list[tuple[int, int]] = []
    gives_up_at = time.monotonic() + args.longest_seconds
    for sheet, (passes, seconds) in enumerate(args.sheets):
        for _ in range(passes):
            if time.monotonic() > gives_up_at:
                break
            expose(seconds)
            wanted.append((sheet, to_ns(seconds)))
            # A gap of no fixed length, so that nothing falls into step with the system's clock.
            time.sleep(seed.uniform(0.01, 0.03))
    lit = [off - on for on, off in zip(lamp.stamps_ns[::2], lamp.stamps_ns[1::2], strict=True)]
    by_line = [off - on for on, off in lamp_periods(line.history())]
    found = [
        Exposure(sheet, intended, lit_ns, line_ns)
        for (sheet, intended), lit_ns, line_ns in zip(wanted, lit, by_line, strict=True)
    ]
    sys.stdout.write(json.dumps(found))


if __name__ == "__main__":
    _main()
