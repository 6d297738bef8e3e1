"""The pedal's grammar: what a foot meant, from what its switch did."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from timer.foot import Foot, PedalGrammar, PedalTimes

MS = 1_000_000
LIFTS = {Foot.TAP, Foot.AGAIN, Foot.LEAVE, Foot.BRUSH}


class Pedal:
    """The grammar, and what it said: input and milliseconds."""

    def __init__(self):
        self.said = []
        self.crossed = []
        self.grammar = PedalGrammar(
            PedalTimes(),
            lambda one, at_ns: self.said.append((one, at_ns / MS)),
            lambda very_long, at_ns: self.crossed.append((very_long, at_ns / MS)),
        )

    def does(self, *edges):
        """Take edges: milliseconds, positive where the switch closes, negative where it opens."""
        for at_ms in edges:
            self._wake_until(abs(at_ms))
            self.grammar.edge(at_ms > 0, abs(at_ms) * MS)
        return self

    def at(self, at_ms):
        """Let time pass, as a driver does that is never late."""
        self._wake_until(at_ms)
        self.grammar.wake(at_ms * MS)
        return self.said

    def _wake_until(self, at_ms):
        while (due_ns := self.grammar.next_wake_ns) is not None and due_ns <= at_ms * MS:
            self.grammar.wake(due_ns)


@pytest.fixture
def foot():
    return Pedal()


@pytest.mark.parametrize(
    ("lifts_ms", "meant"),
    [
        (1060, Foot.TAP), (1799, Foot.TAP), (1800, Foot.AGAIN), (3499, Foot.AGAIN),
        (3500, Foot.LEAVE), (15_999, Foot.LEAVE),
    ],
)  # fmt: skip
def test_the_length_of_a_press_says_what_is_meant(foot, lifts_ms, meant):
    foot.does(1000, -lifts_ms)
    long = [(Foot.LONG, 1800.0)] if lifts_ms >= 1800 else []
    assert foot.at(20_000) == [(Foot.PRESS, 1000.0), *long, (meant, float(lifts_ms))]


def test_a_lift_that_is_heard_late_is_still_the_tap_that_it_was(foot):
    foot.does(1000)
    foot.grammar.wake(1810 * MS)  # the lift of 1790 is still on its way
    foot.does(-1790)
    assert foot.said == [(Foot.PRESS, 1000.0), (Foot.TAP, 1790.0)]


def test_the_printer_hears_when_a_press_is_long_and_very_long(foot):
    foot.does(1000)
    foot.at(4000)
    assert foot.crossed == [(False, 1800.0), (True, 3500.0)]


@pytest.mark.fault(
    "pedal",
    "The pedal's contact bounces when the foot comes down and when it lifts",
    happens="That is one press and one lift, each at its first edge.",
    guard="keeper and control: the bounce of pedal.bounce_s",
    within="",
    annex_h=("digital I/O", "interrupt handling"),
)
def test_bounce_is_one_press_and_one_lift_stamped_at_the_first_edge(foot):
    foot.does(1000, -1001, 1002, -1004, 1005, -1300, 1301, -1303, 1309, -1312)
    assert foot.at(2000) == [(Foot.PRESS, 1000.0), (Foot.TAP, 1300.0)]


def test_a_tap_shorter_than_the_bounce_is_still_a_tap(foot):
    foot.does(1000, -1010)
    assert foot.at(1049) == [(Foot.PRESS, 1000.0)]
    assert foot.at(1050) == [(Foot.PRESS, 1000.0), (Foot.TAP, 1010.0)]


def test_a_foot_that_comes_back_within_the_bounce_of_lifting_is_down_again(foot):
    foot.does(1000, -1300, 1320)
    assert foot.at(1400) == [(Foot.PRESS, 1000.0), (Foot.TAP, 1300.0), (Foot.PRESS, 1320.0)]


def test_a_pedal_that_stays_down_is_stuck_once(foot):
    foot.does(1000)
    assert foot.at(60_000) == [
        (Foot.PRESS, 1000.0), (Foot.LONG, 1800.0), (Foot.STUCK, 16_000.0),
    ]  # fmt: skip
    assert foot.at(90_000)[3:] == []


def test_a_late_wake_stamps_what_it_finds_at_its_own_time(foot):
    foot.does(1000)
    foot.at(9000)
    assert foot.said[1] == (Foot.LONG, 1800.0)
    foot.does(-9001)
    assert foot.said[-1] == (Foot.LEAVE, 9001.0)


def test_an_edge_brings_what_was_due_before_it(foot):
    foot.does(1000, -2000)
    assert foot.said == [(Foot.PRESS, 1000.0), (Foot.LONG, 1800.0), (Foot.AGAIN, 2000.0)]


def test_it_asks_to_be_woken_for_the_end_of_bounce_and_for_each_length(foot):
    assert foot.grammar.next_wake_ns is None
    foot.does(1000)
    asked = []
    while (at_ns := foot.grammar.next_wake_ns) is not None:
        asked.append(at_ns / MS)
        foot.grammar.wake(at_ns)
    assert asked == [1050.0, 1830.0, 3530.0, 16_030.0]  # 30 ms: a lift may be on its way


def test_whether_the_foot_is_down_is_known_without_bounce(foot):
    foot.does(1000, -1001)
    assert foot.grammar.foot_is_down
    foot.at(1060)
    assert not foot.grammar.foot_is_down


@settings(derandomize=True, deadline=None, max_examples=300)
@given(
    edges=st.lists(
        st.tuples(
            st.booleans(), st.one_of(st.integers(0, 80 * MS), st.integers(0, 20_000 * MS)),
            st.booleans(),
        ),
        max_size=40,
    )
)  # fmt: skip
def test_whatever_the_switch_does_presses_and_lifts_take_turns(edges):
    foot = Pedal()
    now_ns, down = 0, False
    for down, apart_ns, woken in edges:
        now_ns += apart_ns
        foot.grammar.edge(down, now_ns)
        if woken and foot.grammar.next_wake_ns is not None:
            now_ns = max(now_ns, foot.grammar.next_wake_ns)
            foot.grammar.wake(now_ns)
    foot.grammar.wake(now_ns + 100 * MS)
    turns = [one for one, _ in foot.said if one is Foot.PRESS or one in LIFTS]
    assert all(one is Foot.PRESS for one in turns[::2])
    assert all(one in LIFTS for one in turns[1::2])
    # In the end it knows the truth, and stamps never go back.
    assert foot.grammar.foot_is_down == (down if edges else False)
    assert [at for _, at in foot.said] == sorted(at for _, at in foot.said)
    longs = [one for one, _ in foot.said if one is Foot.LONG]
    assert len(longs) <= turns.count(Foot.PRESS)
