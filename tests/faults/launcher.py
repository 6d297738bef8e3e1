"""The daemon as `treadle serve` runs it, with a fault in it: ``launcher.py FAULT CONFIGURATION``.

The fault comes with the line "fault" on the standard input. A fault is named by
what goes wrong, with what it needs behind colons: "once:record:mark" fails once
at the record's mark. With "keeper:FAULT" the daemon is sound, and its keepers
are those of `keepers.py`. With "once:dark way:edge" the daemon reads the pedal
itself, and "press" and "lift" move the foot.
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
KEEPERS = Path(__file__).with_name("keepers.py")


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
        # The keeper reads the pedal; a daemon does where the pedal is on another library.
        pedal = self.foot if self.fault.endswith("dark way:edge") else None
        if self.fault.startswith("keeper:"):
            command = (sys.executable, str(KEEPERS), self.fault.removeprefix("keeper:"))
        super().__init__(config, pedal=pedal, sounder=self.sounds, keeper_command=command)

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
        sys.stderr.write("now it fails\n")


if __name__ == "__main__":
    FaultyDaemon.fault, configuration = sys.argv[1:]
    timer.service.daemon.Daemon = FaultyDaemon  # type: ignore[misc] # the same, with a fault
    sys.exit(main(["serve", "--config", configuration]))
