"""The keeper's promise: whatever happens, the lamp goes off, and by the keeper's own hand."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from timer.clock import to_ns
from timer.keeper.journal import KeptPeriod, read_journal
from timer.keeper.keeper import SIGNALS
from timer.keeper.protocol import PACKET_BYTES, Kind, Reason, Record, pack, unpack

SECOND = 1_000_000_000
LONG_SECONDS = 50.0  # far longer than any test: what ends earlier was ended
# The middle of the write is aimed at the deadline, by the least that a write took before: one
# that is quicker still comes a little early.
AIM_NS = 50_000

# The daemon's stand-in: orders an exposure and waits until it is killed.
DAEMON = """
import socket, sys
channel = socket.socket(fileno=int(sys.argv[1]))
channel.send(bytes.fromhex(sys.argv[2]))
sys.stdin.read()
"""


def test_the_lamp_is_off_before_the_keeper_says_that_it_is_ready(bench):
    keeper = bench.start().ready()
    first, *_ = bench.history()
    assert (first.level, first.pid) == (False, keeper.pid)
    assert not any(one.level for one in bench.history())


def test_an_exposure_ends_by_itself_and_is_reported_as_it_was(bench, keeper):
    on = keeper.expose(0.3)
    off = keeper.hear(Kind.WENT_OFF)
    assert (on.order, off.order, off.reason) == (1, 1, Reason.COMPLETE)
    assert off.a_ns == on.a_ns
    assert off.b_ns >= on.a_ns + to_ns(0.3) - AIM_NS
    line_on, line_off = bench.last(True), bench.last(False)
    assert (line_on.pid, line_off.pid) == (keeper.pid, keeper.pid)
    # The line's own stamp lies within the write, the report's in the middle of it.
    assert line_off.at_ns >= on.a_ns + to_ns(0.3) - AIM_NS
    assert abs((line_off.at_ns - line_on.at_ns) - (off.b_ns - off.a_ns)) < 2 * SECOND


def test_an_exposure_shorter_than_the_spin_ends_too(bench, keeper):
    keeper.expose(0.0002)
    off = keeper.hear(Kind.WENT_OFF)
    assert off.b_ns - off.a_ns >= 200_000 - AIM_NS
    assert not bench.is_lit


def test_the_next_order_is_taken_when_one_is_over(keeper):
    for order in (1, 2, 3):
        keeper.expose(0.01, order)
        assert keeper.hear(Kind.WENT_OFF)[:3] == (Kind.WENT_OFF, Reason.COMPLETE, order)


def test_an_order_to_go_off_is_obeyed(bench, keeper):
    keeper.expose(LONG_SECONDS)
    keeper.send(Kind.OFF, 2)
    off = keeper.hear(Kind.WENT_OFF)
    assert (off.order, off.reason) == (1, Reason.ORDERED)
    assert not bench.is_lit


def test_off_is_written_also_where_it_seems_to_be_off(bench, keeper, until):
    already = len(bench.history())
    keeper.send(Kind.OFF)
    until(lambda: len(bench.history()) > already, "one more off")
    assert not bench.is_lit


def test_viewing_ends_at_its_limit(bench, keeper):
    keeper.send(Kind.VIEW, 4, to_ns(0.05))
    on = keeper.hear(Kind.ON)
    off = keeper.hear(Kind.WENT_OFF)
    assert (off.order, off.reason) == (4, Reason.LIMIT)
    assert off.b_ns >= on.a_ns + to_ns(0.05) - AIM_NS
    assert not bench.is_lit


# The daemon is gone, or hangs.


def test_the_keeper_switches_off_when_its_channel_closes(bench, keeper):
    keeper.expose(LONG_SECONDS)
    assert bench.is_lit
    assert keeper.leave() == 0
    assert not bench.is_lit
    assert bench.last(False).pid == keeper.pid
    assert keeper.said() == ""


def test_it_leaves_in_order_with_reports_unread(bench, keeper):
    keeper.send(Kind.EXPOSE, 1, to_ns(LONG_SECONDS))
    bench.wait_lit()  # and the report of it is never read
    assert keeper.leave() == 0
    assert bench.last(False).pid == keeper.pid
    assert keeper.said() == ""
    assert read_journal(bench.journal)[1].off_ns is not None


@pytest.mark.parametrize("kind", [Kind.EXPOSE, Kind.VIEW])
def test_the_keeper_switches_off_when_the_daemon_is_killed(bench, kind):
    keeper = bench.start().ready()
    order = pack(Record(kind, Reason.NONE, 1, to_ns(LONG_SECONDS)))
    daemon = subprocess.Popen(
        [sys.executable, "-c", DAEMON, str(keeper.channel.fileno()), order.hex()],
        pass_fds=(keeper.channel.fileno(),),
        stdin=subprocess.PIPE,
    )
    assert daemon.stdin is not None
    try:
        keeper.channel.close()  # the daemon alone holds it now
        bench.wait_lit()
        daemon.kill()
        daemon.wait()
        bench.wait_dark()
        assert bench.last(False).pid == keeper.pid
        assert keeper.process.wait(10) == 0
    finally:
        daemon.kill()
        daemon.wait()
        daemon.stdin.close()


def test_the_keeper_switches_off_when_no_beats_come(bench):
    bench.beats_ns = to_ns(0.2)
    keeper = bench.start().ready()
    on = keeper.expose(LONG_SECONDS)
    off = keeper.hear(Kind.WENT_OFF)
    assert off.reason is Reason.BEATS_STOPPED
    assert off.b_ns - on.a_ns >= to_ns(0.15)
    assert not bench.is_lit
    assert bench.last(False).pid == keeper.pid


def test_without_light_it_waits_for_beats_for_ever(bench):
    bench.beats_ns = 1
    keeper = bench.start().ready()
    for _ in range(3):
        keeper.send(Kind.ASK)
        keeper.hear(Kind.ALIVE)
    keeper.send(Kind.OFF)
    assert keeper.process.poll() is None


# Signals.


@pytest.mark.fault(
    "processes",
    "Each signal that can be caught, alone, reaches the keeper while the lamp is on",
    happens="It switches off, tells when, and ends.",
    guard="keeper: its signal handler",
    within="20 ms",
    annex_h=("interrupt handling",),
)
@pytest.mark.parametrize(
    "number",
    # Of the thirty nameless ones the first and the last.
    [one for one in sorted(SIGNALS) if one <= signal.SIGRTMIN or one == signal.SIGRTMAX],
    ids=lambda one: signal.Signals(one).name,
)
def test_every_signal_that_can_be_caught_ends_with_the_lamp_off(bench, keeper, number):
    keeper.expose(LONG_SECONDS)
    os.kill(keeper.pid, number)
    off = keeper.hear(Kind.WENT_OFF)
    assert off.reason is Reason.SIGNAL
    assert not bench.is_lit
    assert bench.last(False).pid == keeper.pid
    assert keeper.process.wait(10) == 0
    assert keeper.said() == ""


@pytest.mark.fault(
    "processes",
    "All signals that can be caught reach the keeper in one instant while the lamp is on",
    happens="It switches off once, tells when, and ends.",
    guard="keeper: its signal handler",
    within="20 ms",
    annex_h=("interrupt handling",),
)
def test_all_signals_at_one_instant_end_with_the_lamp_off(bench, keeper):
    keeper.expose(LONG_SECONDS)
    keeper.stop()
    for number in SIGNALS:
        os.kill(keeper.pid, number)
    keeper.go_on()
    assert keeper.hear(Kind.WENT_OFF).reason is Reason.SIGNAL
    assert keeper.process.wait(10) == 0
    assert not bench.is_lit
    assert bench.last(False).pid == keeper.pid
    assert keeper.said() == ""


def test_only_the_uncatchable_the_harmless_and_its_own_faults_are_left_out():
    left_out = {signal.Signals(one).name for one in signal.valid_signals() - set(SIGNALS)}
    assert left_out == {
        "SIGKILL", "SIGSTOP", "SIGTSTP", "SIGTTIN", "SIGTTOU",
        "SIGCHLD", "SIGCONT", "SIGURG", "SIGWINCH",
        "SIGSEGV", "SIGBUS", "SIGFPE", "SIGILL",
    }  # fmt: skip


# Orders that are refused.


@pytest.mark.fault(
    "orders",
    "An order comes while the lamp is on",
    happens="It is refused; the exposure goes on to its own end.",
    guard="keeper: one order at a time",
    within="",
    annex_h=("communication timing",),
)
def test_an_order_while_the_lamp_is_on_is_refused_and_changes_nothing(keeper):
    on = keeper.expose(0.3)
    keeper.send(Kind.EXPOSE, 2, to_ns(LONG_SECONDS))
    refused = keeper.hear(Kind.REFUSED)
    assert (refused.order, refused.reason) == (2, Reason.BUSY)
    off = keeper.hear(Kind.WENT_OFF)
    assert (off.order, off.reason, off.a_ns) == (1, Reason.COMPLETE, on.a_ns)


@pytest.mark.fault(
    "orders",
    "An order asks for no time, for less, or for more than lamp.longest_s, or is none at all",
    happens="It is refused in the dark.",
    guard="keeper: the limits of an order",
    within="",
    annex_h=("communication data",),
)
@pytest.mark.parametrize(
    ("kind", "a_ns", "reason"),
    [
        (Kind.EXPOSE, to_ns(60.0) + 1, Reason.TOO_LONG),
        (Kind.VIEW, 2**63 - 1, Reason.TOO_LONG),
        (Kind.EXPOSE, 0, Reason.BAD_ORDER),
        (Kind.VIEW, -1, Reason.BAD_ORDER),
        (Kind.EXPOSE, -(2**63), Reason.BAD_ORDER),
        (Kind.READY, SECOND, Reason.BAD_ORDER),
        (Kind.ON, SECOND, Reason.BAD_ORDER),
    ],
)
def test_an_order_that_can_not_be_meant_is_refused_in_the_dark(bench, keeper, kind, a_ns, reason):
    keeper.send(kind, 9, a_ns)
    assert keeper.hear(Kind.REFUSED)[:3] == (Kind.REFUSED, reason, 9)
    assert not any(one.level for one in bench.history())


@pytest.mark.fault(
    "orders",
    "One bit of an order is flipped; each of them in turn",
    happens="The order is refused, and the lamp does not go on.",
    guard="keeper: the checksum of each order",
    within="",
    annex_h=("communication data", "internal data path"),
)
def test_a_damaged_order_is_refused_in_the_dark_bit_by_bit(bench, keeper):
    whole = pack(Record(Kind.EXPOSE, Reason.NONE, 3, SECOND))
    for bit in range(8 * PACKET_BYTES):
        damaged = bytearray(whole)
        damaged[bit // 8] ^= 1 << bit % 8
        keeper.channel.send(bytes(damaged))
        assert keeper.hear(Kind.REFUSED)[:3] == (Kind.REFUSED, Reason.BAD_ORDER, 0)
    assert not any(one.level for one in bench.history())


@pytest.mark.fault(
    "orders",
    "An order is cut off, or longer than one",
    happens="It is refused, and the next one is taken.",
    guard="keeper: an order has one length",
    within="",
    annex_h=("communication data",),
)
def test_a_packet_cut_short_or_too_long_is_refused_and_the_next_order_is_taken(bench, keeper):
    whole = pack(Record(Kind.EXPOSE, Reason.NONE, 3, SECOND))
    for packet in (whole[:-1], whole[:1], whole + b"\0", whole * 2):
        keeper.channel.send(packet)
        assert keeper.hear(Kind.REFUSED).reason is Reason.BAD_ORDER
    assert not any(one.level for one in bench.history())
    keeper.expose(0.01)
    assert keeper.hear(Kind.WENT_OFF).reason is Reason.COMPLETE


def test_damage_is_no_sign_that_the_daemon_is_well(bench):
    bench.beats_ns = to_ns(0.3)
    keeper = bench.start().ready()
    keeper.expose(LONG_SECONDS)
    report = None
    while report is None or report.kind is not Kind.WENT_OFF:
        keeper.channel.send(b"damage")
        report = unpack(keeper.channel.recv(PACKET_BYTES + 1))
    assert report.reason is Reason.BEATS_STOPPED


# A lamp that does not do what it is told.


def test_a_lamp_that_stays_on_raises_an_alarm(bench, faulty):
    keeper = bench.start(faulty("welded")).ready()
    keeper.expose(0.02)
    alarm = keeper.hear(Kind.ALARM)
    assert (alarm.reason, alarm.order) == (Reason.LAMP_STAYS_ON, 1)
    assert keeper.reports[-2].kind is Kind.WENT_OFF


def test_a_lamp_that_stays_off_raises_an_alarm_and_the_pass_is_over(bench, faulty):
    keeper = bench.start(faulty("no light")).ready()
    keeper.expose(LONG_SECONDS)
    alarm = keeper.hear(Kind.ALARM)
    assert (alarm.reason, alarm.order) == (Reason.LAMP_STAYS_OFF, 1)
    assert keeper.reports[-2][:2] == (Kind.WENT_OFF, Reason.LAMP_STAYS_OFF)


def test_a_line_that_can_not_be_written_raises_an_alarm_and_ends_the_keeper(bench, faulty):
    keeper = bench.start(faulty("no writes")).ready()
    keeper.expose(0.02)
    alarm = keeper.hear(Kind.ALARM)
    assert (alarm.reason, alarm.order) == (Reason.LAMP_WRITE_FAILED, 1)
    assert keeper.process.wait(10) != 0


# Nobody listens.


def fill(keeper, until):
    """Have the keeper answer until its way to us is full: thousands of refusals that no one reads.

    A socket pair holds some hundreds of packets (from memory); what finds no room waits in the
    keeper.
    """
    keeper.channel.setblocking(False)
    damaged = 0

    def is_full() -> bool:
        nonlocal damaged
        try:
            while damaged < 4000:
                keeper.channel.send(b"damage")
                damaged += 1
        except BlockingIOError:
            return False
        return True

    until(is_full, "a full channel")
    keeper.channel.settimeout(10)


def let_beats_find_no_room(bench, keeper, until):
    """Return when the keeper has tried to send a beat at least once from now on."""
    since_ns = bench.history()[-1].at_ns
    while bench.history()[-1].at_ns < since_ns + SECOND // 3:
        known = len(bench.history())
        keeper.send(Kind.OFF)
        until(lambda known=known: len(bench.history()) > known, "an answer to off")
    known = len(bench.history())
    keeper.send(Kind.OFF)
    until(lambda: len(bench.history()) > known, "an answer to the last off")


@pytest.mark.fault(
    "processes",
    "The daemon reads none of the keeper's reports until the channel is full",
    happens="The exposure ends at its deadline; its report is kept and comes when there is room.",
    guard="none needed: the keeper never waits for a reader",
    within="",
    annex_h=("communication timing",),
)
def test_a_channel_that_nobody_reads_does_not_delay_the_off_and_its_report_is_kept(
    bench, keeper, until
):
    fill(keeper, until)
    keeper.send(Kind.EXPOSE, 5, to_ns(0.2))
    until(lambda: any(one.level for one in bench.history()), "the lamp to have been on")
    bench.wait_dark()
    line_on, line_off = bench.last(True), bench.last(False)
    assert line_off.at_ns - line_on.at_ns < to_ns(0.2) + 2 * SECOND
    let_beats_find_no_room(bench, keeper, until)
    assert keeper.hear(Kind.ON).order == 5
    assert keeper.hear(Kind.WENT_OFF)[1:3] == (Reason.COMPLETE, 5)


# The journal.


def test_the_journal_has_the_exposure_as_it_was_reported(bench, keeper):
    on = keeper.expose(0.02)
    # Noted before it was switched, and so a little earlier.
    noted_ns = read_journal(bench.journal)[1].on_ns
    assert bench.history()[0].at_ns < noted_ns <= on.a_ns
    off = keeper.hear(Kind.WENT_OFF)
    assert read_journal(bench.journal) == {1: KeptPeriod(1, off.a_ns, off.b_ns)}
    assert bench.journal.read_text() == (
        f"on 1 {noted_ns} 0 NONE\noff 1 {off.a_ns} {off.b_ns} COMPLETE\n"
    )


def test_viewing_is_not_in_the_journal(bench, keeper):
    keeper.send(Kind.VIEW, 1, to_ns(0.01))
    keeper.hear(Kind.WENT_OFF)
    assert read_journal(bench.journal) == {}


def test_a_keeper_that_is_killed_leaves_an_on_without_off(bench, keeper):
    on = keeper.expose(LONG_SECONDS)
    keeper.process.kill()
    keeper.process.wait()
    # Noted before it was switched, and so a little earlier.
    [kept] = read_journal(bench.journal).values()
    assert (kept.order, kept.off_ns) == (1, None)
    assert bench.history()[0].at_ns < kept.on_ns <= on.a_ns


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_a_journal_that_can_not_be_written_does_not_end_an_exposure(bench):
    keeper = bench.start(journal=Path("/dev/full")).ready()
    keeper.expose(0.1)
    assert keeper.hear(Kind.WENT_OFF).reason is Reason.COMPLETE
    assert keeper.leave() == 0
    assert keeper.said() == ""


def test_a_keeper_without_a_lamp_says_so_in_one_sentence_and_is_never_ready(bench):
    bench.folder = bench.folder / "no folder"
    keeper = bench.start()
    assert keeper.process.wait(10) == 8
    said = keeper.said()
    assert "can't be opened" in said
    assert said.count("\n") == 1
    assert keeper.channel.recv(100) == b""
