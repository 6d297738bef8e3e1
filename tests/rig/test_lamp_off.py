"""Faults in the guest, each with the lamp on: it goes off, and the trace tells who did it.

Where the owner of the line dies, the line is given a pull towards "on" beforehand. The simulated
chip lets a line that nobody owns follow its pull, so there a dark lamp is somebody's deed.
"""

import pytest
from rigging.bench import SLACK_NS, Enlarger
from rigging.guest import Edge

S = 1_000_000_000


def the_off(enlarger: Enlarger, since_ns: int) -> Edge:
    """The first write of "off" after the lamp was on, as the kernel traced it."""
    on = next(one for one in enlarger.lamp.writes(since_ns) if one.on)
    return next(one for one in enlarger.lamp.writes(on.at_ns) if not one.on)


def stays_dark(enlarger: Enlarger, since_ns: int, times: int) -> None:
    """Since ``since_ns`` the lamp was switched on ``times`` times, and it is off."""
    writes = [one.on for one in enlarger.lamp.writes(since_ns)]
    assert len(enlarger.lamp.periods(since_ns)) == times, writes
    assert writes[-1] is False
    assert not enlarger.lamp.is_on()


def held_with(enlarger: Enlarger, intended_ns: int) -> tuple[int, int]:
    """The pass that was cut short is held; returns the least and the most that it received."""
    status = enlarger.guest.until_state("held")
    assert "was interrupted" in status["recovered"]
    told = enlarger.record()["passes"][0]
    assert told["state"] == "begun"
    least_ns, most_ns = told["received_least_ns"], told["received_most_ns"]
    if least_ns is None:
        # Nothing is bounded where all that was lit is measured.
        least_ns = most_ns = told["received_ns"]
    assert 0 < least_ns <= most_ns <= intended_ns, told
    return least_ns, most_ns


@pytest.mark.fault(
    "processes",
    "systemd stops the service while the lamp is on",
    happens="The lamp is off by the keeper that had it on.",
    guard="keeper: ordered off",
    within="50 ms",
    annex_h=(),
)
def test_stopping_the_service_while_viewing(enlarger: Enlarger) -> None:
    """`systemctl stop` while the lamp is on to focus: off, by the keeper that had it on."""
    since_ns = enlarger.guest.now_ns()
    keeper = enlarger.keeper_pid()
    enlarger.start()
    enlarger.guest.run("systemctl stop treadle")
    assert the_off(enlarger, since_ns).pid == keeper
    stays_dark(enlarger, since_ns, 1)
    enlarger.guest.run("systemctl start treadle")
    enlarger.guest.until_state("dark")
    stays_dark(enlarger, since_ns, 1)


@pytest.mark.fault(
    "processes",
    "systemd restarts the service in mid-exposure",
    happens="Off at once; the pass is held with its exact seconds.",
    guard="keeper: ordered off",
    within="50 ms",
    annex_h=(),
)
def test_restarting_the_service_while_exposing(enlarger: Enlarger) -> None:
    """`systemctl restart` in mid-pass: off at once; the pass is held with its exact seconds."""
    since_ns = enlarger.guest.now_ns()
    keeper = enlarger.keeper_pid()
    enlarger.expose(40)
    enlarger.restart()
    assert the_off(enlarger, since_ns).pid == keeper
    least_ns, most_ns = held_with(enlarger, 40 * S)
    (period,) = enlarger.periods(since_ns)
    assert least_ns == most_ns
    assert abs(least_ns - period.ns) < SLACK_NS
    stays_dark(enlarger, since_ns, 1)


@pytest.mark.fault(
    "processes",
    "Daemon and keeper are killed (SIGKILL) in one instant under systemd",
    happens="`treadle dark --force` switches off; the service starts again and holds the pass.",
    guard="systemd: ExecStopPost, a process of its own",
    within="a start of Python: 2 s on a board",
    annex_h=("program counter",),
)
def test_both_processes_killed_in_one_instant(enlarger: Enlarger) -> None:
    """kill -9 for daemon and keeper: systemd's `treadle dark --force` writes "off" itself.

    The line is pulled towards on, so that it stays lit from the death to that command's own
    write. Then the service comes back, holds the pass with bounds, and starts nothing.
    """
    since_ns = enlarger.guest.now_ns()
    owners = (enlarger.pid(), enlarger.keeper_pid())
    enlarger.expose(60)
    enlarger.lamp.pull(on=True)
    enlarger.guest.shell(f"kill -9 {owners[0]} {owners[1]}")
    killed_ns = enlarger.guest.now_ns()
    off = enlarger.guest.until(
        lambda: next((one for one in enlarger.lamp.writes(killed_ns) if not one.on), None),
        "somebody writes off",
    )
    assert off.pid not in owners
    least_ns, most_ns = held_with(enlarger, 60 * S)
    assert enlarger.keeper_pid() != off.pid, "the next keeper was the first to switch off"
    on = next(one for one in enlarger.lamp.writes(since_ns) if one.on)
    least_s, lit_s, most_s = least_ns / S, (off.at_ns - on.at_ns) / S, most_ns / S
    print(  # noqa: T201 - the rig's figures are quoted
        f"\nboth killed: off by {off.who} {off.pid}, at most {(off.at_ns - killed_ns) / 1e6:.0f} ms"
        f" and the kill's own time after; lit {lit_s:.3f} s, told {least_s:.3f} to {most_s:.3f} s"
    )
    # The forced off is stamped after it; emulation stretches that.
    assert least_s - SLACK_NS / S <= lit_s <= most_s + SLACK_NS / S
    assert not any(one.on for one in enlarger.lamp.writes(killed_ns))
    enlarger.lamp.until(on=False)


@pytest.mark.fault(
    "processes",
    "The daemon is stopped (SIGSTOP) under systemd",
    happens="The keeper switches off; systemd's watchdog ends the daemon and starts it anew.",
    guard="keeper: the beats stopped; then systemd's watchdog",
    within="service.beats_s + 50 ms",
    annex_h=("program counter", "communication timing"),
)
def test_a_daemon_that_stands_still(enlarger: Enlarger) -> None:
    """SIGSTOP for the daemon: the keeper misses its beats and switches off by itself.

    After five seconds systemd's watchdog ends the daemon and starts it anew.
    """
    since_ns = enlarger.guest.now_ns()
    daemon, keeper, restarts = enlarger.pid(), enlarger.keeper_pid(), enlarger.restarts()
    enlarger.expose(60)
    stopping_ns = enlarger.guest.now_ns()
    enlarger.guest.shell(f"kill -STOP {daemon}")
    enlarger.lamp.until(on=False)
    off = the_off(enlarger, since_ns)
    assert off.pid == keeper
    assert off.at_ns > stopping_ns
    enlarger.guest.until(lambda: enlarger.restarts() > restarts, "systemd starts a new daemon")
    assert "Watchdog timeout" in enlarger.log(stopping_ns)
    held_with(enlarger, 60 * S)
    assert enlarger.pid() != daemon
    stays_dark(enlarger, since_ns, 1)


@pytest.mark.fault(
    "processes",
    "The keeper is stopped or killed, with a real GPIO chip under it",
    happens="The daemon forces the line off, with a fault; a new keeper starts.",
    guard="daemon: a lamp of its own",
    within="1.05 s stopped, 50 ms killed",
    annex_h=("program counter", "digital I/O"),
)
@pytest.mark.parametrize("signal", ["STOP", "KILL"])
def test_a_keeper_that_stands_still_or_dies(enlarger: Enlarger, signal: str) -> None:
    """SIGSTOP or SIGKILL for the keeper: somebody else writes "off", and there is a fault.

    With a new keeper the printer can clear the fault; the pass is held then, and the lamp off.
    """
    since_ns = enlarger.guest.now_ns()
    daemon, keeper = enlarger.pid(), enlarger.keeper_pid()
    enlarger.expose(60)
    enlarger.lamp.pull(on=True)
    enlarger.guest.shell(f"kill -{signal} {keeper}")
    status = enlarger.guest.until_state("fault")
    assert status["fault"]
    assert the_off(enlarger, since_ns).pid != keeper
    enlarger.lamp.until(on=False)
    assert enlarger.pid() == daemon
    enlarger.guest.until(
        lambda: enlarger.guest.treadle("clear", check=False).code == 0, "the fault can be cleared"
    )
    enlarger.guest.until_state("held")
    assert enlarger.keeper_pid() != keeper
    stays_dark(enlarger, since_ns, 1)
