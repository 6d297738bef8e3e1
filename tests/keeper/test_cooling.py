"""The lamp's time within an hour, against a count second by second."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from timer.clock import NS_PER_SECOND, to_ns
from timer.keeper.cooling import HOUR_NS, Cooling
from timer.keeper.protocol import Kind, Reason

MOST_SECONDS = 600


@given(st.lists(st.tuples(st.integers(1, 2000), st.integers(1, 300)), max_size=30))
def test_what_is_left_is_the_allowance_less_the_lit_seconds_of_the_last_hour(gaps_and_lengths):
    cooling, lit, now = Cooling(MOST_SECONDS * NS_PER_SECOND), [], 0
    for gap, length in gaps_and_lengths:
        cooling.note((now + gap) * NS_PER_SECOND, (now + gap + length) * NS_PER_SECOND)
        lit += range(now + gap, now + gap + length)
        now += gap + length
    hour = HOUR_NS // NS_PER_SECOND
    used = sum(now - hour <= second for second in lit)
    left_ns = cooling.left_ns(now * NS_PER_SECOND)
    assert left_ns == max(0, MOST_SECONDS - used) * NS_PER_SECOND


def test_without_a_limit_nothing_is_counted():
    cooling = Cooling(0)
    cooling.note(0, HOUR_NS)
    assert cooling.left_ns(HOUR_NS) is None


@pytest.fixture
def keeper(bench):
    bench.more = {"most_per_hour_ns": to_ns(0.2)}
    return bench.start().ready()


def test_a_pass_that_is_taken_is_made_whole(keeper):
    """A programme that just fits is a little longer by its switching; it is not cut short."""
    on = keeper.expose(0.25)
    off = keeper.hear(Kind.WENT_OFF)
    assert off.reason is Reason.COMPLETE
    assert off.b_ns - on.a_ns >= to_ns(0.249)
    keeper.send(Kind.EXPOSE, 2, to_ns(0.25))
    assert keeper.hear(Kind.REFUSED).reason is Reason.MUST_COOL


def test_viewing_ends_where_the_lamp_must_cool(keeper):
    keeper.send(Kind.VIEW, 1, to_ns(50.0))
    on = keeper.hear(Kind.ON)
    assert on.b_ns - on.a_ns == to_ns(0.2)
    assert keeper.hear(Kind.WENT_OFF).reason is Reason.LIMIT
