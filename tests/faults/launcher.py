"""The daemon as `treadle serve` runs it, with a fault in it: ``launcher.py FAULT CONFIGURATION``.

The fault comes with the line "fault" on the standard input; "press" and "lift"
move the foot. A fault is named by what goes wrong, with what it needs behind a
colon.
"""

import asyncio
import ctypes
import os
import sys
import time
from collections.abc import Callable, Iterator
from itertools import count, repeat
from pathlib import Path

import timer.service.daemon
from hardware.simulated import SimulatedPedal, SimulatedSounder
from timer.service.cli import main
from timer.service.config import Config
from timer.service.daemon import Daemon
from timer.service.dark_way import KeeperLamp

LOOP_BLOCKED_SECONDS = 10
# Longer than keeper and daemon wait for each other.
BLOCKED_SECONDS = 3
# A keeper that starts once, for the daemon's own start, and never again.
KEEPER_ONCE = """
import os, sys
started, *arguments = sys.argv[1:]
if os.path.exists(started):
    sys.exit("it does not start any more")
open(started, "x").close()
os.execv(sys.executable, [sys.executable, "-m", "timer.keeper", *arguments])
"""


def broken(times: Iterator[object], works: Callable[..., object]) -> Callable[..., object]:
    """Return what raises for as many calls as ``times`` has entries, and then ``works``."""

    def call(*arguments: object, **named: object) -> object:
        for _ in times:
            raise ArithmeticError("the test's own error")
        return works(*arguments, **named)

    return call


def out_of_memory() -> None:
    """Fail as an allocation does."""
    raise MemoryError


class FaultyDaemon(Daemon):
    """A daemon with the fault ``fault``."""

    fault = ""

    def __init__(self, config: Config) -> None:
        self.foot, self.sounds = SimulatedPedal(), SimulatedSounder()
        command = None
        if self.fault == "keeper once":
            started = str(Path(config.service.runtime) / "started")
            command = (sys.executable, "-c", KEEPER_ONCE, started)
        super().__init__(config, pedal=self.foot, sounder=self.sounds, keeper_command=command)

    async def __aenter__(self) -> "FaultyDaemon":
        await super().__aenter__()
        asyncio.get_running_loop().add_reader(sys.stdin.fileno(), self._told)
        return self

    def _told(self) -> None:
        lines = os.read(sys.stdin.fileno(), 4096).decode().split()
        if not lines:  # the test has closed its end
            asyncio.get_running_loop().remove_reader(sys.stdin.fileno())
        for line in lines:
            if line == "press":
                self.foot.press()
            elif line == "lift":
                self.foot.lift()
            elif line == "fault":
                self._happen(*self.fault.split(":"))

    def _happen(self, what: str, part: str = "", name: str = "") -> None:
        if what == "loop blocked":
            time.sleep(LOOP_BLOCKED_SECONDS)
        elif what == "dark way blocked":
            self.dark_way.post(lambda: time.sleep(BLOCKED_SECONDS))
        elif what == "interpreter blocked":
            # A call through PyDLL keeps the interpreter to itself while it sleeps.
            ctypes.PyDLL(None).sleep(BLOCKED_SECONDS)
        elif what == "out of memory in the dark way":
            self.dark_way.post(out_of_memory)
        elif what == "out of memory in the loop":
            asyncio.get_running_loop().call_soon(out_of_memory)
        elif what in ("once", "always"):
            self._break(part, name, count() if what == "always" else iter(repeat(None, 1)))

    def _break(self, part: str, name: str, times: Iterator[object]) -> None:
        whole = {
            "lamp": KeeperLamp,  # control alone has the one there is
            "record": self.writer,
            "store": self.record,
            "listener": self.listeners,
            "sounder": self.sounds,
            "dark way": self.dark_way,
        }[part]
        setattr(whole, name, broken(times, getattr(whole, name)))


if __name__ == "__main__":
    FaultyDaemon.fault, configuration = sys.argv[1:]
    timer.service.daemon.Daemon = FaultyDaemon  # type: ignore[misc] # the same, with a fault
    sys.exit(main(["serve", "--config", configuration]))
