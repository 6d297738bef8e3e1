"""What a killed or hanging process means for the lamp: from the signal to the line off."""

import os
import random
import signal
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from hardware.simulated import LineChange, SimulatedFoot
from tests.bench.conditions import Sheet
from tests.bench.darkroom import Darkroom, wait_until
from tests.bench.figures import NS_PER_MS, Summary, summary
from tests.bench.foot import tap
from timer.service.client import RemoteError

_LONG_ONE = Sheet(1, 30.0)


@dataclass(frozen=True, slots=True)
class Death:
    """One fault: from the signal to lamp off in ms, by which process, and what is promised."""

    fault: str
    promised_ms: float
    took_ms: list[float] = field(default_factory=list)
    by: dict[str, int] = field(default_factory=dict)

    @property
    def summary(self) -> Summary | None:
        """The figures."""
        return summary(self.took_ms)


class _Victims:
    """A darkroom in which processes are killed in mid-exposure."""

    def __init__(self, memory: Path, disk: Path) -> None:
        self._darkroom = Darkroom(memory, disk)
        self._instants = random.Random(24)

    def start(self) -> None:
        self._darkroom.start()

    def end(self) -> None:
        self._darkroom.end()

    @property
    def daemon(self) -> int:
        return self._darkroom.running.pid

    @property
    def keeper(self) -> int:
        return self._darkroom.keeper_pid

    def hit(self, death: Death, pid: int, number: signal.Signals) -> None:
        """Expose, send the signal at some instant of it, and note who switched off and when."""
        names = {self.daemon: "daemon", self.keeper: "keeper"}
        self._expose()
        time.sleep(self._instants.uniform(0.05, 0.3))
        hit_ns = time.monotonic_ns()
        os.kill(pid, number)
        off = wait_until(lambda: self._off_after(hit_ns), f"the lamp is off: {death.fault}")
        death.took_ms.append((off.at_ns - hit_ns) / NS_PER_MS)
        name = names.get(off.pid, "another process")
        death.by[name] = death.by.get(name, 0) + 1

    def start_anew(self) -> None:
        """Take a killed daemon away and start another."""
        self._darkroom.running.wait()
        self.start()

    def get_ready(self) -> None:
        """Clear the fault and give the pass up."""
        client = self._darkroom.client

        def ready() -> bool:
            state = self._darkroom.state()
            with suppress(RemoteError):  # refused until the next keeper is up
                if state == "fault":
                    client.post("/clear")
                elif state not in ("dark", "paper out"):
                    client.post("/dark")
            return state in ("dark", "paper out")

        wait_until(ready, "the enlarger can be armed again")

    def _expose(self) -> None:
        self._darkroom.client.post("/arm", programme=_LONG_ONE.programme)
        self._darkroom.until_state("waiting")
        foot = SimulatedFoot(self._darkroom.pedal_wire)
        tap(foot)
        foot.close()
        self._darkroom.until_state("exposing")
        wait_until(lambda: self._darkroom.history()[-1].level, "the lamp is on")

    def _off_after(self, at_ns: int) -> LineChange | None:
        found = (one for one in self._darkroom.history() if one.at_ns >= at_ns and not one.level)
        return next(found, None)


def measure_deaths(tries: int, memory: Path, disk: Path) -> list[Death]:
    """Kill and stop daemon and keeper in mid-exposure, ``tries`` times each."""
    victims = _Victims(memory, disk)
    victims.start()
    beats_ms = Darkroom(memory, disk).config.service.beats_s * 1000

    def daemon_killed(death: Death) -> None:
        victims.hit(death, victims.daemon, signal.SIGKILL)
        victims.start_anew()

    def keeper_killed(death: Death) -> None:
        victims.hit(death, victims.keeper, signal.SIGKILL)

    def daemon_stopped(death: Death) -> None:
        pid = victims.daemon
        try:
            victims.hit(death, pid, signal.SIGSTOP)
        finally:
            os.kill(pid, signal.SIGCONT)

    def keeper_stopped(death: Death) -> None:
        victims.hit(death, victims.keeper, signal.SIGSTOP)

    faults: tuple[tuple[str, float, Callable[[Death], None]], ...] = (
        ("daemon killed (SIGKILL)", 20.0, daemon_killed),
        ("keeper killed (SIGKILL)", 50.0, keeper_killed),
        ("daemon hangs (SIGSTOP)", beats_ms + 50.0, daemon_stopped),
        ("keeper hangs (SIGSTOP)", beats_ms + 50.0, keeper_stopped),
    )
    deaths = []
    try:
        for fault, promised_ms, happens in faults:
            death = Death(fault, promised_ms)
            for _ in range(tries):
                happens(death)
                victims.get_ready()
            deaths.append(death)
    finally:
        victims.end()
    return deaths
