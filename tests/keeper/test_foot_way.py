"""The pedal in the keeper: a real process on a simulated wire, with no daemon in between."""

import signal
from time import monotonic_ns

import pytest

from hardware.simulated import SimulatedFoot
from timer.clock import NS_PER_SECOND, to_ns
from timer.keeper.protocol import Kind, Reason, Record, pack

TAP_NS = to_ns(0.2)
ORDER = 7


@pytest.fixture
def keeper(bench):
    bench.more = {"pedal": f"simulated:{bench.folder / 'pedal'}"}
    one = bench.start().ready()
    assert one.hear(Kind.EDGE).b_ns == 0  # where the foot is
    one.reports.clear()
    return one


@pytest.fixture
def foot(bench, keeper):
    """A foot whose stamps are the test's: ``at_ns``."""

    class Foot(SimulatedFoot):
        at_ns = 0

    one = Foot(bench.folder / "pedal", now_ns=lambda: one.at_ns)
    yield one
    one.close()


def until_read(keeper):
    """Wait until the keeper has taken all that it was sent."""
    keeper.send(Kind.ASK)
    keeper.hear(Kind.ALIVE)


def latch(keeper, seconds, *, order=ORDER, from_ns=0):
    keeper.channel.send(pack(Record(Kind.LATCH, Reason.NONE, order, to_ns(seconds), from_ns)))
    until_read(keeper)


def tap(foot):
    """Tap as a foot does that came down 0.2 s ago; returns the stamp of the press."""
    pressed_ns = foot.at_ns = monotonic_ns() - TAP_NS
    foot.press()
    foot.at_ns = monotonic_ns()
    foot.lift()
    return pressed_ns


def test_a_tap_starts_what_is_latched_and_its_edges_are_told_first(bench, keeper, foot):
    latch(keeper, 0.3)
    lifted_at_ns = monotonic_ns()
    pressed_ns = tap(foot)
    on = keeper.hear(Kind.ON)
    assert on.order == ORDER
    assert on.a_ns >= lifted_at_ns
    edges = [(one.a_ns, one.b_ns) for one in keeper.reports if one.kind is Kind.EDGE]
    assert [down for _, down in edges] == [1, 0]
    assert edges[0][0] == pressed_ns
    off = keeper.hear(Kind.WENT_OFF)
    assert off.reason is Reason.COMPLETE
    assert off.b_ns - off.a_ns >= to_ns(0.29)
    assert not bench.is_lit


def test_without_a_latch_a_tap_is_only_told(bench, keeper, foot):
    tap(foot)
    assert keeper.hear(Kind.EDGE).b_ns == 1
    assert keeper.hear(Kind.EDGE).b_ns == 0
    assert not any(one.level for one in bench.history())


def test_a_latch_starts_once(bench, keeper, foot):
    latch(keeper, 0.05)
    tap(foot)
    keeper.hear(Kind.WENT_OFF)
    tap(foot)
    until_read(keeper)
    assert sum(one.level for one in bench.history()) == 1


def test_the_order_that_confirms_a_tap_does_nothing_more(bench, keeper, foot):
    latch(keeper, 0.2)
    tap(foot)
    keeper.hear(Kind.ON)
    keeper.send(Kind.EXPOSE, ORDER, to_ns(0.2))
    keeper.hear(Kind.WENT_OFF)
    keeper.send(Kind.EXPOSE, ORDER, to_ns(0.2))
    until_read(keeper)
    assert sum(one.level for one in bench.history()) == 1
    assert Kind.REFUSED not in [one.kind for one in keeper.reports]


def test_the_order_starts_what_is_latched_where_no_foot_did(bench, keeper):
    latch(keeper, 0.1)
    assert keeper.expose(0.1, ORDER).order == ORDER
    keeper.hear(Kind.WENT_OFF)
    assert sum(one.level for one in bench.history()) == 1


def test_a_foot_that_came_down_before_the_pass_was_ready_starts_nothing(bench, keeper, foot):
    latch(keeper, 0.1, from_ns=monotonic_ns())
    foot.at_ns = monotonic_ns() - to_ns(0.3)
    foot.press()
    foot.at_ns = monotonic_ns()
    foot.lift()
    until_read(keeper)
    assert not any(one.level for one in bench.history())


@pytest.mark.parametrize("down_seconds", [0.001, 0.9, 3.0], ids=["spike", "long", "very long"])
def test_what_is_no_tap_starts_nothing(bench, keeper, foot, down_seconds):
    latch(keeper, 0.1)
    foot.at_ns = monotonic_ns() - to_ns(0.1 + down_seconds)
    foot.press()
    foot.at_ns += to_ns(down_seconds)
    foot.lift()
    until_read(keeper)
    assert not any(one.level for one in bench.history())


def test_a_tap_from_before_a_standstill_starts_nothing(bench, keeper, foot):
    latch(keeper, 0.1)
    foot.at_ns = monotonic_ns() - 3 * NS_PER_SECOND
    foot.press()
    foot.at_ns += TAP_NS
    foot.lift()
    until_read(keeper)
    assert not any(one.level for one in bench.history())


@pytest.mark.parametrize("kind", [Kind.OFF, Kind.DISMISS])
def test_a_latch_that_was_called_off_starts_nothing(bench, keeper, foot, kind):
    latch(keeper, 0.1)
    keeper.send(kind, ORDER)
    if kind is Kind.DISMISS:
        assert keeper.hear(Kind.DISMISSED)[2:4] == (ORDER, 0)
    until_read(keeper)
    tap(foot)
    until_read(keeper)
    assert not any(one.level for one in bench.history())


def test_a_latch_that_is_called_off_too_late_is_switched_off_and_said_to_have_begun(keeper, foot):
    latch(keeper, 50.0)
    tap(foot)
    keeper.hear(Kind.ON)
    keeper.send(Kind.DISMISS, ORDER)
    assert keeper.hear(Kind.DISMISSED)[2:4] == (ORDER, ORDER)
    assert any(one[:3] == (Kind.WENT_OFF, Reason.ORDERED, ORDER) for one in keeper.reports)


def test_a_press_stops_an_exposure_however_it_was_started(bench, keeper, foot):
    on = keeper.expose(50.0)
    foot.at_ns = monotonic_ns()
    foot.press()
    off = keeper.hear(Kind.WENT_OFF)
    assert off.reason is Reason.FOOT
    assert off.a_ns == on.a_ns
    assert bench.last(False).pid == keeper.pid
    assert not bench.is_lit


def at_once(keeper, foot, *happens):
    """Let the keeper find all that ``happens`` when it next looks, in this order."""
    keeper.stop()
    for one in happens:
        one()
    keeper.go_on()


def test_a_press_after_the_order_stops_it_though_both_come_at_once(keeper, foot):
    def press():
        foot.at_ns = monotonic_ns()
        foot.press()

    at_once(keeper, foot, lambda: keeper.send(Kind.EXPOSE, ORDER, to_ns(50.0)), press)
    assert keeper.hear(Kind.WENT_OFF).reason is Reason.FOOT


def test_a_tap_that_comes_with_the_word_to_go_dark_gives_no_light(bench, keeper, foot):
    latch(keeper, 5.0)
    at_once(keeper, foot, lambda: tap(foot), lambda: keeper.send(Kind.OFF, ORDER))
    until_read(keeper)
    assert not any(one.level for one in bench.history())


def test_a_tap_after_the_daemon_died_gives_no_light(bench, keeper, foot):
    latch(keeper, 5.0)
    at_once(keeper, foot, keeper.channel.close, lambda: tap(foot))
    keeper.process.wait()
    assert not any(one.level for one in bench.history())


def test_a_press_leaves_viewing_to_the_daemon(bench, keeper, foot):
    keeper.send(Kind.VIEW, 1, to_ns(50.0))
    keeper.hear(Kind.ON)
    foot.at_ns = monotonic_ns()
    foot.press()
    keeper.hear(Kind.EDGE)
    assert bench.is_lit


def test_a_press_that_may_not_hold_stops_nothing(bench):
    bench.more = {"pedal": f"simulated:{bench.folder / 'pedal'}", "pedal_holds": False}
    keeper = bench.start().ready()
    keeper.expose(50.0)
    foot = SimulatedFoot(bench.folder / "pedal")
    foot.press()
    while not keeper.hear(Kind.EDGE).b_ns:
        pass
    assert bench.is_lit
    foot.close()


def test_a_tap_starts_nothing_while_the_daemon_is_silent(bench):
    bench.more = {"pedal": f"simulated:{bench.folder / 'pedal'}"}
    bench.beats_ns = to_ns(0.05)
    keeper = bench.start().ready()
    latch(keeper, 0.1)
    foot = SimulatedFoot(bench.folder / "pedal", now_ns=lambda: foot_ns)
    foot_ns = monotonic_ns()
    foot.press()
    while monotonic_ns() < foot_ns + TAP_NS:
        keeper.send(Kind.ASK)  # no beat
        keeper.hear(Kind.ALIVE)
    foot_ns = monotonic_ns()
    foot.lift()
    until_read(keeper)
    assert not any(one.level for one in bench.history())
    foot.close()


def test_a_foot_that_is_down_at_the_start_is_told_and_its_lift_starts_nothing(bench):
    bench.more = {"pedal": f"simulated:{bench.folder / 'pedal'}"}
    before = bench.start().ready()
    foot = SimulatedFoot(bench.folder / "pedal")
    before.stop()
    foot.press()  # nobody reads it
    before.process.send_signal(signal.SIGKILL)
    before.process.wait()
    keeper = bench.start()
    assert keeper.hear(Kind.READY).order == 1
    assert keeper.hear(Kind.EDGE).b_ns == 1
    latch(keeper, 0.1)
    foot.lift()
    assert keeper.hear(Kind.EDGE).b_ns == 0
    until_read(keeper)
    assert not any(one.level for one in bench.history())
    foot.close()


def test_a_pedal_that_can_not_be_read_ends_the_light_with_an_alarm_of_its_own(bench, keeper, foot):
    keeper.expose(50.0)
    (bench.folder / "pedal").write_bytes(b"oops")
    assert keeper.hear(Kind.ALARM).reason is Reason.PEDAL_FAILED
    assert keeper.hear(Kind.WENT_OFF).reason is Reason.PEDAL_FAILED
    assert not bench.is_lit
