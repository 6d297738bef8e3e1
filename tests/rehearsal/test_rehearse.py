"""The rehearsal as anyone starts it: a strip and a print, from the first cue to the last."""

import asyncio
import json
import os
import subprocess
import sys
from pathlib import Path

from hardware.simulated import SimulatedPedal
from timer.clock import SteadyClock
from timer.control.cues import Cue
from timer.programmes.passes import passes_of
from timer.rehearsal.printer import SimulatedPrinter
from timer.service.rehearsal import PRINT, STRIP

ROOT = Path(__file__).parents[2]
# Seconds of the accelerated clock: 50 ms of the machine's own time count 20-fold.
LATE_SECONDS = 1.0


def rehearse(*options):
    return subprocess.run(
        [sys.executable, "-m", "timer.service.cli", "rehearse", *options],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONWARNINGS": "error"},
    )


def test_a_fast_rehearsal_gives_every_place_its_light():
    done = rehearse("--fast", "--json")
    assert (done.returncode, done.stderr) == (0, "")
    strip, one_print = json.loads(done.stdout)
    # 8 s in the middle and a third of a stop from patch to patch.
    intended = {f"patch {n}": 8 * 2 ** ((n - 3) / 3) for n in range(1, 6)}
    check(strip, intended)
    # A third of a stop less for the boat, half a stop more for the sky.
    check(
        one_print,
        {
            "rest of the sheet": 10.0,
            "dodge boat": 10 * 2 ** (-1 / 3),
            "burn sky": 10 * 2**0.5,
        },
    )


def check(sheet, intended):
    assert [one["place"] for one in sheet["places"]] == list(intended)
    for one in sheet["places"]:
        wanted = intended[one["place"]]
        assert abs(one["intended_s"] - wanted) < 1e-8
        assert abs(one["received_s"] - wanted) < LATE_SECONDS
        assert abs(one["error_ms"] - (one["received_s"] - one["intended_s"]) * 1000) < 1e-3


def test_a_fast_rehearsal_tells_its_story_line_by_line_where_there_is_no_terminal():
    done = rehearse("--fast")
    assert (done.returncode, done.stderr) == (0, "")
    told = done.stdout
    assert "Slipway at low tide, strip: a test strip of 5 passes" in told
    assert "exposing: pass 1 of 2, base" in told
    assert "dodge over boat" in told
    assert "\x1b" not in told
    assert "what the paper received, from the lamp line's own history" in told


def test_a_rehearsal_by_own_foot_needs_a_keyboard():
    done = rehearse("--foot")
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr == "treadle: rehearse: --foot needs a keyboard; run it in a terminal\n"


def status(state, number):
    return {"event": "status", "state": state, "pass": number}


def hear(printer, *events):
    async def all_of_them():
        for event in events:
            await printer.hear(event)

    asyncio.run(all_of_them())


def test_the_printer_taps_once_for_each_pass_that_waits():
    pedal, clock = SimulatedPedal(), SteadyClock(1000)
    printer = SimulatedPrinter(passes_of(PRINT), pedal, clock)
    hear(printer, status("waiting", 1), status("waiting", 1), status("exposing", 1))
    assert [edge.down for edge in pedal.history] == [True, False]
    hear(printer, status("waiting", 2))
    assert len(pedal.history) == 4


def test_the_printers_tap_is_short_however_late_the_machine_is():
    pedal, clock = SimulatedPedal(), SteadyClock(1000)
    hear(SimulatedPrinter(passes_of(PRINT), pedal, clock), status("waiting", 1))
    down, up = pedal.history
    assert up.at_ns - down.at_ns == 200_000_000


def test_the_printer_leaves_the_pedal_alone_in_the_pauses_of_a_strip():
    pedal = SimulatedPedal()
    printer = SimulatedPrinter(passes_of(STRIP), pedal, SteadyClock(1000))
    hear(printer, status("pausing", 2), status("exposing", 2))
    assert pedal.history == []
    assert printer.hands.moves[-1][1] == {f"patch {number}" for number in range(2, 6)}


def test_the_printer_dodges_by_ear():
    printer = SimulatedPrinter(
        passes_of(PRINT), SimulatedPedal(), SteadyClock(1000), own_foot=False
    )
    whole = {"rest of the sheet", "dodge boat", "burn sky"}
    cue = {"event": "cue", "label": "boat"}
    hear(printer, status("waiting", 1), cue | {"cue": Cue.DODGE})
    assert printer.hands.moves[-1][1] == whole - {"dodge boat"}
    hear(printer, cue | {"cue": Cue.DODGE_OVER}, {"event": "trouble", "trouble": "x"})
    assert printer.hands.moves[-1][1] == whole


def test_the_printer_is_done_when_the_sheet_is():
    printer = SimulatedPrinter(passes_of(PRINT), SimulatedPedal(), SteadyClock())
    hear(printer, status("exposing", 2))
    assert not printer.is_done
    hear(printer, status("done", 2))
    assert printer.is_done
