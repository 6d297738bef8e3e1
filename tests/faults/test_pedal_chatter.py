"""A contact that chatters is no foot: it starts nothing, however often it makes and breaks."""

import random

import pytest

from timer.control.table import Input, State

from .enlarger_in_words import MS
from .watched import brought_into
from .worked import play

# The foot's own contact, a loose plug, and a wire that picks up the mains: 50 and 60 Hz.
APART_NS = [MS // 10, 1 * MS, 3 * MS, 10 * MS, 8_333_333]
STATES = [State.DARK, State.WAITING, State.EXPOSING, State.HELD]


@pytest.mark.fault(
    "pedal",
    "The pedal's contact chatters for 10 s: an edge each millisecond",
    happens="Nothing starts by it; what ran is held at the first edge. Then a tap is a tap again.",
    guard="keeper and control: a contact that does not come to rest is no foot",
    within="at once, at the first edge",
    annex_h=("interrupt handling", "digital I/O"),
)
@pytest.mark.parametrize("by_keeper", [False, True], ids=["daemon reads", "keeper reads"])
@pytest.mark.parametrize("state", STATES)
def test_ten_thousand_edges_in_ten_seconds_start_nothing(folder, state, by_keeper):
    async def story(one):
        await one.bring_into(state)
        before = one.turned_on()
        _, rests = await one.chatter(10_000, 1 * MS)
        await one.seconds(1.0)
        # Where the machine was too busy to make it chatter, it may have been taken for a foot.
        assert one.turned_on() - before <= rests
        if rests:
            assert await one.say(Input.DARK)
            await one.until(lambda: not one.is_lit, "the lamp is off")
            return
        assert not one.is_lit
        status = await one.status()
        assert status.state in ({State.EXPOSING: State.HELD}.get(state, state), State.FAULT)
        if status.state is State.FAULT:
            assert await one.say(Input.CLEAR)
            await one.seconds(1.0)
        await one.tap()
        await one.until(lambda: one.turned_on() == before + 1, "a tap is a tap again")

    play(folder, 4, story, by_keeper=by_keeper)


@pytest.mark.parametrize("apart_ns", APART_NS)
@pytest.mark.parametrize("state", list(State))
def test_a_contact_that_chatters_starts_nothing_in_any_state(state, apart_ns):
    room = brought_into(state.value)
    room.watched.lit_for.clear()
    edges = 10_000_000_000 // apart_ns // 2 * 2
    for number in range(edges):
        room.control.edge(number % 2 == 0, room.now_ns)
        room.wait_ns(apart_ns)
    room.wait(1.0)
    assert not set(room.watched.lit_for) - {"the pause ended"}
    room.check()
    room.check_light()


@pytest.mark.parametrize("seed", range(20))
def test_a_contact_that_chatters_irregularly_starts_nothing(seed):
    chance = random.Random(seed)
    room = brought_into("waiting")
    room.watched.lit_for.clear()
    ends_ns = room.now_ns + 10_000 * MS
    down = True
    while room.now_ns < ends_ns:
        room.control.edge(down, room.now_ns)
        room.wait_ns(chance.randint(1, 15 * MS))
        down = not down
    room.control.edge(False, room.now_ns)
    room.wait(1.0)
    assert not room.watched.lit_for
    assert room.where in ("waiting", "fault")
