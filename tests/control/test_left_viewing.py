"""A viewing that the keeper refuses when the printer has already left it."""

import pytest

from timer.control.table import Input, State
from timer.keeper.protocol import Reason


@pytest.mark.parametrize("fault", ["stuck", "alarm"])
def test_a_fault_can_be_cleared_after_a_viewing_that_was_left_before_it_was_refused(room, fault):
    room.keeper.refuses = Reason.TOO_LONG
    room.keeper.report_ns = 1
    room.control.handle(Input.VIEW, room.now_ns)
    room.control.handle(Input.DARK, room.now_ns)  # before the refusal is heard
    room.wait(1.0)
    assert room.state is State.DARK
    if fault == "alarm":
        room.keeper.alarm(Reason.LAMP_STAYS_ON)
    else:
        room.press()
        room.wait(20.0)
        room.lift()
    room.wait(1.0)
    assert room.state is State.FAULT
    assert room.say(Input.CLEAR)
