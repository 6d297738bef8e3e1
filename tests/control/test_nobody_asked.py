"""Nothing starts that nobody asked for, whatever foot, clock and machine do."""

from fractions import Fraction

import pytest

from timer.control.control import ControlSettings
from timer.control.cues import Cue
from timer.control.run import Run
from timer.control.table import Input, State
from timer.photo.prints import Burn, Print
from timer.programmes.model import Advance, Programme

MS = 1_000_000


def burn_run():
    one = Print(5.0, burns=(Burn("sky", Fraction(1, 2)),))
    return Run(Programme("Gate", print=one), 1)


def test_a_foot_that_comes_down_in_one_pass_does_not_start_the_next_by_lifting(darkroom):
    room = darkroom(ControlSettings(pedal_holds=False))
    room.arm(burn_run())
    room.tap()
    room.wait(4.5)
    room.press()
    room.wait(0.6)
    assert room.state is State.WAITING
    room.lift()
    assert room.state is State.WAITING
    assert not room.is_lit
    assert room.cues()[-1] is Cue.REFUSED


def test_a_hold_that_is_heard_after_the_pass_has_ended_does_not_start_the_next(room):
    room.arm(burn_run())
    room.tap()
    room.wait(5.0)
    assert room.state is State.WAITING
    room.control.edge(True, room.now_ns - 2 * MS)  # the foot was faster than the news
    room.wait(0.2)
    room.lift()
    assert room.state is State.WAITING
    assert not room.is_lit


def test_a_foot_that_is_down_while_a_programme_is_armed_starts_nothing_by_lifting(
    room, plain_print
):
    room.tap()
    assert room.state is State.VIEWING
    room.press()
    room.arm(plain_print())
    room.lift()
    assert room.state is State.WAITING
    assert not room.is_lit


def test_two_taps_in_a_hurry_on_a_finished_sheet_do_not_expose_it_again(room, plain_print):
    room.arm(plain_print())
    room.tap()
    room.wait(6.0)
    assert room.state is State.DONE
    room.tap()
    room.wait(0.15)
    room.tap()
    assert room.state is State.WAITING
    assert len(room.exposures) == 1
    assert not room.is_lit
    room.wait(1.0)
    room.tap()
    assert room.is_lit


def test_a_foot_that_was_down_when_the_keeper_died_does_not_clear_the_fault(room, plain_print):
    room.arm(plain_print())
    room.press()
    room.wait(0.1)
    room.lose_keeper()
    room.wait(3.0)
    room.lift()
    assert room.state is State.FAULT


def test_a_pause_that_a_standstill_ran_over_is_held_and_not_started_late(room, strip):
    room.arm(strip(Advance.COUNT))
    room.tap()
    room.wait(5.0)
    assert room.state is State.PAUSING
    room.agenda.now_ns += 12_000 * MS  # the machine stands still
    heard = len(room.ear.cues)
    room.control.wake(room.now_ns)
    assert room.state is State.HELD
    assert not room.is_lit
    assert [cue for _, cue, _ in room.ear.cues[heard:]] == [Cue.HELD]
    room.wait(1.0)
    room.tap()
    assert room.is_lit


@pytest.mark.fault(
    "pedal",
    "A spike on the pedal's wire, shorter than any foot, while a pass waits",
    happens="Nothing starts.",
    guard="control: what is shorter than 8 ms is no foot",
    within="",
    annex_h=("digital I/O", "interrupt handling"),
)
def test_a_spike_on_the_wire_starts_no_pass(room, plain_print):
    room.arm(plain_print())
    room.press()
    room.wait_ns(1_000)
    room.lift()
    room.wait(1.0)
    assert room.state is State.WAITING
    assert room.exposures == []
    assert not room.is_lit


@pytest.mark.fault(
    "pedal",
    "A spike on the pedal's wire while exposing",
    happens="The pass is held, and the next tap exposes the exact rest.",
    guard="control: any press stops",
    within="at once",
    annex_h=("digital I/O", "interrupt handling"),
)
def test_a_spike_while_exposing_stops_the_pass_and_the_next_tap_goes_on(room, plain_print):
    room.arm(plain_print())
    room.tap()
    room.wait(2.0)
    room.press()
    room.wait_ns(1_000)
    room.lift()
    room.wait(1.0)
    assert room.state is State.HELD
    room.tap()
    room.wait(4.0)
    assert sum(one.off_ns - one.on_ns for one in room.exposures) == 5_000 * MS


def test_an_edge_from_before_a_standstill_stops_but_does_not_start(room, plain_print):
    room.arm(plain_print())
    room.control.edge(True, room.now_ns, is_stale=True)
    room.wait(0.2)
    room.control.edge(False, room.now_ns, is_stale=True)
    room.wait_ns(0)
    assert room.state is State.WAITING
    assert not room.is_lit


def test_a_standstill_under_a_foot_gives_nothing_up(room, plain_print):
    room.arm(plain_print())
    room.tap()
    room.wait(2.0)
    room.press()
    room.wait(0.3)
    room.agenda.now_ns += 3_000 * MS  # the machine stands still, the foot lifts meanwhile
    room.control.wake(room.now_ns)
    assert room.state is State.HOLDING


@pytest.mark.parametrize("state", [State.WAITING, State.EXPOSING, State.DONE, State.HELD])
def test_it_is_written_down_that_paper_is_out(brought_into, state):
    room = brought_into(state)
    assert room.record.paper_is_out is True


def test_it_is_written_down_that_the_paper_is_away_again(room):
    room.say(Input.PAPER_OUT)
    assert room.record.paper_is_out is True
    room.say(Input.PAPER_AWAY)
    assert room.record.paper_is_out is False


def test_a_repeat_that_could_not_be_stored_is_not_exposed_after_a_fault(room):
    room.arm(burn_run())
    room.tap()
    room.wait(6.0)
    room.record.stores = None
    room.long_press()
    assert room.state is State.PREPARING
    room.lose_keeper()
    room.record.answer_for(room.armed, False)
    room.say(Input.CLEAR)
    room.wait(1.0)
    room.tap()
    assert room.state in (State.FAULT, State.PAPER_OUT)
    assert len(room.exposures) == 1


def test_a_lift_from_before_a_standstill_does_not_start_although_the_press_was_fresh(
    room, plain_print
):
    room.arm(plain_print())
    room.press()
    room.wait(0.1)
    lifted_ns = room.now_ns
    room.agenda.now_ns += 5_000 * MS  # the machine stands still
    room.control.edge(False, lifted_ns, is_stale=True)
    room.wait_ns(0)
    assert room.state is State.WAITING
    assert not room.is_lit
