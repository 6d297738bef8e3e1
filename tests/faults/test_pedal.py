"""What goes wrong with the pedal, and what the printer finds then."""

import random

import pytest

from timer.control.table import State

from .watched import brought_into

PRESSES = 1000
PRESSES_IN_A_GO = 10


@pytest.mark.fault(
    "pedal",
    "The pedal is pressed a thousand times at random, in each state",
    happens="The lamp goes on only by a tap that is meant for what is to be seen, and all light is "
    "in the record.",
    guard="control: what was meant for an earlier moment starts nothing",
    within="",
    annex_h=("interrupt handling", "digital I/O"),
)
@pytest.mark.parametrize("state", list(State))
def test_a_thousand_presses_at_random_start_only_what_they_mean(state):
    chance = random.Random(f"a thousand presses while {state}")
    presses = 0
    while presses < PRESSES:
        room = brought_into(state.value)
        for _ in range(PRESSES_IN_A_GO):
            lasts_ns = round(10 ** chance.uniform(3, 10.3))  # from 1 µs to 20 s
            gap_ns = round(10 ** chance.uniform(6, 9.7))  # from 1 ms to 5 s
            room.moves([(0, True), (lasts_ns, False)])
            room.check()
            room.wait_ns(gap_ns)
            room.check()
            room.check_light()
            presses += 1
