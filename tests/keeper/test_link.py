"""The daemon's end: what it does when the keeper dies, hangs, or never starts."""

import os
import signal
import sys
import time

import pytest

from timer.clock import SteadyClock, to_ns
from timer.errors import KeeperError
from timer.keeper.link import force_off
from timer.keeper.protocol import Kind, Reason

LONG_NS = to_ns(50.0)


class Ear:
    """Gathers a link's reports."""

    def __init__(self, link, until):
        self.link, self.until = link, until
        self.reports = []
        self.is_well = True

    def listen(self):
        self.link.ask()
        reports, self.is_well = self.link.receive()
        self.reports += reports
        return self.is_well

    def hear(self, kind):
        def heard():
            assert self.listen(), f"the keeper was lost before it told {kind.name}"
            return any(one.kind is kind for one in self.reports)

        self.until(heard, kind.name)
        return next(one for one in self.reports if one.kind is kind)

    def until_lost(self):
        self.until(lambda: not self.listen(), "the keeper to be found lost")


@pytest.fixture
def link(bench):
    one = bench.link()
    one.start()
    return one


@pytest.fixture
def ear(link, until):
    return Ear(link, until)


def test_a_keeper_that_was_started_is_up_with_the_lamp_off(bench, link):
    assert link.is_up
    assert link.pid is not None
    assert link.fileno() >= 0
    assert not bench.is_lit
    assert bench.history()[-1].pid == link.pid


def test_orders_are_numbered_upwards_and_answered_by_their_number(link, ear):
    first = link.order(Kind.EXPOSE, to_ns(0.02))
    off = ear.hear(Kind.WENT_OFF)
    assert (off.order, off.reason) == (first, Reason.COMPLETE)
    assert link.order(Kind.EXPOSE, to_ns(0.02)) > first


def test_orders_are_numbered_above_any_number_known_from_the_record(link):
    known = link.order(Kind.BEAT) + 10**12
    link.number_orders_after(known)
    link.number_orders_after(7)  # never back
    assert link.order(Kind.BEAT) > known


def test_beats_keep_the_lamp_on_and_their_end_ends_it(bench, until):
    bench.beats_ns = to_ns(0.5)
    link = bench.link()
    link.start()
    ear = Ear(link, until)
    link.order(Kind.EXPOSE, LONG_NS)
    on = ear.hear(Kind.ON)
    clock = SteadyClock()

    def well_beyond() -> bool:
        link.beat()
        assert ear.listen()
        return clock.monotonic_ns() > on.a_ns + to_ns(1.2)

    until(well_beyond, "three times as long as without beats")
    early = [one for one in ear.reports if one.kind is Kind.WENT_OFF]
    if early:  # a machine that stood still for half a second
        pytest.skip("the machine was too busy to beat in time")
    assert ear.hear(Kind.WENT_OFF).reason is Reason.BEATS_STOPPED


def test_a_killed_keeper_is_found_out_and_the_lamp_forced_off_by_us(bench, link, ear):
    link.order(Kind.EXPOSE, LONG_NS)
    ear.hear(Kind.ON)
    os.kill(link.pid, signal.SIGKILL)
    ear.until_lost()
    assert bench.is_lit  # a line keeps its level when its keeper is killed
    off_ns = link.fail()
    assert not bench.is_lit
    assert bench.last(False).pid == os.getpid()
    assert bench.last(False).at_ns <= off_ns
    assert not link.is_up
    assert link.pid is None
    assert link.fileno() == -1


def test_a_keeper_that_stands_still_is_found_out_by_its_silence(bench, link, ear):
    link.order(Kind.EXPOSE, LONG_NS)
    ear.hear(Kind.ON)
    pid = link.pid
    os.kill(pid, signal.SIGSTOP)
    ear.until_lost()
    link.fail()
    assert not bench.is_lit
    assert bench.last(False).pid == os.getpid()
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)


def test_what_a_dying_keeper_told_last_is_still_heard(bench, link, ear):
    link.order(Kind.EXPOSE, LONG_NS)
    ear.hear(Kind.ON)
    os.kill(link.pid, signal.SIGTERM)
    ear.until_lost()
    assert ear.reports[-1][:2] == (Kind.WENT_OFF, Reason.SIGNAL)
    assert not bench.is_lit


def test_after_a_failure_no_order_is_taken_until_a_keeper_is_started_again(bench, link, until):
    link.fail()
    assert link.order(Kind.EXPOSE, LONG_NS) == 0
    link.beat()
    assert link.receive() == ([], True)
    link.start()
    assert link.is_up
    order = link.order(Kind.EXPOSE, to_ns(0.02))
    assert Ear(link, until).hear(Kind.WENT_OFF).order == order


def test_stopping_in_order_ends_with_the_keeper_switching_off(bench, link, ear):
    link.order(Kind.EXPOSE, LONG_NS)
    ear.hear(Kind.ON)
    pid = link.pid
    link.stop()
    assert not bench.is_lit
    assert bench.last(False).pid == pid
    link.stop()  # once more does no harm


@pytest.mark.fault(
    "processes",
    "The keeper is killed as the daemon ends, with the lamp on",
    happens="The lamp is forced off before the daemon has ended.",
    guard="daemon: a lamp of its own, after it has ended the keeper",
    within="50 ms",
    annex_h=("program counter",),
)
def test_stopping_finds_a_keeper_dead_and_forces_the_lamp_off(bench, link, ear):
    link.order(Kind.EXPOSE, LONG_NS)
    ear.hear(Kind.ON)
    os.kill(link.pid, signal.SIGKILL)
    link.stop()
    assert not bench.is_lit
    assert bench.last(False).pid == os.getpid()


@pytest.mark.fault(
    "processes",
    "The keeper stands still as the daemon ends, with the lamp on",
    happens="It is waited for, then killed, and the lamp forced off before the daemon has ended.",
    guard="daemon: a lamp of its own, after it has ended the keeper",
    within="2.1 s",
    annex_h=("program counter",),
)
def test_stopping_a_keeper_that_stands_still_kills_it_and_forces_the_lamp_off(bench, link, ear):
    link.order(Kind.EXPOSE, LONG_NS)
    ear.hear(Kind.ON)
    os.kill(link.pid, signal.SIGSTOP)
    link.stop()
    assert not bench.is_lit
    assert bench.last(False).pid == os.getpid()


@pytest.mark.fault(
    "lamp",
    "The lamp's line can't be written",
    happens="The keeper tells and ends; the daemon forces the line off, alarms, and starts anew.",
    guard="keeper, then daemon: a lamp of its own",
    within="50 ms",
    annex_h=("digital I/O",),
)
def test_a_line_that_can_not_be_written_is_told_before_the_keeper_is_lost(bench, faulty, until):
    link = bench.link(faulty("no writes"))
    link.start()
    ear = Ear(link, until)
    link.order(Kind.EXPOSE, to_ns(0.05))
    ear.until_lost()
    assert ear.reports[-1][:2] == (Kind.ALARM, Reason.LAMP_WRITE_FAILED)
    link.fail()
    assert not bench.is_lit


def test_garbage_from_a_keeper_that_was_up_makes_it_untrusted(bench, faulty, until):
    link = bench.link(faulty("garbage later"))
    link.start()
    Ear(link, until).until_lost()


# Starting.


def test_a_lamp_that_can_not_be_opened_is_told_in_its_own_sentence(bench):
    link = bench.link(lamp=f"simulated:{bench.folder / 'nowhere' / 'line'}")
    with pytest.raises(KeeperError, match=r"^the simulated line .* can't be opened"):
        link.start()
    assert not link.is_up


def test_a_text_that_names_no_lamp_is_told_in_its_own_sentence(bench):
    link = bench.link(lamp="chip:seventeen:high")
    with pytest.raises(KeeperError, match=r"^'chip:seventeen:high' does not name a lamp$"):
        link.start()
    assert not link.is_up


def test_a_command_that_is_not_there_is_told_in_a_sentence(bench):
    link = bench.link((str(bench.folder / "no-keeper"),))
    with pytest.raises(KeeperError, match=r"^the keeper did not start .*; see its log$"):
        link.start()
    assert not link.is_up
    assert link.order(Kind.EXPOSE, LONG_NS) == 0


@pytest.mark.parametrize("fault", ["alarm first", "garbage"])
def test_nothing_but_its_own_word_passes_for_a_keeper_that_is_ready(bench, faulty, fault):
    link = bench.link(faulty(fault))
    with pytest.raises(KeeperError):
        link.start()
    assert not link.is_up
    assert not bench.is_lit


def test_a_keeper_that_leaves_without_a_word_did_not_start(bench):
    link = bench.link((sys.executable, "-c", "pass"))
    with pytest.raises(KeeperError, match=r"^the keeper did not start"):
        link.start()


@pytest.mark.fault(
    "processes",
    "A keeper says that it is ready, lights the lamp and never speaks again",
    happens="Its silence gives it away: it is killed and the lamp forced off.",
    guard="daemon: a lamp of its own, after it has ended the keeper",
    within="2.1 s",
    annex_h=("program counter", "communication timing"),
)
def test_a_keeper_that_says_only_ready_is_found_out_by_its_silence(bench, faulty, until):
    link = bench.link(faulty("silent"))
    link.start()
    bench.wait_lit()
    Ear(link, until).until_lost()
    link.fail()
    assert not bench.is_lit
    assert bench.last(False).pid == os.getpid()


def test_a_line_can_be_forced_off_without_any_keeper(bench):
    keeper = bench.start().ready()
    keeper.expose(50.0)
    keeper.process.kill()
    keeper.process.wait()
    assert bench.is_lit
    before = time.monotonic_ns()
    force_off(bench.lamp_text, SteadyClock())
    assert not bench.is_lit
    assert bench.last(False).pid == os.getpid()
    assert bench.last(False).at_ns >= before
