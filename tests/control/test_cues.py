"""What is to be heard within a pass and a pause, and when."""

from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from timer.clock import to_ns
from timer.control.cues import Cue, cues_of_pass, cues_of_pause
from timer.control.run import Run
from timer.programmes.passes import HeldBack, Pass

SECOND = 1_000_000_000
MS = 1_000_000
DODGING = {Cue.DODGE, Cue.DODGE_OVER, Cue.DODGE_COUNT}


def one_pass(seconds, *dodges):
    return Pass(
        number=1, kind="base", label=None, filter=None, intended_ns=to_ns(seconds), pause_ns=None,
        hands="paper in the easel",
        dodges=tuple(HeldBack(label, to_ns(a), to_ns(b)) for label, a, b in dodges),
    )  # fmt: skip


def heard(one):
    return [(mark.after_ns / SECOND, mark.cue) for mark in cues_of_pass(one)]


@pytest.mark.parametrize("seconds", [3.5, 4.0, 10.0, 30.25, 600.0])
def test_the_last_three_seconds_are_counted(seconds):
    counts = [at for at, cue in heard(one_pass(seconds)) if cue is Cue.COUNT]
    assert counts == [seconds - 3, seconds - 2, seconds - 1]


def test_of_a_pass_too_short_for_three_the_seconds_that_it_has_are_counted():
    assert heard(one_pass(2.5)) == [(0.5, Cue.COUNT), (1.5, Cue.COUNT)]
    assert heard(one_pass(0.9)) == []


def test_every_second_ticks_and_every_fifth_is_marked():
    assert heard(one_pass(13.0)) == [
        *((float(n), Cue.TICK if n % 5 else Cue.FIFTH) for n in range(1, 10)),
        (10.0, Cue.COUNT), (11.0, Cue.COUNT), (12.0, Cue.COUNT),
    ]  # fmt: skip


def test_a_dodge_is_counted_in_told_and_told_to_be_over():
    marks = cues_of_pass(one_pass(20.0, ("face", 6.0, 9.5)))
    dodging = [(m.after_ns / SECOND, m.cue, m.label) for m in marks if m.cue in DODGING]
    assert dodging == [
        (3.0, Cue.DODGE_COUNT, "face"), (4.0, Cue.DODGE_COUNT, "face"),
        (5.0, Cue.DODGE_COUNT, "face"), (6.0, Cue.DODGE, "face"), (9.5, Cue.DODGE_OVER, "face"),
    ]  # fmt: skip


def test_no_tick_blurs_a_cue_of_a_dodge():
    marks = heard(one_pass(20.0, ("face", 6.1, 9.0)))
    told = [at for at, cue in marks if cue in DODGING]
    ticks = [at for at, cue in marks if cue in (Cue.TICK, Cue.FIFTH)]
    assert ticks
    assert all(abs(tick - at) > 0.25 for tick in ticks for at in told)


def test_a_count_in_does_not_reach_into_the_dodge_before():
    marks = heard(one_pass(30.0, ("face", 5.0, 10.0), ("hands", 11.5, 14.0)))
    assert [at for at, cue in marks if cue is Cue.DODGE_COUNT and at > 5.0] == [10.5]


def test_in_a_pause_the_card_is_called_for_first_and_the_light_is_counted_in():
    assert [(m.after_ns / SECOND, m.cue) for m in cues_of_pause(4 * SECOND)] == [
        (0.0, Cue.MOVE_CARD), (1.0, Cue.COUNT), (2.0, Cue.COUNT), (3.0, Cue.COUNT),
    ]  # fmt: skip


def dodged_run(plain_print, *dodges, seconds=20.0):
    run = plain_print(seconds)
    return Run(run.programme, 1, passes=(one_pass(seconds, *dodges),))


def test_a_dodge_that_begins_with_the_pass_is_told_at_its_start(room, plain_print):
    room.arm(dodged_run(plain_print, ("sky", 0.0, 4.0)))
    room.tap()
    assert room.cues()[-2:] == [Cue.START, Cue.DODGE]


def test_held_within_a_dodge_its_end_is_told_at_its_time_of_exposure(room, plain_print):
    room.arm(dodged_run(plain_print, ("face", 6.0, 9.0)))
    room.tap()
    room.wait(7.5)
    room.tap()
    room.wait(30.0)
    room.tap()
    goes_on_ns = room.now_ns
    room.wait(60.0)
    assert (1.5, Cue.DODGE_OVER) in room.heard(goes_on_ns)
    assert Cue.DODGE not in room.cues(goes_on_ns)


MOMENTS = st.one_of(
    st.integers(10 * MS, 19_900 * MS),
    # Where it is close: about the cues themselves.
    st.builds(lambda at, off: at * SECOND + off, st.sampled_from([3, 5, 6, 9, 12]),
              st.integers(-12 * MS, 12 * MS)),
)  # fmt: skip


@settings(derandomize=True, deadline=None, max_examples=150)
@given(moment_ns=MOMENTS, order_ns=st.integers(0, 10 * MS), report_ns=st.integers(0, 10 * MS))
def test_whenever_the_pass_is_held_no_dodge_is_told_twice_and_none_is_lost(
    darkroom, plain_print, moment_ns, order_ns, report_ns
):
    room = darkroom()
    room.keeper.order_ns, room.keeper.report_ns = order_ns, report_ns
    room.arm(dodged_run(plain_print, ("face", 6.0, 9.0), ("sky", 9.0, 12.0)))
    room.tap()
    room.wait_ns(moment_ns)
    room.tap()
    room.wait(5.0)
    room.tap()
    room.wait(60.0)
    labelled = [(cue, label) for _, cue, label in room.ear.cues if cue in DODGING]
    told = [one for one in labelled if one[0] is not Cue.DODGE_COUNT]
    assert told == [
        (Cue.DODGE, "face"), (Cue.DODGE_OVER, "face"), (Cue.DODGE, "sky"), (Cue.DODGE_OVER, "sky"),
    ]  # fmt: skip
    counted = Counter(cue for _, cue, _ in room.ear.cues)
    assert counted[Cue.COUNT] <= 3
    assert counted[Cue.DODGE_COUNT] <= 3
    assert counted[Cue.FIFTH] <= 3
