"""A pedal that was stuck, or down at the start, clears nothing by being lifted."""

import asyncio

from timer.control.table import Input, State

from .watched import brought_into
from .worked import enlarger


def test_a_pedal_that_was_down_at_start_does_not_clear_its_fault_by_lifting(folder):
    """Over and over: it depends on which of two threads is quicker."""

    async def run():
        for _ in range(20):
            async with enlarger(folder, 10, foot_is_down=True) as one:
                await one.until_state(State.FAULT)
                await one.seconds(4.0)
                one.pedal.lift()
                await one.seconds(1.0)
                assert (await one.status()).state is State.FAULT
                assert await one.say(Input.CLEAR)

    asyncio.run(run())


def test_a_pedal_that_is_stuck_in_a_fault_does_not_clear_it_by_lifting():
    room = brought_into("fault")
    room.moves([(100_000_000, True)])
    room.wait(20.0)
    room.moves([(0, False)])
    room.wait(1.0)
    assert room.where == "fault"
