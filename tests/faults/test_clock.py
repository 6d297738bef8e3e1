"""The wall clock and standstills of the machine: an exposure knows the monotonic clock only.

The wall clock of this machine is everybody's and is not set here. Daemon and keeper are started
with a Python whose wall clock (``time.time`` and ``datetime.now``, the only ones that they read)
is set by the test; their monotonic clock is the machine's, as it is when a clock is really set.

A machine that stands still is daemon and keeper stopped in one moment (SIGSTOP). The monotonic
clock runs on meanwhile; where a machine is really suspended it stands still too (clock_gettime(2)),
and then the deadline is not past when it goes on.
"""

import os
import signal
import sqlite3
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from timer.service.client import Client, RemoteError

from ..service.conftest import PATIENCE_SECONDS
from .troubled import LATE_NS, MOMENT_NS, NS, darkroom_of_tests_own

darkroom = pytest.fixture(darkroom_of_tests_own)

HOUR = 3600
YEAR = 365 * 24 * HOUR
JUMPS = pytest.mark.parametrize("jump", [HOUR, -HOUR, YEAR, -YEAR])


def ahead(stamp):
    """How far a stamp in the record is ahead of the machine's wall clock, in seconds."""
    return (datetime.fromisoformat(stamp) - datetime.now(UTC)).total_seconds()


def orders(darkroom):
    """The order of each attempt at a pass in the record, in the order in which they were made."""
    with closing(sqlite3.connect(darkroom.config.database)) as database:
        found = database.execute("SELECT order_id FROM passes ORDER BY sheet, number, attempt")
        return [order for (order,) in found]


def exposed_exactly(darkroom, sheet=1):
    """Check the only pass of a sheet against the line and the keeper's notes."""
    (one,) = darkroom.passes(sheet)
    ((on_ns, off_ns),) = [(p["on_ns"], p["off_ns"]) for p in one["periods"]]
    line_on_ns, line_off_ns = darkroom.periods()[-1]
    assert (on_ns, off_ns) == darkroom.journal()[-1]
    assert abs(on_ns - line_on_ns) < MOMENT_NS
    assert abs(off_ns - line_off_ns) < MOMENT_NS
    assert one["received_ns"] == off_ns - on_ns
    assert one["intended_ns"] <= one["received_ns"] < one["intended_ns"] + LATE_NS
    assert one["state"] == "complete"


@JUMPS
@pytest.mark.fault(
    "clock",
    "The wall clock is set forward or back, by an hour or a year, in mid-exposure",
    happens="The exposure ends exactly; sheets keep their order, and dates are as the clock says.",
    guard="none needed: deadlines and stamps are on the monotonic clock",
    within="",
    annex_h=("clock",),
)
def test_a_wall_clock_that_is_set_changes_no_exposure(darkroom, jump):
    darkroom.start()
    keeper = darkroom.keeper_pid
    ears = darkroom.expose_and_listen("1.5")
    darkroom.set_wall_clock(jump)
    darkroom.until_state("done")
    last = darkroom.history()[-1]
    assert (last.level, last.pid) == (False, keeper)
    exposed_exactly(darkroom)
    assert ears.story == ["start", "end", "done"]

    darkroom.tell("pedal leave")
    darkroom.expose("0.3", "Short one")
    darkroom.until_state("done")
    exposed_exactly(darkroom, 2)
    newest, first = darkroom.tell("record list")
    assert (newest["sheet"], first["sheet"]) == (2, 1)
    assert abs(ahead(first["started_at"])) < HOUR / 2
    assert abs(ahead(first["closed_at"]) - jump) < HOUR / 2
    assert abs(ahead(newest["started_at"]) - jump) < HOUR / 2
    assert orders(darkroom) == sorted(set(orders(darkroom)))
    darkroom.no_traceback()


@pytest.mark.fault(
    "clock",
    "The machine starts with its wall clock a year behind, as a board without a battery clock does",
    happens="Orders still get higher numbers than before, so no old exposure is counted again.",
    guard="daemon: numbers its orders above all in record and journal",
    within="",
    annex_h=("clock", "program counter"),
)
def test_orders_grow_although_the_clock_goes_back_between_two_starts(darkroom, wait_until):
    first = darkroom.start()
    darkroom.expose("0.3", "Short one")
    darkroom.until_state("done")
    darkroom.expose("600")
    darkroom.end(first, signal.SIGKILL)
    darkroom.until_dark()
    wait_until(lambda: len(darkroom.journal()) == 2, "the keeper has noted it")

    darkroom.set_wall_clock(-YEAR)
    second = darkroom.start()
    held = darkroom.status()
    kept_on_ns, kept_off_ns = darkroom.periods()[-1]
    assert held["state"] == "held"
    assert abs(held["received_ns"] - (kept_off_ns - kept_on_ns)) < MOMENT_NS
    before = orders(darkroom)
    darkroom.tell("pedal")
    darkroom.until_lamp_on()
    darkroom.end(second, signal.SIGKILL)
    darkroom.until_dark()
    wait_until(darkroom.journal, "the keeper has noted it")

    darkroom.start()
    assert orders(darkroom)[1] > before[1] > before[0]
    (one,) = darkroom.passes(2)
    on_line_ns = sum(off - on for on, off in darkroom.periods()[1:])
    assert len(one["periods"]) == 2
    assert abs(darkroom.status()["received_ns"] - on_line_ns) < 2 * MOMENT_NS
    assert len(darkroom.periods()) == 3
    darkroom.no_traceback()


def stand_still(darkroom, daemon, seconds):
    """Stop daemon and keeper in one moment for ``seconds``; return when they went on.

    Neither may switch off for the other, as on a machine that stands still as a whole.
    """
    both = (darkroom.keeper_pid, daemon.pid)
    for pid in both:
        os.kill(pid, signal.SIGSTOP)
    assert darkroom.lit()
    time.sleep(seconds)
    assert darkroom.lit()
    went_on_ns = time.monotonic_ns()
    for pid in both:
        os.kill(pid, signal.SIGCONT)
    return went_on_ns


def nothing_starts(darkroom, periods):
    """Watch for longer than any pause or late cue here that the lamp stays off."""
    ends_at = time.monotonic() + 1.5
    while time.monotonic() < ends_at:
        assert len(darkroom.periods()) == periods
        assert not darkroom.lit()
        time.sleep(0.02)


@pytest.mark.fault(
    "clock",
    "The machine stands still in mid-exposure until after the deadline",
    happens="The lamp goes off as the machine goes on; the record tells the real time of light.",
    guard="keeper: the deadline was past (or daemon: the keeper had been silent)",
    within="50 ms from going on",
    annex_h=("clock", "interrupt handling"),
)
def test_a_standstill_over_the_deadline_ends_dark_and_is_told_as_long_as_it_was(
    darkroom, wait_until
):
    daemon = darkroom.start()
    keeper = darkroom.keeper_pid
    ears = darkroom.expose_and_listen("1")
    went_on_ns = stand_still(darkroom, daemon, 3)
    darkroom.until_dark()
    ((on_ns, off_ns),) = darkroom.periods()
    assert off_ns >= went_on_ns
    changes = darkroom.history()
    off = next(one for one in changes if one.at_ns == off_ns)
    assert off.pid in (keeper, daemon.pid)

    state = darkroom.until_state("done", "fault")["state"]
    assert ears.story[:1] == ["start"]
    ears.until("done" if state == "done" else "fault")
    (one,) = darkroom.passes()
    assert abs(one["received_ns"] - (off_ns - on_ns)) < LATE_NS
    assert one["received_ns"] > 3 * NS
    nothing_starts(darkroom, 1)
    if state == "fault":
        wait_until(lambda: darkroom.ask("GET", "/health")[1]["well"], "a new keeper is up")
    darkroom.no_traceback()


@pytest.mark.fault(
    "clock",
    "The machine stands still in mid-exposure and goes on before the deadline",
    happens="The exposure ends exactly, or is held with its exact measure; never too much light.",
    guard="none needed, or keeper: the daemon's beats had stopped",
    within="",
    annex_h=("clock", "interrupt handling"),
)
def test_a_standstill_that_ends_before_the_deadline_gives_no_light_too_much(darkroom, wait_until):
    daemon = darkroom.start()
    darkroom.expose_and_listen("4")
    stand_still(darkroom, daemon, 2)
    state = darkroom.until_state("done", "held", "fault")["state"]
    if state == "fault":
        wait_until(lambda: darkroom.ask("GET", "/health")[1]["well"], "a new keeper is up")
        darkroom.tell("clear")
    if state != "done":
        nothing_starts(darkroom, 1)
        on_line_ns = sum(off - on for on, off in darkroom.periods())
        assert abs(darkroom.status()["received_ns"] - on_line_ns) < LATE_NS
        darkroom.tell("pedal")
        darkroom.until_state("done")
    (one,) = darkroom.passes()
    assert one["received_ns"] == sum(p["off_ns"] - p["on_ns"] for p in one["periods"])
    assert 4 * NS <= one["received_ns"] < 4 * NS + LATE_NS
    on_line_ns = sum(off - on for on, off in darkroom.periods())
    assert abs(one["received_ns"] - on_line_ns) < LATE_NS
    darkroom.no_traceback()


@pytest.mark.fault(
    "clock",
    "Somebody asks for light while the machine stands still, and goes away",
    happens="It is refused when the machine goes on, since it was asked for too long ago.",
    guard="daemon: the instant of asking",
    within="",
    annex_h=("clock", "communication timing"),
)
def test_what_was_asked_for_in_a_standstill_starts_nothing(darkroom):
    daemon = darkroom.start()
    darkroom.save("Short one", "print --base 0.5")
    darkroom.arm("Short one")
    both = (darkroom.keeper_pid, daemon.pid)
    for pid in both:
        os.kill(pid, signal.SIGSTOP)
    with ThreadPoolExecutor() as elsewhere:
        asked = elsewhere.submit(Client(Path(darkroom.socket)).post, "/pedal", press="tap")
        time.sleep(2)
        for pid in both:
            os.kill(pid, signal.SIGCONT)
        with pytest.raises(RemoteError, match="asked for too long ago; look, then ask again"):
            asked.result(PATIENCE_SECONDS)
    nothing_starts(darkroom, 0)
    if darkroom.status()["state"] == "waiting":
        darkroom.tell("pedal")
        darkroom.until_state("done")
        exposed_exactly(darkroom)
    darkroom.no_traceback()


@pytest.mark.fault(
    "clock",
    "The machine stands still over the end of a pause between two passes of a strip",
    happens="The next pass is held: it does not start late, at a moment that nobody counted.",
    guard="daemon: the pause's end was missed",
    within="",
    annex_h=("clock", "interrupt handling"),
)
def test_a_standstill_over_a_pause_starts_nothing(darkroom):
    daemon = darkroom.start()
    darkroom.save("Slipway", "strip --first 0.2 --add 0.2 --patches 3 --pause 1")
    darkroom.arm("Slipway")
    ears = darkroom.listen()
    darkroom.tell("pedal")
    darkroom.until_state("pausing")
    both = (darkroom.keeper_pid, daemon.pid)
    for pid in both:
        os.kill(pid, signal.SIGSTOP)
    time.sleep(2)
    for pid in both:
        os.kill(pid, signal.SIGCONT)
    state = darkroom.until_state("held", "fault")["state"]
    ears.until(state)
    nothing_starts(darkroom, 1)
    darkroom.no_traceback()
