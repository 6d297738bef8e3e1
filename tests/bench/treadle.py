"""Treadle's real path under one condition: foot, daemon, keeper, line."""

import json
import re
import subprocess
import sys
import time
from bisect import bisect_right
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.bench.conditions import Amount, Condition
from tests.bench.darkroom import Darkroom
from tests.bench.figures import NS_PER_MS, Exposure
from tests.bench.floor import Floor
from tests.bench.loads import ROOT, Outside
from timer.record.sheets import SheetRecord
from timer.rehearsal.sheet import lamp_periods


@dataclass(slots=True)
class Measured:
    """What came out: exposures, lift of the pedal to lamp on in ms, the floor beside it."""

    exposures: list[Exposure]
    lags_ms: list[float]
    floor: Floor
    real_time: bool
    taps_lost: int
    faults: list[str]
    ended_by: dict[str, int] = field(default_factory=dict)
    told: dict[str, Any] = field(default_factory=dict)

    @property
    def interrupted(self) -> int:
        """How many passes took more than one period: a guard switched off before the end."""
        return sum(one.periods > 1 for one in self.exposures)


def measure_treadle(condition: Condition, amount: Amount, memory: Path, disk: Path) -> Measured:
    """Make all sheets of ``amount`` under ``condition`` and return what was measured."""
    darkroom = Darkroom(memory, disk)
    darkroom.start(condition.inside, real_time=condition.real_time)
    try:
        real_time = bool(darkroom.client.get("/health")["real_time"])
        floor = Floor(memory / "floor", real_time=condition.real_time)
        with Outside(condition.outside, darkroom.socket) as outside:
            time.sleep(1.0)  # until the loads are at work
            with floor:
                foot = _foot(darkroom, condition, amount)
    finally:
        darkroom.end()
    periods = lamp_periods(darkroom.history())
    return Measured(
        exposures=_exposures(darkroom.sheets(), periods),
        lags_ms=_lags(foot["lifts_ns"], [on_ns for on_ns, _ in periods]),
        floor=floor,
        real_time=real_time,
        taps_lost=foot["taps_lost"],
        faults=foot["faults"],
        ended_by=_reasons(darkroom),
        told=outside.told,
    )


def _foot(darkroom: Darkroom, condition: Condition, amount: Amount) -> dict[str, Any]:
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "tests.bench.foot",
            str(darkroom.socket),
            str(darkroom.pedal_wire),
            json.dumps([(one.passes, one.seconds) for one in amount.of_treadle(condition)]),
            str(amount.treadle_longest_seconds),
        ],
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        check=True,
    )
    return dict(json.loads(done.stdout))


def _reasons(darkroom: Darkroom) -> dict[str, int]:
    """Return why the lamp went off, and how often, as the keeper noted it."""
    journal = darkroom.config.journal.read_text(encoding="ascii")
    return dict(Counter(re.findall(r"^off .* ([A-Z_]+)$", journal, re.M)))


def _exposures(sheets: Sequence[SheetRecord], by_line: Sequence[tuple[int, int]]) -> list[Exposure]:
    """Return the record's completed passes beside what the line itself says of them."""
    # The record has the keeper's stamps: the middle of the two readings around each write.
    recorded = sorted(
        period.on_ns for sheet in sheets for one in sheet.passes for period in one.periods
    )
    if len(recorded) != len(by_line):
        raise RuntimeError(
            f"the record has {len(recorded)} lamp-on periods, the line {len(by_line)}"
        )
    line_ns = {on_ns: off - on for on_ns, (on, off) in zip(recorded, by_line, strict=True)}
    return [
        Exposure(
            sheet.number,
            one.intended_ns,
            one.measured_ns,
            sum(line_ns[period.on_ns] for period in one.periods),
            len(one.periods),
        )
        for sheet in sheets
        for one in sheet.passes
        if one.state == "complete"
    ]


def _lags(lifts_ns: Sequence[int], ons_ns: Sequence[int]) -> list[float]:
    """Return from the latest lift before each lamp-on to it, in milliseconds."""
    return [
        (on_ns - lifts_ns[at - 1]) / NS_PER_MS
        for on_ns in ons_ns
        if (at := bisect_right(lifts_ns, on_ns))
    ]
