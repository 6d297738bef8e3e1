"""The keeper hears the pedal itself: a tap starts the latched pass there, and control follows."""

import pytest

from timer.control.cues import Cue
from timer.control.table import Input, State
from timer.keeper.protocol import Kind


@pytest.fixture
def room(room):
    room.keeper.hears_pedal = True
    return room


def test_a_pass_is_latched_as_soon_as_it_may_be_started_and_the_tap_needs_no_order(room, strip):
    room.arm(strip())
    number, duration_ns, from_ns = room.keeper.latched
    assert duration_ns == room.armed.present.intended_ns
    assert from_ns <= room.now_ns
    orders = len(room.keeper.orders)
    room.tap()
    assert room.state is State.EXPOSING
    assert room.is_lit
    assert room.keeper.begun_by_foot == number
    assert Kind.EXPOSE not in room.keeper.orders[orders:]


def test_a_whole_strip_by_foot_is_as_it_was_by_order(room, strip):
    run = room.arm(strip())
    room.tap()
    room.wait(60.0)
    assert room.state is State.DONE
    assert [one.seconds for one in room.exposures] == [5.0, 5.0, 5.0]
    assert [sheet_pass[:2] for sheet_pass in room.record.of("begin")] == [(1, 1), (1, 2), (1, 3)]
    assert run.finished


def test_a_held_pass_is_latched_for_the_rest_alone(room, plain_print):
    room.arm(plain_print())
    room.tap()
    room.wait(2.0)
    room.tap()
    assert room.state is State.HELD
    assert not room.is_lit
    held_ns = room.exposures[0].off_ns - room.exposures[0].on_ns
    assert room.keeper.latched[1] == room.armed.present.intended_ns - held_ns
    room.tap()
    room.wait(10.0)
    assert room.state is State.DONE
    assert sum(one.off_ns - one.on_ns for one in room.exposures) == 5_000_000_000


@pytest.mark.parametrize("does", ["long_press", "very_long_press"])
def test_a_foot_that_is_not_a_tap_starts_nothing_and_calls_the_latch_off_where_it_leaves(
    room, plain_print, does
):
    room.arm(plain_print())
    getattr(room, does)()
    assert not room.exposures
    assert not room.is_lit
    assert (room.keeper.latched is None) == (room.state is not State.WAITING)


@pytest.mark.parametrize("asked", [Input.DARK, Input.PAPER_AWAY, Input.ARM])
def test_what_is_asked_from_elsewhere_calls_the_latch_off_first(room, plain_print, asked):
    room.arm(plain_print())
    before = room.keeper.latched
    assert room.say(asked, run=plain_print())
    room.wait(1.0)
    if asked is Input.ARM:
        assert room.keeper.latched[0] > before[0]
    else:
        assert room.keeper.latched is None
        room.tap()
        assert not room.exposures


@pytest.mark.parametrize("asked", [Input.DARK, Input.PAPER_AWAY, Input.ARM])
def test_where_a_foot_was_quicker_what_was_asked_is_refused_and_the_light_is_on_record(
    room, plain_print, asked
):
    room.keeper.report_ns = 2_000_000
    room.arm(plain_print())
    room.keeper.edge(True)
    room.wait(0.2)
    room.keeper.edge(False)  # the lamp goes on; the daemon has yet to hear of it
    room.wait(0.001)
    assert room.is_lit
    assert room.say(asked, run=plain_print()) == (asked is Input.DARK)
    room.wait(0.5)
    assert not room.is_lit
    assert room.state is State.HELD
    [light] = room.exposures
    assert room.record.of("period") == [(1, 1, light.on_ns, light.off_ns)]
    assert room.armed.received_ns == light.off_ns - light.on_ns


def test_what_is_refused_leaves_the_pass_latched(room, plain_print):
    room.arm(plain_print())
    room.tap()
    room.wait(1.0)
    room.tap()
    assert room.state is State.HELD
    assert not room.say(Input.ARM, run=plain_print())
    room.tap()
    assert room.is_lit


def test_the_echo_of_a_tap_that_armed_anew_starts_nothing_in_the_keeper_either(room, plain_print):
    room.arm(plain_print())
    room.tap()
    room.wait(10.0)
    assert room.state is State.DONE
    room.tap()  # once more
    room.tap()  # an echo of the foot
    assert not room.is_lit
    assert len(room.exposures) == 1
    room.wait(1.0)
    room.tap()
    assert room.is_lit


def test_a_fault_calls_the_latch_off_and_clearing_it_latches_anew(room, plain_print):
    room.arm(plain_print())
    first = room.keeper.latched[0]
    room.control.handle(Input.STUCK, room.now_ns)
    room.wait(0.1)
    assert room.keeper.latched is None
    room.tap()
    assert not room.is_lit
    assert room.say(Input.CLEAR)
    assert room.state is State.WAITING
    assert room.keeper.latched[0] > first
    room.tap()
    assert room.is_lit


def test_a_new_keeper_is_told_of_the_pass_only_after_the_fault_is_cleared(room, plain_print):
    room.arm(plain_print())
    room.lose_keeper()
    assert room.keeper.latched is None
    room.tap()
    assert not room.is_lit
    assert room.say(Input.CLEAR)
    room.tap()
    assert room.is_lit


def test_an_alarm_sounds_again_and_again_until_it_is_cleared(room, plain_print):
    room.arm(plain_print())
    room.control.handle(Input.ALARM, room.now_ns)
    since_ns = room.now_ns
    room.wait(60.0)
    assert room.cues(since_ns).count(Cue.ALARM) >= 15
    room.wait(0.1)
    assert room.say(Input.CLEAR)
    since_ns = room.now_ns
    room.wait(60.0)
    assert Cue.ALARM not in room.cues(since_ns)
