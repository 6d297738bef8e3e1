"""Evenings in the darkroom, with exact times: the table at work."""

import pytest

from timer.clock import to_ns
from timer.control.control import ControlSettings
from timer.control.cues import Cue
from timer.control.run import Run
from timer.control.table import Input, State
from timer.keeper.protocol import Kind, Reason
from timer.programmes.model import Advance

SECOND = 1_000_000_000
MS = 1_000_000


def received(room):
    return sum(one.off_ns - one.on_ns for one in room.exposures)


def recorded(room):
    return [(on_ns, off_ns) for _, _, on_ns, off_ns in room.record.of("period")]


def lamp(room):
    return [(one.on_ns, one.off_ns) for one in room.exposures]


# A strip without hands.


def test_one_tap_makes_the_whole_strip(room, strip):
    room.arm(strip())
    room.tap()
    starts_ns = room.now_ns
    room.wait(60.0)
    since = [(one.on_ns - starts_ns, one.off_ns - starts_ns) for one in room.exposures]
    assert since == [(0, 5 * SECOND), (9 * SECOND, 14 * SECOND), (18 * SECOND, 23 * SECOND)]
    assert room.state is State.DONE
    passed = [(1, Cue.TICK), (2, Cue.COUNT), (3, Cue.COUNT), (4, Cue.COUNT), (5, Cue.END)]
    paused = [(5, Cue.MOVE_CARD), (6, Cue.COUNT), (7, Cue.COUNT), (8, Cue.COUNT)]
    once = [(0, Cue.START), *passed]
    expected = [(first + at, cue) for first in (0, 9, 18) for at, cue in
                (once + paused if first < 18 else [*once, (5, Cue.DONE)])]  # fmt: skip
    assert room.heard(starts_ns) == expected
    assert recorded(room) == lamp(room)
    assert room.record.of("end") == [(1, number, "complete") for number in (1, 2, 3)]
    assert room.record.of("close") == []


def test_a_pause_is_counted_from_the_true_dark_and_not_from_the_news_of_it(room, strip):
    room.keeper.order_ns, room.keeper.report_ns, room.keeper.overrun_ns = 2 * MS, 30 * MS, MS
    room.arm(strip())
    room.tap()
    room.wait(60.0)
    first, second, third = room.exposures
    assert second.on_ns - first.off_ns == 4 * SECOND + 2 * MS
    assert third.on_ns - second.off_ns == 4 * SECOND + 2 * MS
    assert recorded(room) == lamp(room)


def test_a_strip_by_pedal_waits_for_a_tap_before_each_pass(room, strip):
    room.arm(strip(Advance.PEDAL))
    for number in (1, 2, 3):
        assert room.state is State.WAITING
        room.wait(100.0)
        assert len(room.exposures) == number - 1
        room.tap()
        room.wait(5.0)
    assert room.state is State.DONE
    assert room.cues().count(Cue.MOVE_CARD) == 2
    assert room.record.of("end") == [(1, number, "complete") for number in (1, 2, 3)]


# Holding.


@pytest.mark.parametrize("moments", [(2.3,), (0.4, 1.1, 0.9), (4.9,), (1.0, 1.0, 1.0)])
def test_a_held_pass_goes_on_to_the_exact_total(room, plain_print, moments):
    room.keeper.order_ns, room.keeper.report_ns = 3 * MS, 7 * MS
    room.arm(plain_print())
    room.tap()
    for moment in moments:
        room.wait(moment)
        room.tap()
        assert room.state is State.HELD
        assert not room.is_lit
        room.wait(20.0)
        room.tap()
    room.wait(10.0)
    assert room.state is State.DONE
    assert received(room) == 5 * SECOND
    assert len(room.exposures) == len(moments) + 1
    assert recorded(room) == lamp(room)
    assert room.record.of("end") == [(1, 1, "complete")]


def test_the_foot_holds_as_it_comes_down_and_not_as_it_lifts(room, plain_print):
    room.arm(plain_print())
    room.tap()
    starts_ns = room.now_ns
    room.wait(2.0)
    room.press()
    room.wait(0.5)
    assert [one.off_ns - starts_ns for one in room.exposures] == [2 * SECOND]
    assert Cue.HELD not in room.cues()
    room.lift()
    assert room.cues()[-1] is Cue.HELD


def test_a_status_in_the_middle_of_a_held_pass_tells_what_it_has_received(room, plain_print):
    room.arm(plain_print())
    room.tap()
    room.wait(2.0)
    room.tap()
    status = room.control.status(room.now_ns)
    assert (status.state, status.received_ns, status.on_since_ns) == (State.HELD, 2 * SECOND, None)
    room.tap()
    status = room.control.status(room.now_ns)
    assert status.ends_ns == room.now_ns + 3 * SECOND


def test_where_the_pedal_may_not_hold_a_tap_changes_nothing(darkroom, plain_print):
    room = darkroom(ControlSettings(pedal_holds=False))
    room.arm(plain_print())
    room.tap()
    room.wait(2.0)
    room.tap()
    room.wait(10.0)
    assert [one.seconds for one in room.exposures] == [5.0]


def test_where_the_pedal_may_not_hold_a_long_press_still_gives_up(darkroom, plain_print):
    room = darkroom(ControlSettings(pedal_holds=False))
    room.arm(plain_print())
    room.tap()
    room.wait(2.0)
    room.long_press()
    assert room.state is State.PAPER_OUT
    assert [one.seconds for one in room.exposures] == [2.83]
    assert recorded(room) == lamp(room)


def test_held_in_the_pause_the_next_pass_waits_whole(room, strip):
    room.arm(strip())
    room.tap()
    room.wait(7.0)
    assert room.state is State.PAUSING
    room.tap()
    assert room.state is State.HELD
    room.wait(60.0)
    assert len(room.exposures) == 1
    room.tap()
    room.wait(5.0)
    assert [one.seconds for one in room.exposures] == [5.0, 5.0]
    assert room.state is State.PAUSING


def test_a_foot_that_comes_down_just_as_the_pass_ends_finds_it_complete(room, strip):
    room.keeper.report_ns = 20 * MS
    room.arm(strip())
    room.tap()
    room.wait_ns(5 * SECOND + 10 * MS)
    assert not room.is_lit  # it has ended, but no one here knows yet
    room.press()
    room.wait(0.2)
    room.lift()
    assert room.state is State.WAITING
    assert room.control.status(room.now_ns).pass_number == 2
    assert [one.seconds for one in room.exposures] == [5.0]
    assert room.record.of("end") == [(1, 1, "complete")]


def test_a_tap_so_short_that_it_outruns_the_news_still_finds_the_pass_complete(room, plain_print):
    room.keeper.report_ns = 400 * MS
    room.arm(plain_print())
    room.tap()
    room.wait_ns(5 * SECOND - 10 * MS)
    room.keeper.order_ns = 20 * MS
    room.tap()
    assert room.state is State.HELD
    room.wait(1.0)
    assert room.state is State.DONE
    assert received(room) == 5 * SECOND
    assert room.record.of("end") == [(1, 1, "complete")]


# Giving up.


def test_a_long_press_gives_up_and_the_next_tap_lights_nothing(room, strip):
    room.arm(strip())
    room.tap()
    room.wait(2.5)
    stepped_ns = room.now_ns
    room.long_press()
    assert room.state is State.PAPER_OUT
    assert room.heard(stepped_ns) == [(0.8, Cue.FOOT_LONG), (1.2, Cue.GIVEN_UP)]
    assert [one.seconds for one in room.exposures] == [2.5]
    assert room.record.of("end") == [(1, 1, "given up")]
    assert room.record.of("close") == [(1, "given up")]
    room.wait(30.0)
    room.tap()
    assert room.cues()[-1] is Cue.REFUSED
    room.wait(30.0)
    assert len(room.keeper.periods) == 1


def test_a_held_pass_can_be_given_up(room, strip):
    room.arm(strip())
    room.tap()
    room.wait(2.0)
    room.tap()
    room.wait(5.0)
    room.long_press()
    assert room.state is State.PAPER_OUT
    assert room.record.of("close") == [(1, "given up")]
    assert received(room) == 2 * SECOND


def test_go_dark_gives_up_at_once_wherever_the_run_is(room, strip):
    for seconds in (2.0, 7.0):  # in a pass, in a pause
        room.arm(strip())
        room.tap()
        room.wait(seconds)
        assert room.say(Input.DARK)
        assert room.state is State.PAPER_OUT
        assert not room.is_lit
        room.wait(60.0)
    assert [one.seconds for one in room.exposures] == [2.0, 5.0]
    assert room.record.of("close") == [(1, "given up"), (2, "given up")]


def test_going_dark_while_the_foot_only_brushes_the_pedal_leads_out_all_the_same(room, strip):
    room.arm(strip())
    room.tap()
    room.wait(1.0)
    room.press()
    room.wait(0.002)
    room.say(Input.DARK)
    room.wait(0.002)
    room.lift()
    room.wait(1.0)
    assert room.state is State.PAPER_OUT
    assert room.record.of("close") == [(1, "given up")]


def test_asked_for_once_more_while_ending_dark_leads_out(room, plain_print):
    """The keeper went between the tap and the wish for dark: no report will ever come."""
    room.arm(plain_print())
    room.keeper.die()
    room.press()
    room.wait(0.2)
    room.control.edge(False, room.now_ns)
    room.control.handle(Input.DARK, room.now_ns)
    assert room.state is State.ENDING
    room.say(Input.DARK)
    assert room.state is State.PAPER_OUT


def test_a_very_long_press_before_the_first_pass_gives_up_without_light(room, strip):
    room.arm(strip())
    room.very_long_press()
    assert room.state is State.PAPER_OUT
    assert room.keeper.periods == []
    assert room.record.of("end") == []
    assert room.record.of("close") == [(1, "unused")]


# Once more.


def test_a_long_press_repeats_the_last_pass(room, strip):
    room.arm(strip(Advance.PEDAL))
    room.tap()
    room.wait(5.0)
    room.long_press()
    assert room.state is State.WAITING
    assert len(room.exposures) == 1
    room.wait(1.0)
    room.tap()
    room.wait(5.0)
    assert [one.seconds for one in room.exposures] == [5.0, 5.0]
    assert room.record.of("repeat") == [(1, 1)]
    assert [number for _, number, _ in room.record.of("begin")] == [1, 1]
    room.tap()
    room.wait(5.0)
    assert [number for _, number, _ in room.record.of("begin")] == [1, 1, 2]


def test_there_is_no_pass_to_repeat_before_the_first(room, strip):
    room.arm(strip())
    room.long_press()
    assert room.cues()[-1] is Cue.REFUSED
    assert room.state is State.WAITING


def test_a_long_press_when_done_repeats_the_last_burn_on_the_same_sheet(room, plain_print):
    room.arm(plain_print())
    room.tap()
    room.wait(5.0)
    room.long_press()
    room.wait(1.0)
    room.tap()
    room.wait(5.0)
    assert room.state is State.DONE
    assert room.record.of("open") == [(1,)]
    assert [one.seconds for one in room.exposures] == [5.0, 5.0]


def test_a_tap_when_done_arms_the_same_on_a_fresh_sheet_exactly(room, strip):
    room.arm(strip())
    room.tap()
    room.wait(60.0)
    room.tap()
    assert room.state is State.WAITING
    assert room.record.of("close") == [(1, "complete")]
    assert room.record.of("open") == [(1,), (2,)]
    room.wait(1.0)
    room.tap()
    room.wait(60.0)
    durations = [one.off_ns - one.on_ns for one in room.exposures]
    assert durations[:3] == durations[3:]
    assert room.state is State.DONE


def test_from_dark_a_long_press_arms_the_last_again_and_lights_nothing(room, strip):
    room.arm(strip())
    room.tap()
    room.wait(60.0)
    room.very_long_press()
    assert room.state is State.DARK
    assert room.record.of("close") == [(1, "complete")]
    room.long_press()
    assert room.state is State.WAITING
    room.wait(60.0)
    assert len(room.keeper.periods) == 3


def test_from_dark_a_long_press_is_refused_where_nothing_was_ever_armed(room):
    room.long_press()
    assert room.cues()[-1] is Cue.REFUSED
    assert room.state is State.DARK


# Viewing.


def test_viewing_ends_at_its_limit_with_a_warning_before(room):
    room.tap()
    starts_ns = room.now_ns
    room.wait(200.0)
    assert [one.seconds for one in room.keeper.periods] == [180.0]
    assert room.state is State.DARK
    assert room.heard(starts_ns) == [(165.0, Cue.VIEWING_ENDS)]
    assert recorded(room) == []


def test_viewing_that_was_left_gives_no_warning_later(room):
    room.tap()
    room.wait(10.0)
    room.tap()
    assert room.state is State.DARK
    assert not room.is_lit
    room.tap()
    starts_ns = room.now_ns
    room.wait(170.0)
    assert room.heard(starts_ns) == [(165.0, Cue.VIEWING_ENDS)]


def test_arming_ends_viewing(room, strip):
    room.tap()
    room.wait(5.0)
    room.arm(strip())
    assert room.state is State.WAITING
    assert not room.is_lit
    room.wait(300.0)
    assert room.state is State.WAITING
    assert len(room.keeper.periods) == 1
    assert recorded(room) == []


def test_taking_paper_out_ends_viewing_and_it_is_refused_until_the_paper_is_away(room):
    room.tap()
    room.say(Input.PAPER_OUT)
    assert not room.is_lit
    room.tap()
    assert not room.say(Input.VIEW)
    assert not room.is_lit
    assert room.say(Input.PAPER_AWAY)
    room.tap()
    assert room.is_lit


def test_the_very_long_press_tells_that_the_paper_is_away(room):
    room.say(Input.PAPER_OUT)
    stepped_ns = room.now_ns
    room.very_long_press()
    assert room.state is State.DARK
    assert room.heard(stepped_ns) == [(0.8, Cue.FOOT_LONG), (2.5, Cue.FOOT_VERY_LONG)]


# Storing.


def test_nothing_can_start_before_the_sheet_is_in_the_record(room, strip):
    room.record.stores = None
    run = room.arm(strip())
    room.tap()
    room.wait(10.0)
    assert room.state is State.PREPARING
    assert Kind.EXPOSE not in room.keeper.orders
    room.record.answer_for(run, True)
    assert room.state is State.WAITING
    assert room.cues()[-1] is Cue.READY


def test_what_could_not_be_stored_is_not_ready(room, strip):
    room.record.stores = False
    room.arm(strip())
    assert room.state is State.PAPER_OUT
    assert Cue.READY not in room.cues()
    assert room.cues()[-1] is Cue.NOT_STORED
    room.tap()
    assert room.keeper.periods == []


def test_a_sheet_stored_after_it_was_given_up_is_closed(room, strip):
    room.record.stores = None
    run = room.arm(strip())
    room.say(Input.DARK)
    assert room.state is State.PAPER_OUT
    room.record.answer_for(run, True)
    assert room.state is State.PAPER_OUT
    assert room.record.of("close") == [(1, "unused")]


@pytest.mark.parametrize("stored", [True, False])
def test_a_late_answer_for_a_run_given_up_leaves_the_next_one_alone(room, strip, stored):
    room.record.stores = None
    first = room.arm(strip())
    room.say(Input.DARK)
    second = room.arm(strip())
    room.record.answer_for(first, stored)
    assert room.state is State.PREPARING
    room.record.answer_for(second, True)
    assert room.state is State.WAITING
    room.tap()
    assert room.is_lit
    assert room.record.of("close") == ([(1, "unused")] if stored else [])


def test_a_sheet_stored_after_a_fault_was_cleared_is_closed(room, strip):
    room.record.stores = None
    run = room.arm(strip())
    room.lose_keeper()
    assert room.say(Input.CLEAR)
    assert room.state is State.PAPER_OUT
    room.record.answer_for(run, True)
    assert room.record.of("close") == [(1, "unused")]


def test_a_sheet_is_closed_once_where_its_repeated_pass_is_given_up_before_it_is_stored(
    room, strip
):
    room.arm(strip(Advance.PEDAL))
    room.tap()
    room.wait(5.0)
    room.record.stores = None
    room.long_press()
    assert room.state is State.PREPARING
    room.say(Input.DARK)
    room.record.answer_for(room.record.waiting[0], True)
    assert room.record.of("close") == [(1, "given up")]


def test_a_sheet_is_closed_where_its_repeated_pass_could_not_be_stored(room, strip):
    room.arm(strip(Advance.PEDAL))
    room.tap()
    room.wait(5.0)
    room.record.stores = False
    room.long_press()
    assert room.state is State.PAPER_OUT
    assert room.record.of("close") == [(1, "given up")]


def test_another_programme_may_be_armed_until_the_first_light_and_not_after(room, strip):
    room.arm(strip(Advance.PEDAL))
    room.arm(strip(Advance.PEDAL))
    assert room.record.of("close") == [(1, "unused")]
    room.tap()
    room.wait(5.0)
    assert room.state is State.WAITING
    assert not room.say(Input.ARM, run=strip())
    assert room.control.status(room.now_ns).sheet == 2


# Faults.


@pytest.mark.parametrize("noticed_after", [0.0, 0.3, 1.0])
def test_a_keeper_lost_in_mid_pass_costs_no_light_that_is_not_counted(
    room, plain_print, noticed_after
):
    room.arm(plain_print())
    room.tap()
    room.wait(2.0)
    room.lose_keeper(noticed_after=noticed_after)
    assert room.state is State.FAULT
    assert not room.is_lit
    assert room.cues()[-1] is Cue.FAULT
    room.tap()
    assert not room.is_lit
    assert room.say(Input.CLEAR)
    assert room.state is State.HELD
    assert room.control.status(room.now_ns).received_ns == to_ns(2.0 + noticed_after)
    room.tap()
    room.wait(10.0)
    assert room.state is State.DONE
    assert received(room) == 5 * SECOND
    assert recorded(room) == lamp(room)


def test_a_keeper_lost_before_it_told_of_light_is_taken_to_have_given_it(room, plain_print):
    """Rather a print too light, and told so, than one too dark."""
    room.keeper.report_ns = 500 * MS
    room.arm(plain_print())
    room.tap()
    room.wait(0.25)
    room.lose_keeper(told=False)
    room.say(Input.CLEAR)
    room.keeper.report_ns = 0
    room.tap()
    room.wait(10.0)
    assert received(room) == 5 * SECOND
    assert recorded(room) == lamp(room)[1:]
    # Of the first light only the bounds are known, and they hold what the lamp gave.
    assert room.record.of("bound") == [(1, 1, 0, 250 * MS)]


def test_no_keeper_at_all_is_a_fault_at_the_tap(room, plain_print):
    room.arm(plain_print())
    room.keeper.die()
    room.tap()
    assert room.state is State.FAULT
    assert not room.say(Input.CLEAR)
    room.keeper.be_forced_off()
    assert room.say(Input.CLEAR)
    assert room.state in (State.WAITING, State.HELD)
    room.tap()
    assert room.is_lit


def test_a_keeper_that_hears_no_beats_leaves_the_pass_held(room, plain_print):
    room.arm(plain_print())
    room.tap()
    room.wait(2.0)
    room.keeper.fail(Reason.BEATS_STOPPED)
    room.wait(1.0)
    assert room.state is State.HELD
    room.tap()
    room.wait(10.0)
    assert received(room) == 5 * SECOND


def test_an_order_refused_is_a_fault_and_can_be_tried_again_once_cleared(room, plain_print):
    room.arm(plain_print())
    room.keeper.refuses = Reason.TOO_LONG
    room.tap()
    assert room.state is State.FAULT
    assert "longest_s" in (room.control.status(room.now_ns).fault or "")
    room.keeper.refuses = None
    assert room.say(Input.CLEAR)
    assert room.state is State.WAITING
    room.tap()
    room.wait(5.0)
    assert room.state is State.DONE


def test_a_held_pass_survives_an_order_refused(room, plain_print):
    room.arm(plain_print())
    room.tap()
    room.wait(2.0)
    room.tap()
    room.keeper.refuses = Reason.BUSY
    room.tap()
    assert room.state is State.FAULT
    room.keeper.refuses = None
    room.say(Input.CLEAR)
    room.tap()
    room.wait(10.0)
    assert received(room) == 5 * SECOND
    assert room.state is State.DONE


@pytest.mark.parametrize("then", ["hold", "dark"])
def test_an_order_refused_after_it_was_taken_back_is_a_fault_too(room, plain_print, then):
    room.keeper.report_ns = 100 * MS
    room.arm(plain_print())
    room.keeper.refuses = Reason.TOO_LONG
    room.tap()
    room.wait(0.06)
    if then == "hold":
        room.press()
        room.wait(0.06)
        room.lift()
    else:
        room.say(Input.DARK)
    room.wait(1.0)
    assert room.state is State.FAULT
    assert room.say(Input.CLEAR)
    assert room.state is State.WAITING


def test_an_alarm_of_a_lamp_that_stays_on_tells_to_pull_the_plug(room, plain_print):
    room.arm(plain_print())
    room.tap()
    room.wait(5.0)
    room.keeper.alarm(Reason.LAMP_STAYS_ON)
    room.wait(0.0)
    assert room.state is State.FAULT
    assert "plug" in (room.control.status(room.now_ns).fault or "")


def test_light_that_comes_as_a_fault_comes_is_counted_and_ordered_off(room, plain_print):
    room.keeper.order_ns, room.keeper.report_ns = 10 * MS, 30 * MS
    room.arm(plain_print())
    room.tap()
    room.wait_ns(15 * MS)
    assert room.is_lit
    room.say(Input.STUCK)
    starts_ns = room.now_ns
    assert not room.say(Input.CLEAR)  # what the order did is not known yet
    room.wait(1.0)
    assert not room.is_lit
    assert Cue.START not in room.cues(starts_ns)
    assert recorded(room) == lamp(room)
    assert len(room.record.of("begin")) == 1
    assert room.say(Input.CLEAR)
    assert room.state is State.HELD
    room.tap()
    room.wait(10.0)
    assert received(room) == 5 * SECOND
    assert recorded(room) == lamp(room)


def test_a_pedal_that_stays_down_is_a_fault_with_the_lamp_off(room, strip):
    room.arm(strip())
    room.press()
    pressed_ns = room.now_ns
    room.wait(20.0)
    assert room.state is State.FAULT
    assert room.heard(pressed_ns)[-1] == (15.0, Cue.FAULT)
    assert room.keeper.periods == []
    assert not room.say(Input.CLEAR)  # the foot is still there
    room.lift()
    assert room.state is State.FAULT  # the lift of a stuck pedal mends nothing
    room.wait(1.0)
    room.very_long_press()
    assert room.state is State.WAITING
    room.tap()
    assert room.is_lit


def test_a_pedal_stuck_in_a_pass_has_stopped_it_at_once(room, plain_print):
    room.arm(plain_print())
    room.tap()
    room.wait(2.0)
    room.press()
    room.wait(20.0)
    assert room.state is State.FAULT
    assert [one.seconds for one in room.exposures] == [2.0]


def test_a_fault_while_viewing_leads_to_paper_out_when_cleared(room):
    room.tap()
    room.lose_keeper()
    room.say(Input.CLEAR)
    assert room.state is State.PAPER_OUT
    assert room.control.status(room.now_ns).fault is None
    assert recorded(room) == []


def test_the_sheet_of_a_finished_run_stays_complete_through_a_fault(room, plain_print):
    room.arm(plain_print())
    room.tap()
    room.wait(6.0)
    room.say(Input.STUCK)
    room.say(Input.CLEAR)
    assert room.state is State.PAPER_OUT
    assert room.record.of("close") == [(1, "complete")]


def test_a_finished_sheet_on_which_the_lamp_stayed_on_is_not_complete(room, plain_print):
    room.arm(plain_print())
    room.tap()
    room.wait(6.0)
    room.keeper.alarm(Reason.LAMP_STAYS_ON)
    room.wait(10.0)
    assert room.state is State.FAULT
    room.say(Input.CLEAR)
    assert room.record.of("bound") == [(1, 1, to_ns(5.0), to_ns(15.0))]
    assert room.record.of("close") == [(1, "interrupted")]


# After a power cut.


def test_a_resumed_run_is_held_and_gets_only_what_is_left(darkroom, plain_print):
    run = plain_print(20.0)
    run.sheet, run.begun, run.exposed, run.received_ns = 7, True, True, 12 * SECOND
    room = darkroom(resumed=run, recovered="sheet 7 was interrupted")
    assert room.state is State.HELD
    assert room.control.status(room.now_ns).recovered == "sheet 7 was interrupted"
    room.wait(100.0)
    assert not room.is_lit
    room.tap()
    starts_ns = room.now_ns
    room.wait(60.0)
    assert [one.seconds for one in room.exposures] == [8.0]
    assert room.heard(starts_ns) == [
        (0.0, Cue.START), (1.0, Cue.TICK), (2.0, Cue.TICK), (3.0, Cue.FIFTH), (4.0, Cue.TICK),
        (5.0, Cue.COUNT), (6.0, Cue.COUNT), (7.0, Cue.COUNT), (8.0, Cue.END), (8.0, Cue.DONE),
    ]  # fmt: skip


def test_paper_that_was_out_before_the_power_cut_is_out_after_it(darkroom, plain_print):
    room = darkroom(resumed=plain_print(), paper_is_out=True)
    assert room.state is State.PAPER_OUT
    room.tap()
    assert not room.is_lit
    room.long_press()  # the same once more
    assert room.state is State.WAITING


def test_how_far_a_pass_has_come_is_noted_every_half_second(room, plain_print):
    room.arm(plain_print(1.8))
    room.tap()
    room.wait(5.0)
    assert room.record.of("mark") == [(1, 1, half * SECOND // 2) for half in (1, 2, 3)]


def test_the_run_counts_what_is_left_and_never_less_than_nothing(plain_print):
    run: Run = plain_print()
    run.received_ns = 6 * SECOND
    assert run.left_ns == 0


def test_a_sheet_that_saw_no_light_is_unused_and_not_spoilt(room, plain_print):
    room.arm(plain_print())
    room.say(Input.DARK)
    assert room.record.of("close") == [(1, "unused")]


def test_a_finished_sheet_stays_complete_where_its_repeat_is_not_made(room, plain_print):
    room.arm(plain_print())
    room.tap()
    room.wait(6.0)
    room.long_press()
    room.wait(1.0)
    room.very_long_press()
    assert room.record.of("close") == [(1, "complete")]


def test_what_was_told_of_a_recovered_pass_is_past_once_the_rest_is_given(darkroom, plain_print):
    run = plain_print()
    run.sheet, run.begun, run.exposed, run.received_ns = 1, True, True, 2_000_000_000
    room = darkroom(resumed=run, recovered="it had received 2 s")
    assert room.control.status(room.now_ns).recovered == "it had received 2 s"
    assert room.control.status(room.now_ns).hands == "leave paper and card as they are"
    room.tap()
    assert room.control.status(room.now_ns).recovered is None
    room.wait(4.0)
    assert [one.seconds for one in room.exposures] == [3.0]
