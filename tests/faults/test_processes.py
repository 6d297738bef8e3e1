"""Processes that die, hang, run out of memory or fail: the lamp ends off, by a hand that is named.

The line's history has the number of the process that wrote to it: so a test sees who switched off.
"""

import os
import resource
import signal
import socket
import sys
import time
from contextlib import ExitStack, closing, contextmanager, suppress
from http.client import HTTPException
from pathlib import Path

import pytest

from hardware.simulated import SimulatedFoot
from timer.errors import KeeperError, StoreError
from timer.keeper.protocol import Kind, Reason
from timer.service.record_writer import RecordWriter

NS = 1_000_000_000
# Between the keeper's stamp and the line's own there is no more than a busy machine's moment.
MOMENT_NS = NS // 20
LATE_NS = NS // 4
KEEPERS = Path(__file__).with_name("keepers.py")


def base(darkroom):
    """The first pass of the first sheet, as the record has it."""
    return darkroom.tell("record show", "1")["passes"][0]


def on_line_ns(darkroom):
    """How long the lamp was on in all, by the line's own history."""
    return sum(off - on for on, off in darkroom.periods())


def off_by(darkroom):
    """The process that ended the last light."""
    changes = darkroom.history()
    last_on = max(index for index, one in enumerate(changes) if one.level)
    assert last_on + 1 < len(changes), "nobody has switched off"
    return changes[last_on + 1].pid


def until_well(darkroom, wait_until):
    wait_until(lambda: darkroom.ask("GET", "/health")[1]["well"], "a keeper is up")


def makes_a_print(darkroom):
    """The enlarger is of use: a print of a second is exposed at one go."""
    darkroom.save("A second", "print --base 1")
    darkroom.arm("A second")
    before = len(darkroom.periods())
    darkroom.tell("pedal")
    darkroom.until_state("done")
    ((on_ns, off_ns),) = darkroom.periods()[before:]
    # The middle of the write is aimed at the deadline; the line's stamp lies within the write.
    assert -NS // 1000 < off_ns - on_ns - NS < LATE_NS


def goes_on(darkroom, seconds):
    """The held pass gets what is missing, and nothing that fell is forgotten."""
    held = darkroom.until_state("held")
    assert abs(held["received_ns"] - on_line_ns(darkroom)) < LATE_NS
    darkroom.tell("pedal")
    darkroom.until_state("done")
    one = base(darkroom)
    assert one["state"] == "complete"
    assert seconds * NS <= one["received_ns"] < seconds * NS + LATE_NS
    assert abs(on_line_ns(darkroom) - one["received_ns"]) < LATE_NS


# The daemon.


@pytest.mark.fault(
    "processes",
    "The daemon is killed (SIGKILL) while viewing",
    happens="The lamp goes off; after the next start the enlarger is dark.",
    guard="keeper: the channel closed",
    within="20 ms",
    annex_h=("program counter",),
)
def test_a_daemon_that_is_killed_while_viewing_takes_the_light_with_it(darkroom):
    daemon = darkroom.start()
    keeper = darkroom.keeper_pid
    darkroom.tell("view")
    darkroom.until_lamp_on()
    darkroom.end(daemon, signal.SIGKILL)
    darkroom.until_dark()
    assert off_by(darkroom) == keeper
    darkroom.start()
    assert darkroom.status()["state"] == "dark"
    assert len(darkroom.periods()) == 1


@pytest.mark.fault(
    "processes",
    "The daemon is killed (SIGKILL) while a foot holds the pass",
    happens="The lamp stays off; after the next start the pass is held with its exact measure.",
    guard="none needed: the keeper had switched off at the foot's press",
    within="",
    annex_h=("program counter",),
)
def test_a_daemon_that_is_killed_while_a_foot_holds_the_pass_forgets_nothing(darkroom):
    daemon = darkroom.start()
    keeper = darkroom.keeper_pid
    darkroom.expose("5")
    with closing(SimulatedFoot(darkroom.config.pedal_text.partition(":")[2])) as foot:
        foot.press()
        darkroom.until_state("holding")
        assert off_by(darkroom) == keeper
        darkroom.end(daemon, signal.SIGKILL)
        with suppress(BrokenPipeError):  # no keeper reads the pedal any more
            foot.lift()
    darkroom.start()
    assert len(darkroom.periods()) == 1
    assert abs(darkroom.status()["received_ns"] - on_line_ns(darkroom)) < MOMENT_NS
    goes_on(darkroom, 5)


def blocked(darkroom):
    """Expose, block the daemon, and see the keeper act and the printing go on."""
    darkroom.start()
    keeper = darkroom.keeper_pid
    darkroom.expose("5")
    darkroom.happen()
    darkroom.until_dark()
    assert off_by(darkroom) == keeper
    assert " BEATS_STOPPED\n" in darkroom.config.journal.read_text(encoding="ascii")
    goes_on(darkroom, 5)
    assert len(darkroom.periods()) == 2
    first = base(darkroom)["periods"][0]
    assert (first["on_ns"], first["off_ns"]) == darkroom.journal()[0]


@pytest.mark.fault(
    "processes",
    "The daemon's event loop is blocked for 10 s in mid-exposure",
    happens="The lamp goes off; the pass is held with its exact measure, and goes on by a tap.",
    guard="keeper: the beats stopped",
    within="service.beats_s + 50 ms",
    annex_h=("program counter", "interrupt handling"),
)
def test_a_daemon_whose_loop_is_blocked_loses_the_lamp_and_is_of_use_after(faulty_darkroom):
    faulty_darkroom.fault = "loop blocked"
    blocked(faulty_darkroom)


@pytest.mark.fault(
    "processes",
    "The daemon's dark way is blocked in mid-exposure",
    happens="The lamp goes off; the pass is held with its exact measure, and goes on by a tap.",
    guard="keeper: the beats stopped",
    within="service.beats_s + 50 ms",
    annex_h=("program counter", "interrupt handling"),
)
def test_a_daemon_whose_dark_way_is_blocked_loses_the_lamp_and_is_of_use_after(faulty_darkroom):
    faulty_darkroom.fault = "dark way blocked"
    blocked(faulty_darkroom)


@pytest.mark.fault(
    "processes",
    "One call keeps the daemon's whole interpreter to itself in mid-exposure",
    happens="The lamp goes off; the pass is held with its exact measure, and goes on by a tap.",
    guard="keeper: the beats stopped",
    within="service.beats_s + 50 ms",
    annex_h=("program counter", "interrupt handling"),
)
def test_a_daemon_whose_interpreter_is_blocked_loses_the_lamp_and_is_of_use_after(faulty_darkroom):
    faulty_darkroom.fault = "interpreter blocked"
    blocked(faulty_darkroom)


@pytest.mark.fault(
    "processes",
    "A second daemon is started in mid-exposure",
    happens="It is refused; the exposure goes on untouched.",
    guard="none needed: the lock lets it get at no lamp",
    within="",
    annex_h=(),
)
def test_a_second_daemon_gets_at_no_lamp(darkroom):
    darkroom.start()
    darkroom.expose("600")
    before = darkroom.history()
    assert "another daemon runs this enlarger already" in darkroom.refused().sentence
    assert darkroom.history() == before
    assert darkroom.status()["state"] == "exposing"


@pytest.mark.fault(
    "processes",
    "A hundred SIGTERM, SIGINT and SIGHUP reach the daemon in mid-exposure",
    happens="The lamp goes off and the daemon ends; after the next start the pass is held.",
    guard="keeper: the channel closed",
    within="20 ms",
    annex_h=("interrupt handling",),
)
def test_a_storm_of_signals_ends_the_daemon_once_with_the_lamp_off(darkroom):
    daemon = darkroom.start()
    keeper = darkroom.keeper_pid
    darkroom.expose("600")
    for _ in range(34):
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            daemon.send_signal(number)  # sends nothing any more where it has ended
            time.sleep(0.002)
    daemon.wait(30)
    assert not darkroom.lit()
    assert off_by(darkroom) == keeper
    darkroom.start()
    held = darkroom.status()
    assert held["state"] == "held"
    assert abs(held["received_ns"] - on_line_ns(darkroom)) < MOMENT_NS


@pytest.mark.fault(
    "processes",
    "The keeper is killed while the daemon is stopped, so that neither can act",
    happens="The lamp stays on until the daemon goes on and forces it off, with a fault; to cut"
    " this short is the business of systemd's watchdog.",
    guard="daemon: a lamp of its own, as soon as it goes on",
    within="50 ms from going on",
    annex_h=("program counter",),
)
def test_a_keeper_that_dies_while_the_daemon_is_stopped_is_found_as_it_goes_on(
    darkroom, wait_until
):
    daemon = darkroom.start()
    darkroom.expose("600")
    keeper = darkroom.keeper_pid
    os.kill(keeper, signal.SIGSTOP)
    daemon.send_signal(signal.SIGSTOP)
    os.kill(keeper, signal.SIGKILL)
    assert darkroom.lit()
    daemon.send_signal(signal.SIGCONT)
    darkroom.until_dark()
    assert off_by(darkroom) == daemon.pid
    darkroom.until_state("fault")
    until_well(darkroom, wait_until)
    darkroom.tell("clear")
    held = darkroom.until_state("held")
    assert abs(held["received_ns"] - on_line_ns(darkroom)) < LATE_NS


# No memory, no descriptors.


@pytest.mark.fault(
    "processes",
    "There is no memory in the daemon's dark way in mid-exposure (MemoryError)",
    happens="The lamp is forced off, with a fault; when it is cleared, the pass goes on by a tap.",
    guard="daemon: a lamp of its own, after it has ended the keeper",
    within="50 ms",
    annex_h=(),
)
def test_no_memory_in_the_dark_way_is_a_fault_with_the_lamp_off(faulty_darkroom, wait_until):
    darkroom = faulty_darkroom
    darkroom.fault = "out of memory in the dark way"
    daemon = darkroom.start()
    darkroom.expose("3")
    darkroom.happen()
    assert "an error inside Treadle" in darkroom.until_state("fault")["fault"]
    assert off_by(darkroom) == daemon.pid
    until_well(darkroom, wait_until)
    darkroom.tell("clear")
    goes_on(darkroom, 3)


@pytest.mark.fault(
    "processes",
    "There is no memory in a callback of the daemon's event loop in mid-exposure (MemoryError)",
    happens="The exposure ends exactly; the log tells the error.",
    guard="none needed: the loop is not on the way to the lamp",
    within="",
    annex_h=(),
)
def test_no_memory_in_the_event_loop_leaves_the_exposure_alone(faulty_darkroom):
    darkroom = faulty_darkroom
    darkroom.fault = "out of memory in the loop"
    darkroom.start()
    keeper = darkroom.keeper_pid
    darkroom.expose("1")
    darkroom.happen()
    darkroom.until_state("done")
    assert "MemoryError" in darkroom.log
    assert off_by(darkroom) == keeper
    assert NS <= on_line_ns(darkroom) < NS + LATE_NS
    makes_a_print(darkroom)


@contextmanager
def limited(pid, what, to):
    """Let a process have no more than ``to`` of something while inside."""
    before = resource.prlimit(pid, what)
    resource.prlimit(pid, what, (to, before[1]))
    try:
        yield
    finally:
        with suppress(ProcessLookupError):
            resource.prlimit(pid, what, before)


def memory_of(pid):
    """How much address space a process has, in bytes (proc(5), statm)."""
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[0])
    return pages * os.sysconf("SC_PAGE_SIZE")


@pytest.mark.fault(
    "processes",
    "The daemon gets no more memory (RLIMIT_AS) in mid-exposure, and requests of 1.9 MB come",
    happens="The requests fail and the exposure ends exactly; with memory it is of use as before.",
    guard="none needed: neither keeper nor dark way asks for as much",
    within="",
    annex_h=(),
)
def test_a_daemon_that_gets_no_memory_ends_the_exposure_and_is_of_use_after(darkroom, wait_until):
    daemon = darkroom.start()
    keeper = darkroom.keeper_pid
    darkroom.expose("3")
    body = b'{"programme": "' + b"x" * 1_900_000 + b'"}'
    with limited(daemon.pid, resource.RLIMIT_AS, memory_of(daemon.pid)):
        while darkroom.lit():
            with suppress(OSError, HTTPException):
                darkroom.ask("POST", "/arm", body)
            time.sleep(0.01)
    assert "MemoryError" in darkroom.log
    assert off_by(darkroom) == keeper
    darkroom.until_state("done")
    assert 3 * NS <= base(darkroom)["received_ns"] + NS // 1000 < 3 * NS + LATE_NS
    makes_a_print(darkroom)


@pytest.mark.fault(
    "processes",
    "The daemon gets no more memory (RLIMIT_AS), and the keeper is killed in mid-exposure",
    happens="The lamp is forced off, with a fault; with memory a new keeper starts and the pass"
    " goes on.",
    guard="daemon: a lamp of its own, after it has ended the keeper",
    within="50 ms",
    annex_h=(),
)
def test_a_daemon_that_gets_no_memory_still_forces_the_lamp_off(darkroom, wait_until):
    daemon = darkroom.start()
    darkroom.expose("5")
    keeper = darkroom.keeper_pid
    with limited(daemon.pid, resource.RLIMIT_AS, memory_of(daemon.pid)):
        os.kill(keeper, signal.SIGKILL)
        darkroom.until_dark()
        assert off_by(darkroom) == daemon.pid
    darkroom.until_state("fault")
    until_well(darkroom, wait_until)
    darkroom.tell("clear")
    goes_on(darkroom, 5)


@pytest.mark.fault(
    "processes",
    "The daemon has no file descriptor left, and the keeper is killed in mid-exposure",
    happens="The lamp is forced off, with a fault; a new keeper starts when there are some again.",
    guard="daemon: a lamp of its own, after it has ended the keeper",
    within="50 ms",
    annex_h=(),
)
def test_a_daemon_without_descriptors_still_forces_the_lamp_off(darkroom, wait_until):
    daemon = darkroom.start()
    darkroom.expose("5")
    keeper = darkroom.keeper_pid
    with ExitStack() as callers, limited(daemon.pid, resource.RLIMIT_NOFILE, 48):
        for _ in range(80):
            caller = callers.enter_context(socket.socket(socket.AF_UNIX))
            caller.connect(darkroom.socket)
        wait_until(lambda: "Too many open files" in darkroom.log, "none is left")
        os.kill(keeper, signal.SIGKILL)
        darkroom.until_dark()
        assert off_by(darkroom) == daemon.pid
    darkroom.until_state("fault")
    until_well(darkroom, wait_until)
    darkroom.tell("clear")
    goes_on(darkroom, 5)


# An error in our own code.


def broken_once(darkroom, wait_until, where, commands):
    """Have a part fail once while ``commands`` are given, and see a fault that can be cleared."""
    darkroom.fault = f"once:{where}"
    daemon = darkroom.start()
    darkroom.save("Long one", "print --base 600")
    darkroom.save("Short one", "print --base 0.2")
    *before, last = commands
    for command in before:
        darkroom.tell(*command.split("+"))
        wait_until(lambda: darkroom.status()["state"] != "preparing", "the sheet is written")
    if "arm+Short one" in before:
        darkroom.until_state("done")
    elif "pedal" in before:
        darkroom.until_lamp_on()
    darkroom.happen()
    wait_until(lambda: "now it fails" in darkroom.log, "the part is broken")
    darkroom.treadle(*last.split("+"))  # what it answers is told by the state
    fault = darkroom.until_state("fault")
    assert "an error inside Treadle" in fault["fault"]
    assert "the test's own error" in darkroom.log
    assert not darkroom.lit()
    # The daemon itself writes to the line only where it forces it off.
    assert daemon.pid in {one.pid for one in darkroom.history()}
    until_well(darkroom, wait_until)
    darkroom.tell("clear")
    darkroom.tell("dark")
    makes_a_print(darkroom)


@pytest.mark.fault(
    "processes",
    "The way from control to the keeper fails with an error, at any of its orders",
    happens="The lamp is forced off, with a fault that tells of an error inside Treadle.",
    guard="daemon: a lamp of its own, after it has ended the keeper",
    within="50 ms",
    annex_h=("program counter",),
)
@pytest.mark.parametrize(
    ("name", "commands"),
    [
        ("expose", ("arm+Long one", "pedal")),
        ("latch", ("arm+Long one",)),
        ("dismiss", ("arm+Long one", "dark")),
        ("view", ("view",)),
        ("off", ("arm+Long one", "pedal", "dark")),
    ],
)
def test_an_error_on_the_way_to_the_keeper_is_a_fault_with_the_lamp_off(
    faulty_darkroom, wait_until, name, commands
):
    broken_once(faulty_darkroom, wait_until, f"lamp:{name}", commands)


@pytest.mark.fault(
    "processes",
    "The way from control to the record fails with an error, at any of its entries",
    happens="The lamp is forced off, with a fault that tells of an error inside Treadle.",
    guard="daemon: a lamp of its own, after it has ended the keeper",
    within="50 ms",
    annex_h=("program counter",),
)
@pytest.mark.parametrize(
    ("name", "commands"),
    [
        ("open_sheet", ("arm+Long one",)),
        ("paper", ("arm+Long one",)),
        ("repeat_pass", ("arm+Short one", "pedal", "pedal+long")),
        ("begin_pass", ("arm+Long one", "pedal")),
        ("mark", ("arm+Long one", "pedal")),
        ("add_period", ("arm+Long one", "pedal", "pedal")),
        ("end_pass", ("arm+Long one", "pedal", "dark")),
        ("close_sheet", ("arm+Long one", "pedal", "dark")),
    ],
)
def test_an_error_on_the_way_to_the_record_is_a_fault_with_the_lamp_off(
    faulty_darkroom, wait_until, name, commands
):
    broken_once(faulty_darkroom, wait_until, f"record:{name}", commands)


@pytest.mark.fault(
    "processes",
    "The way from control to the listeners fails with an error: at a cue, or at a status",
    happens="The lamp is forced off, with a fault that tells of an error inside Treadle.",
    guard="daemon: a lamp of its own, after it has ended the keeper",
    within="50 ms",
    annex_h=("program counter",),
)
@pytest.mark.parametrize("name", ["cue", "status"])
def test_an_error_on_the_way_to_the_listeners_is_a_fault_with_the_lamp_off(
    faulty_darkroom, wait_until, name
):
    broken_once(faulty_darkroom, wait_until, f"listener:{name}", ("arm+Long one", "pedal"))


@pytest.mark.fault(
    "processes",
    "The way to the listeners fails at every cue, also at that which tells the fault",
    happens="The lamp is forced off and the daemon ends with a sentence; at the next start the"
    " pass is held.",
    guard="daemon: a lamp of its own, after it has ended the keeper",
    within="50 ms",
    annex_h=("program counter",),
)
def test_an_error_that_does_not_end_ends_the_daemon_with_the_lamp_off(faulty_darkroom):
    darkroom = faulty_darkroom
    darkroom.fault = "always:listener:cue"
    daemon = darkroom.start()
    darkroom.expose("600")
    darkroom.happen()
    assert daemon.wait(30) != 0
    assert "treadle: the keeper or the dark way failed and did not come back" in darkroom.log
    assert not darkroom.lit()
    assert off_by(darkroom) == daemon.pid
    darkroom.fault = ""
    darkroom.start()
    held = darkroom.status()
    assert held["state"] == "held"
    assert "was interrupted" in held["recovered"]


@pytest.mark.fault(
    "processes",
    "The sounder fails with an error at every sound",
    happens="The exposure ends exactly, in silence; pages and command line still tell all.",
    guard="none needed: a sound is not on the way to the lamp",
    within="",
    annex_h=(),
)
def test_a_sounder_that_fails_leaves_the_exposure_alone(faulty_darkroom):
    darkroom = faulty_darkroom
    darkroom.fault = "always:sounder:play"
    darkroom.start()
    keeper = darkroom.keeper_pid
    darkroom.happen()
    makes_a_print(darkroom)
    assert "a cue could not be played" in darkroom.log
    assert darkroom.keeper_pid == keeper == off_by(darkroom)


@pytest.mark.fault(
    "processes",
    "The pedal's watcher fails with an error in mid-exposure",
    happens="That edge is lost, and the exposure ends exactly; the next press is heard.",
    guard="none needed: the deadline is the keeper's",
    within="",
    annex_h=("program counter",),
)
def test_a_watcher_of_the_pedal_that_fails_leaves_the_exposure_alone(faulty_darkroom):
    darkroom = faulty_darkroom
    darkroom.fault = "once:dark way:edge"
    darkroom.start()
    keeper = darkroom.keeper_pid
    darkroom.expose("5")
    darkroom.happen()
    for what in ("press", "lift", "press"):
        darkroom.happen(what)
    darkroom.until_state("holding")
    darkroom.happen("lift")
    assert "a watcher of the pedal failed" in darkroom.log
    assert off_by(darkroom) == keeper
    goes_on(darkroom, 5)


# The keeper.


@pytest.mark.fault(
    "processes",
    "The keeper is killed (SIGKILL) while viewing",
    happens="The lamp is forced off, with a fault; a new keeper starts.",
    guard="daemon: a lamp of its own, after it has ended the keeper",
    within="50 ms",
    annex_h=("program counter",),
)
def test_a_keeper_that_is_killed_while_viewing_is_replaced(darkroom, wait_until):
    daemon = darkroom.start()
    darkroom.tell("view")
    darkroom.until_lamp_on()
    os.kill(darkroom.keeper_pid, signal.SIGKILL)
    darkroom.until_state("fault")
    assert off_by(darkroom) == daemon.pid
    until_well(darkroom, wait_until)
    darkroom.tell("clear")
    makes_a_print(darkroom)


@pytest.mark.fault(
    "processes",
    "A signal that can be caught ends the keeper in mid-exposure",
    happens="It switches off and tells when; when the fault is cleared, the pass goes on.",
    guard="keeper: its signal handler",
    within="20 ms",
    annex_h=("interrupt handling",),
)
def test_a_keeper_that_is_told_to_end_switches_off_and_tells_the_exact_measure(
    darkroom, wait_until
):
    darkroom.start()
    keeper = darkroom.keeper_pid
    darkroom.expose("3")
    os.kill(keeper, signal.SIGTERM)
    darkroom.until_state("fault")
    assert off_by(darkroom) == keeper
    until_well(darkroom, wait_until)
    darkroom.tell("clear")
    assert base(darkroom)["periods"][0]["off_ns"] == darkroom.journal()[0][1]
    goes_on(darkroom, 3)


@pytest.mark.fault(
    "processes",
    "The keeper is killed, and no keeper starts any more",
    happens="The lamp is forced off; the fault can't be cleared, and after some ten seconds the"
    " daemon ends with a sentence, for systemd to start it anew.",
    guard="daemon: a lamp of its own, after it has ended the keeper",
    within="50 ms",
    annex_h=("program counter",),
)
def test_a_keeper_that_does_not_start_again_leaves_the_lamp_off_and_ends_the_daemon(
    faulty_darkroom,
):
    darkroom = faulty_darkroom
    darkroom.fault = f"keeper:once:{darkroom.folder / 'started'}"
    daemon = darkroom.start()
    darkroom.expose("600")
    os.kill(darkroom.keeper_pid, signal.SIGKILL)
    darkroom.until_state("fault")
    assert off_by(darkroom) == daemon.pid
    assert "refused in the state 'fault'" in darkroom.treadle("clear").sentence
    assert darkroom.ask("GET", "/health")[1]["keeper_pid"] is None
    assert daemon.wait(60) != 0
    assert darkroom.log.count("the keeper does not start again") > 1
    assert "treadle: the keeper or the dark way failed and did not come back" in darkroom.log
    assert len(darkroom.periods()) == 1
    darkroom.fault = ""
    darkroom.start()
    held = darkroom.status()
    assert held["state"] == "held"
    assert abs(held["received_ns"] - on_line_ns(darkroom)) < LATE_NS


@pytest.mark.fault(
    "processes",
    "The keeper is killed, and the new one lights the lamp and says nothing",
    happens="Meanwhile the daemon answers and takes no order; then the new one is ended and the"
    " lamp forced off.",
    guard="daemon: a lamp of its own, after it has ended the keeper",
    within="11.5 s",
    annex_h=("program counter", "communication timing"),
)
def test_a_new_keeper_that_says_nothing_does_not_hold_the_daemon_up(faulty_darkroom, wait_until):
    darkroom = faulty_darkroom
    darkroom.fault = f"keeper:then silent:{darkroom.folder / 'started'}"
    daemon = darkroom.start()
    darkroom.expose("600")
    os.kill(darkroom.keeper_pid, signal.SIGKILL)
    darkroom.until_state("fault")
    silent = wait_until(lambda: darkroom.history()[-1].level and darkroom.history()[-1].pid, "lit")
    assert "refused in the state 'fault'" in darkroom.treadle("clear").sentence
    assert darkroom.ask("GET", "/health")[1]["keeper_pid"] is None
    assert darkroom.history()[-1].pid == silent  # so all of this was while it was silent
    wait_until(lambda: darkroom.history()[-1].pid != silent, "another hand")
    last_on = max(index for index, one in enumerate(darkroom.history()) if one.pid == silent)
    assert darkroom.history()[last_on + 1].pid == daemon.pid
    darkroom.end(daemon)
    assert not darkroom.lit()


@pytest.mark.fault(
    "processes",
    "There is no memory in the keeper as it switches on (MemoryError)",
    happens="It switches off and ends; with a fault, and a new keeper starts.",
    guard="keeper: whatever ends it, it switches off last",
    within="20 ms",
    annex_h=(),
)
def test_no_memory_in_the_keeper_at_the_light_ends_it_in_the_dark(faulty_darkroom):
    darkroom = faulty_darkroom
    darkroom.fault = "keeper:memory:on"
    darkroom.start()
    keeper = darkroom.keeper_pid
    darkroom.save("Long one", "print --base 600")
    darkroom.arm("Long one")
    darkroom.treadle("pedal")
    darkroom.until_state("fault")
    assert off_by(darkroom) == keeper


@pytest.mark.fault(
    "processes",
    "There is no memory in the keeper when it must switch off (MemoryError, each time)",
    happens="The lamp is forced off, with a fault; a new keeper starts.",
    guard="daemon: a lamp of its own, after it has ended the keeper",
    within="50 ms",
    annex_h=(),
)
def test_no_memory_in_the_keeper_at_the_end_is_the_daemons_to_mend(faulty_darkroom):
    darkroom = faulty_darkroom
    darkroom.fault = "keeper:memory:off"
    daemon = darkroom.start()
    darkroom.save("Short one", "print --base 0.5")
    darkroom.arm("Short one")
    darkroom.treadle("pedal")
    darkroom.until_state("fault")
    assert off_by(darkroom) == daemon.pid
    assert abs(base(darkroom)["periods"][0]["off_ns"] - darkroom.periods()[0][1]) < LATE_NS


@pytest.mark.fault(
    "processes",
    "The keeper gets no more memory (RLIMIT_AS) in mid-exposure",
    happens="The exposure ends exactly, and the next one too: the keeper has what it needs.",
    guard="none needed: the keeper asks for no more",
    within="",
    annex_h=(),
)
def test_a_keeper_that_gets_no_memory_keeps_what_it_needs(darkroom):
    darkroom.start()
    keeper = darkroom.keeper_pid
    darkroom.expose("3")
    with limited(keeper, resource.RLIMIT_AS, 1):
        darkroom.until_state("done")
        assert off_by(darkroom) == keeper
        assert 3 * NS <= base(darkroom)["received_ns"] + NS // 1000 < 3 * NS + LATE_NS
        makes_a_print(darkroom)
        assert off_by(darkroom) == darkroom.keeper_pid == keeper


@pytest.mark.fault(
    "processes",
    "The keeper is stopped for a moment over its deadline, too short to be missed",
    happens="The lamp goes off as it goes on; the record tells the true time, not the intended.",
    guard="keeper: the deadline was past",
    within="20 ms from going on",
    annex_h=("program counter", "interrupt handling"),
)
def test_a_keeper_that_stands_still_over_its_deadline_tells_the_true_time(bench, keeper, until):
    on = keeper.expose(0.3)
    keeper.stop()
    until(lambda: time.monotonic_ns() > on.a_ns + NS * 2 // 5, "the deadline is long past")
    assert bench.is_lit
    keeper.go_on()
    off = keeper.hear(Kind.WENT_OFF)
    assert off.reason is Reason.COMPLETE
    assert off.b_ns - off.a_ns > NS * 2 // 5
    assert bench.last(False).pid == keeper.pid


@pytest.mark.fault(
    "processes",
    "A keeper is started that lights the lamp and says nothing, or says what no keeper says",
    happens="It is ended and the lamp forced off; the daemon does not start, and says so.",
    guard="daemon: a lamp of its own, after it has ended the keeper",
    within="11.5 s (silent), 0.6 s (garbage)",
    annex_h=("program counter", "communication data"),
)
@pytest.mark.parametrize("fault", ["silent", "garbage"])
def test_a_keeper_that_says_nothing_sensible_at_start_is_ended_with_the_lamp_off(bench, fault):
    link = bench.link((sys.executable, str(KEEPERS), fault))
    with pytest.raises(KeeperError, match=r"^the keeper did not start"):
        link.start()
    assert any(one.level for one in bench.history())
    last = bench.history()[-1]
    assert (last.level, last.pid) == (False, os.getpid())
    assert not link.is_up


# What must not go wrong in silence.


@pytest.mark.fault(
    "processes",
    "The daemon's beat fails with an error",
    happens="The lamp goes off and the daemon ends with a sentence; at the next start the pass is"
    " held.",
    guard="keeper: the channel closed, or the beats stopped",
    within="service.beats_s + 50 ms",
    annex_h=("program counter",),
)
def test_a_beat_that_fails_ends_the_daemon_and_not_each_exposure(faulty_darkroom):
    darkroom = faulty_darkroom
    darkroom.fault = "once:dark way:beat"
    daemon = darkroom.start()
    keeper = darkroom.keeper_pid
    darkroom.expose("600")
    darkroom.happen()
    assert daemon.wait(30) != 0
    assert "treadle: " in darkroom.log
    assert not darkroom.lit()
    assert off_by(darkroom) == keeper
    darkroom.fault = ""
    darkroom.start()
    assert darkroom.status()["state"] == "held"


@pytest.mark.fault(
    "processes",
    "Writing a new sheet fails with an error that is no disk's",
    happens="It is not ready, as if the disk had refused; the next arming works.",
    guard="none needed: nothing can start before its sheet is written",
    within="",
    annex_h=(),
)
def test_a_sheet_that_fails_to_be_written_is_told_as_not_stored(faulty_darkroom, wait_until):
    darkroom = faulty_darkroom
    darkroom.fault = "once:store:open_sheet"
    darkroom.start()
    darkroom.happen()
    wait_until(lambda: "now it fails" in darkroom.log, "the part is broken")
    darkroom.save("Long one", "print --base 600")
    darkroom.tell("arm", "Long one")
    darkroom.until_state("paper out")
    makes_a_print(darkroom)


@pytest.mark.fault(
    "processes",
    "Writing what a pass received fails with an error that is no disk's",
    happens="It is tried again: no light that fell is forgotten.",
    guard="none needed: the lamp is off before",
    within="",
    annex_h=(),
)
def test_a_period_that_fails_to_be_written_is_not_forgotten(faulty_darkroom, wait_until):
    darkroom = faulty_darkroom
    darkroom.fault = "once:store:add_period"
    darkroom.start()
    darkroom.happen()
    wait_until(lambda: "now it fails" in darkroom.log, "the part is broken")
    darkroom.expose("1")
    darkroom.until_state("done")
    wait_until(lambda: base(darkroom)["periods"], "the period is written")
    assert abs(base(darkroom)["received_ns"] - on_line_ns(darkroom)) < MOMENT_NS


@pytest.mark.fault(
    "processes",
    "Telling the printer of a disk that refuses fails with an error",
    happens="The writing goes on: the entry is tried again.",
    guard="none needed: the record is not on the way to the lamp",
    within="",
    annex_h=(),
)
def test_a_teller_that_fails_does_not_end_the_writing(wait_until):
    written = []

    class Disk:
        def set_paper_out(self, is_out):
            written.append(is_out)
            if len(written) == 1:
                raise StoreError("the disk is full")

    def troubled(_sentence):
        raise MemoryError

    writer = RecordWriter(Disk(), "this boot", troubled)
    writer.paper(True)
    try:
        wait_until(lambda: len(written) > 1, "the entry is tried again")
    finally:
        writer.stop()


@pytest.mark.fault(
    "processes",
    "The daemon has no file descriptor left in mid-exposure, and systemd waits for its word",
    happens="The exposure ends exactly, and the next one too: the word is left out.",
    guard="none needed: the keeper is told by a channel that is open already",
    within="",
    annex_h=(),
)
def test_a_daemon_without_descriptors_goes_on_beating(darkroom, wait_until, monkeypatch):
    monkeypatch.setenv("NOTIFY_SOCKET", str(darkroom.folder / "notify"))
    daemon = darkroom.start()
    darkroom.expose("3")
    with ExitStack() as callers, limited(daemon.pid, resource.RLIMIT_NOFILE, 48):
        for _ in range(80):
            caller = callers.enter_context(socket.socket(socket.AF_UNIX))
            caller.connect(darkroom.socket)
        wait_until(lambda: "Too many open files" in darkroom.log, "none is left")
        darkroom.until_dark()
    darkroom.until_state("done")
    assert 3 * NS <= base(darkroom)["received_ns"] + NS // 1000 < 3 * NS + LATE_NS
    makes_a_print(darkroom)
