"""All that one run has measured, and the machine that it was measured on."""

import os
import platform
import re
import sys
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from tests.bench.conditions import Condition
from tests.bench.deaths import Death
from tests.bench.figures import Exposure, Summary, drift, errors, summary
from tests.bench.floor import Floor
from tests.bench.footprint import Footprint
from tests.bench.treadle import Measured
from timer.clock import wall_time


@dataclass(slots=True)
class UnderCondition:
    """One condition: Treadle, and the general ways with the floor beside them."""

    condition: Condition
    treadle: Measured
    ways: dict[str, list[Exposure]] = field(default_factory=dict)
    ways_floor: Floor | None = None
    ways_told: list[dict[str, Any]] = field(default_factory=list)

    @property
    def rows(self) -> list[tuple[str, Summary | None]]:
        """Name and figures of all that was measured, Treadle first."""
        rows = [
            ("Treadle", summary(errors(self.treadle.exposures))),
            ("cyclictest beside Treadle", self.treadle.floor.summary),
        ]
        rows += [(way, summary(errors(found))) for way, found in self.ways.items()]
        if self.ways_floor is not None:
            rows.append(("cyclictest beside the four", self.ways_floor.summary))
        return rows

    @property
    def loads(self) -> str:
        """What the loads really did, in words; empty where there is nothing to tell."""
        parts = []
        for key, what in (
            ("requests_per_second", "requests answered a second"),
            ("events_heard", "events heard by the listeners"),
        ):
            if key in self.treadle.told:
                others = ", ".join(str(one[key]) for one in self.ways_told if key in one)
                beside = f" (general ways: {others})" if others else ""
                parts.append(f"{what}: {self.treadle.told[key]}{beside}")
        return "; ".join(parts)

    def as_json(self) -> dict[str, Any]:
        """Return the raw figures: each exposure, each lag, each histogram."""
        one = self.treadle
        return {
            "condition": asdict(self.condition),
            "real_time_granted": one.real_time,
            "fields_of_an_exposure": Exposure._fields,
            "treadle": one.exposures,
            "pedal_to_lamp_ms": one.lags_ms,
            "taps_lost": one.taps_lost,
            "faults": one.faults,
            "ended_by": one.ended_by,
            "loads": one.told,
            "cyclictest_ms": sorted(one.floor.counts.items()),
            "ways": self.ways,
            "ways_loads": self.ways_told,
            "ways_cyclictest_ms": (
                [] if self.ways_floor is None else sorted(self.ways_floor.counts.items())
            ),
            "drift": None if (found := drift(one.exposures)) is None else asdict(found),
        }


@dataclass(slots=True)
class Results:
    """The whole run."""

    command: str
    began: str = field(default_factory=wall_time)
    seconds: float = 0.0
    conditions: list[UnderCondition] = field(default_factory=list)
    footprint: Footprint | None = None
    deaths: list[Death] = field(default_factory=list)

    @property
    def machine(self) -> str:
        """The machine in one line."""
        return (
            f"{_board()}{os.cpu_count()} cores, Linux {platform.release()}"
            f" {'PREEMPT_RT' if 'PREEMPT_RT' in platform.version() else platform.machine()},"
            f" Python {sys.version.split()[0]}"
        )

    @property
    def real_time(self) -> str:
        """Whether real-time scheduling was granted, in words."""
        told = {one.treadle.real_time for one in self.conditions if one.condition.real_time}
        if not told:
            return "not asked for"
        return "granted" if told == {True} else "not granted"

    def as_json(self) -> dict[str, Any]:
        """Return everything as names and values."""
        return {
            "began": self.began,
            "seconds": self.seconds,
            "command": self.command,
            "machine": self.machine,
            "real_time": self.real_time,
            "conditions": [one.as_json() for one in self.conditions],
            "footprint": None if self.footprint is None else asdict(self.footprint),
            "deaths": [asdict(one) for one in self.deaths],
        }


def _board() -> str:
    """Return which board this is, with a comma behind it; empty on other machines."""
    cpuinfo = Path("/proc/cpuinfo").read_text(encoding="utf-8", errors="replace")
    found = re.search(r"^Model\s*:\s*(.+)$", cpuinfo, re.M)
    return f"{found.group(1).strip()}, " if found else ""
