"""What goes wrong in mid-exposure: the lamp ends off, and no light that fell is forgotten."""

import os
import re
import signal
import socket
from contextlib import closing

import pytest

NS = 1_000_000_000
LATE_NS = NS // 4
# The keeper's stamp of a switching lies within the write to the line; this allows for a busy
# machine between the two.
MOMENT_NS = NS // 20


def base(darkroom, sheet=1):
    return darkroom.tell("record show", str(sheet))["passes"][0]


def told_seconds(text):
    return float(re.search(r"it had received ([\d.]+) s of", text)[1])


def kill_both(darkroom, daemon):
    """Kill daemon and keeper in one moment, so that neither can switch off for the other."""
    keeper = darkroom.keeper_pid
    os.kill(keeper, signal.SIGSTOP)
    darkroom.end(daemon, signal.SIGKILL)
    os.kill(keeper, signal.SIGKILL)
    # The line of a Raspberry Pi keeps its level too, until somebody writes to it.
    assert darkroom.lit()


@pytest.mark.fault(
    "processes",
    "The daemon is killed (SIGKILL) in mid-exposure",
    happens="The lamp goes off; after the next start the pass is held with its exact measure.",
    guard="keeper: the channel closed",
    within="20 ms",
    annex_h=("program counter",),
)
def test_a_daemon_that_dies_takes_the_light_with_it_and_the_rest_is_given_later(
    darkroom, wait_until
):
    daemon = darkroom.start()
    keeper = darkroom.keeper_pid
    darkroom.expose("3")
    darkroom.end(daemon, signal.SIGKILL)
    darkroom.until_dark()
    assert darkroom.history()[-1].pid == keeper
    ((on_ns, off_ns),) = darkroom.periods()
    wait_until(darkroom.journal, "the keeper has noted it")

    darkroom.start()
    held = darkroom.status()
    assert held["state"] == "held"
    ((kept_on_ns, kept_off_ns),) = [(p["on_ns"], p["off_ns"]) for p in base(darkroom)["periods"]]
    assert held["received_ns"] == kept_off_ns - kept_on_ns
    assert abs(held["received_ns"] - (off_ns - on_ns)) < MOMENT_NS
    assert told_seconds(held["recovered"]) == pytest.approx(held["received_ns"] / NS, abs=0.0006)
    assert "sheet 1, pass 1 was interrupted" in held["recovered"]

    darkroom.tell("pedal")
    darkroom.until_state("done")
    one = base(darkroom)
    assert (one["state"], len(one["periods"])) == ("complete", 2)
    assert one["received_ns"] == sum(p["off_ns"] - p["on_ns"] for p in one["periods"])
    assert 3 * NS <= one["received_ns"] < 3 * NS + LATE_NS
    on_line_ns = sum(off - on for on, off in darkroom.periods())
    assert abs(on_line_ns - one["received_ns"]) < 2 * MOMENT_NS


def test_what_a_dead_daemon_left_can_be_given_up(darkroom, wait_until):
    daemon = darkroom.start()
    darkroom.expose("600")
    darkroom.end(daemon, signal.SIGKILL)
    darkroom.until_dark()
    wait_until(darkroom.journal, "the keeper has noted it")
    darkroom.start()
    received_ns = darkroom.status()["received_ns"]
    darkroom.tell("pedal", "long")
    darkroom.until_state("paper out")
    one = base(darkroom)
    assert (one["state"], one["received_ns"]) == ("given up", received_ns)
    assert len(darkroom.periods()) == 1


@pytest.mark.fault(
    "processes",
    "The daemon is stopped in mid-exposure and killed after the end",
    happens="It is complete as the keeper noted it, or cut short and held with its exact measure.",
    guard="keeper: the deadline, or the beats stopped",
    within="service.beats_s + 50 ms",
    annex_h=("program counter",),
)
def test_an_exposure_that_ended_without_its_daemon_is_complete(darkroom):
    """The keeper reached the end in the moment in which the daemon was stopped, and noted it."""
    daemon = darkroom.start()
    darkroom.save("Boat shed", "print --base 0.5 --burn sky=1")
    darkroom.arm("Boat shed")
    darkroom.tell("pedal")
    darkroom.until_lamp_on()
    daemon.send_signal(signal.SIGSTOP)
    darkroom.until_dark()
    darkroom.end(daemon, signal.SIGKILL)
    noted = darkroom.journal()
    assert len(noted) == 1
    darkroom.start()
    status = darkroom.status()
    assert (status["state"], status["pass"], status["received_ns"]) == ("held", 2, 0) or (
        # A daemon that was stopped for half a second is taken for one that hangs: the keeper
        # may have switched off early.
        (status["state"], status["pass"]) == ("held", 1)
        and status["received_ns"] == noted[0][1] - noted[0][0]
    )


@pytest.mark.fault(
    "processes",
    "Daemon and keeper are killed in the same instant, and treadle dark --force is run",
    happens="The lamp is forced off; after the next start the pass is held with its exact measure.",
    guard="treadle dark --force, which systemd runs after any stop",
    within="at its run",
    annex_h=("program counter",),
)
def test_both_killed_and_the_line_forced_off_by_hand(darkroom):
    daemon = darkroom.start()
    darkroom.expose("600")
    kill_both(darkroom, daemon)
    forced = darkroom.treadle("dark", "--force", "--config", str(darkroom.config_file))
    assert (forced.code, forced.out) == (0, "the lamp's line was forced off\n")
    last = darkroom.history()[-1]
    assert (last.level, last.pid) == (False, os.getpid())
    ((on_ns, off_ns),) = darkroom.periods()

    darkroom.start()
    held = darkroom.status()
    assert held["state"] == "held"
    one = base(darkroom)
    (period,) = one["periods"]
    assert abs(period["on_ns"] - on_ns) < MOMENT_NS
    # Noted after the line was off, so never less than what the paper received.
    assert -MOMENT_NS < (period["off_ns"] - period["on_ns"]) - (off_ns - on_ns) < LATE_NS
    assert held["received_ns"] == period["off_ns"] - period["on_ns"]


@pytest.mark.fault(
    "processes",
    "Daemon and keeper are killed in the same instant, and nobody acts until the next start",
    happens="The lamp goes off at the start; the pass is held, told with bounds that are true.",
    guard="keeper: the first act of the next one",
    within="at the next start",
    annex_h=("program counter",),
)
def test_both_killed_and_nobody_there(darkroom):
    """The next start switches off first; what the paper received lies within what is told."""
    daemon = darkroom.start()
    darkroom.expose("600")
    kill_both(darkroom, daemon)
    darkroom.start()
    ((on_ns, off_ns),) = darkroom.periods()
    assert darkroom.history()[-1].pid == darkroom.keeper_pid
    one = base(darkroom)
    assert one["received_ns"] is None
    assert one["received_least_ns"] <= off_ns - on_ns <= one["received_most_ns"] + MOMENT_NS
    assert one["received_most_ns"] < off_ns - on_ns + 10 * NS
    held = darkroom.status()
    assert held["state"] == "held"
    assert one["received_least_ns"] <= held["received_ns"] <= one["received_most_ns"]
    assert "it had received between " in held["recovered"]
    shown = darkroom.treadle("record show", "1")
    assert re.search(r"begun +600.000000 +[\d.]+ to [\d.]+$", shown.out, re.M)


@pytest.mark.fault(
    "processes",
    "The daemon is killed a second time, while the rest of the pass is given",
    happens="The lamp goes off; the light of both periods is counted.",
    guard="keeper: the channel closed",
    within="20 ms",
    annex_h=("program counter",),
)
def test_a_second_death_does_not_forget_the_light_of_the_first(darkroom, wait_until):
    daemon = darkroom.start()
    darkroom.expose("600")
    darkroom.end(daemon, signal.SIGKILL)
    darkroom.until_dark()
    wait_until(darkroom.journal, "the keeper has noted it")
    second = darkroom.start()
    darkroom.tell("pedal")
    darkroom.until_lamp_on()
    darkroom.end(second, signal.SIGKILL)
    darkroom.until_dark()
    wait_until(darkroom.journal, "the keeper has noted it")
    darkroom.start()
    on_line_ns = sum(off - on for on, off in darkroom.periods())
    assert len(darkroom.periods()) == 2
    assert abs(darkroom.status()["received_ns"] - on_line_ns) < 2 * MOMENT_NS


@pytest.mark.fault(
    "processes",
    "The daemon is told to end (SIGTERM, SIGINT, SIGHUP) in mid-exposure",
    happens="The lamp goes off; after the next start the pass is held with its exact measure.",
    guard="keeper: the channel closed",
    within="20 ms",
    annex_h=("interrupt handling",),
)
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_daemon_that_is_told_to_end_switches_off_and_holds_the_pass(darkroom, number):
    daemon = darkroom.start()
    keeper = darkroom.keeper_pid
    darkroom.expose("600")
    assert darkroom.end(daemon, number) == 0
    last = darkroom.history()[-1]
    assert (last.level, last.pid) == (False, keeper)
    darkroom.start()
    status = darkroom.status()
    assert status["state"] == "held"
    on_line_ns = sum(off - on for on, off in darkroom.periods())
    assert abs(status["received_ns"] - on_line_ns) < MOMENT_NS


@pytest.mark.fault(
    "processes",
    "The daemon is told to end in mid-exposure, and a listener does not leave",
    happens="The lamp goes off at once, and not when the listener has been waited for.",
    guard="keeper: the channel closed",
    within="20 ms",
    annex_h=("communication timing",),
)
def test_a_daemon_that_ends_switches_off_before_its_listeners_have_left(darkroom):
    daemon = darkroom.start()
    darkroom.expose("600")
    with closing(socket.socket(socket.AF_UNIX)) as listener:
        listener.connect(darkroom.socket)
        listener.sendall(
            b"GET /events HTTP/1.1\r\nHost: localhost\r\nUpgrade: websocket\r\n"
            b"Connection: Upgrade\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n"
            b"Sec-WebSocket-Version: 13\r\n\r\n"
        )
        assert listener.recv(12) == b"HTTP/1.1 101"
        assert darkroom.end(daemon) == 0
    # By the daemon's own doing, and not by its silence while it waited for the listener.
    assert darkroom.config.journal.read_text(encoding="ascii").endswith(" DAEMON_GONE\n")


@pytest.mark.fault(
    "processes",
    "The keeper is killed (SIGKILL) in mid-exposure",
    happens="The lamp is forced off, with a fault; when it is cleared, the pass goes on by a tap.",
    guard="daemon: a lamp of its own, after it has ended the keeper",
    within="50 ms",
    annex_h=("program counter",),
)
def test_a_keeper_that_dies_is_replaced_and_the_pass_goes_on(darkroom, wait_until):
    darkroom.start()
    keeper = darkroom.keeper_pid
    darkroom.expose("3")
    os.kill(keeper, signal.SIGKILL)
    fault = darkroom.until_state("fault")
    assert "the keeper failed and the lamp was forced off" in fault["fault"]
    assert not darkroom.lit()
    assert darkroom.history()[-1].pid != keeper
    refused = darkroom.treadle("view")
    assert refused.code == 5
    assert "refused in the state 'fault'" in refused.sentence
    wait_until(lambda: darkroom.ask("GET", "/health")[1]["well"], "a new keeper is up")
    darkroom.tell("clear")
    darkroom.until_state("held")
    darkroom.tell("pedal")
    darkroom.until_state("done")
    one = base(darkroom)
    on_line_ns = sum(off - on for on, off in darkroom.periods())
    assert abs(one["received_ns"] - on_line_ns) < LATE_NS
    assert 3 * NS <= one["received_ns"] < 3 * NS + LATE_NS


@pytest.mark.fault(
    "processes",
    "The keeper is stopped (SIGSTOP) in mid-exposure",
    happens="It is killed and the lamp forced off, with a fault; a new keeper starts.",
    guard="daemon: a lamp of its own, after it has ended the keeper",
    within="1.05 s",
    annex_h=("program counter", "interrupt handling"),
)
def test_a_keeper_that_hangs_is_ended_and_the_lamp_forced_off(darkroom, wait_until):
    daemon = darkroom.start()
    keeper = darkroom.keeper_pid
    darkroom.expose("600")
    os.kill(keeper, signal.SIGSTOP)
    darkroom.until_state("fault")
    assert not darkroom.lit()
    wait_until(lambda: darkroom.ask("GET", "/health")[1]["well"], "a new keeper is up")
    changes = darkroom.history()
    last_on = max(index for index, one in enumerate(changes) if one.level)
    # The stopped keeper could not.
    assert changes[last_on + 1].pid == daemon.pid
    with pytest.raises(ProcessLookupError):
        os.kill(keeper, 0)


@pytest.mark.fault(
    "processes",
    "The daemon is stopped (SIGSTOP) in mid-exposure",
    happens="The lamp goes off; the pass is held with its exact measure when the daemon goes on.",
    guard="keeper: the beats stopped",
    within="service.beats_s + 50 ms",
    annex_h=("program counter", "interrupt handling"),
)
def test_a_daemon_that_hangs_loses_the_lamp(darkroom):
    daemon = darkroom.start()
    keeper = darkroom.keeper_pid
    darkroom.expose("600")
    daemon.send_signal(signal.SIGSTOP)
    darkroom.until_dark()
    assert darkroom.history()[-1].pid == keeper
    daemon.send_signal(signal.SIGCONT)
    darkroom.until_state("held")
    assert base(darkroom)["periods"][0]["off_ns"] == darkroom.journal()[0][1]
