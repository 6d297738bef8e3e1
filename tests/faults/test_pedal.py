"""What goes wrong with the pedal, and what the printer finds then."""

import random

import pytest

from timer.control.table import Input, State
from timer.service.interface import PRESSES as PRESSES_BY_COMMAND

from .enlarger_in_words import MS, S
from .watched import brought_into
from .worked import play

FOOT_IS_DOWN = (State.HOLDING, State.ENDING)

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


# Stuck, cut off, unplugged: by the control's own doors, in each state.


@pytest.mark.fault(
    "pedal",
    "The pedal stays down, whatever is going on",
    happens="The lamp does not go on by it; after pedal.stuck_s a fault is told, which can be "
    "cleared once the foot is up.",
    guard="control: what a foot means is known when it lifts; pedal.stuck_s",
    within="pedal.stuck_s while viewing; at once while exposing",
    annex_h=("digital I/O", "interrupt handling"),
)
@pytest.mark.parametrize("state", list(State))
def test_a_pedal_that_stays_down_starts_nothing_and_is_told(state):
    room = brought_into(state.value)
    room.watched.lit_for.clear()
    room.moves([(0, True)])
    assert not room.is_lit or state is State.VIEWING
    room.wait(15.1)
    assert room.where == "fault"
    assert not room.is_lit
    room.wait(3600.0)
    assert not room.watched.lit_for
    assert not room.say(Input.CLEAR)
    assert not room.say(Input.VIEW)
    room.moves([(0, False)])
    room.wait(1.0)
    assert room.where == "fault"
    assert room.say(Input.CLEAR)
    assert room.where in ("paper out", "waiting", "held")
    assert not room.watched.lit_for
    room.check_light()


@pytest.mark.fault(
    "pedal",
    "The pedal's wire is cut, or its plug is pulled, while the foot is down",
    happens="That is one lift of the foot: what ran is held, and goes no further by itself.",
    guard="control: an exposure is stopped when the foot comes down",
    within="at once, by the foot itself",
    annex_h=("digital I/O", "interrupt handling"),
)
@pytest.mark.parametrize("after_ms", [100, 1000, 3000])
def test_a_wire_that_is_cut_under_the_foot_is_a_foot_that_lifts(after_ms):
    room = brought_into("exposing")
    room.watched.lit_for.clear()
    room.moves([(0, True)])
    assert not room.is_lit
    room.moves([(after_ms * MS, False)])
    room.wait(3600.0)  # no edge ever comes again
    assert room.where == ("held" if after_ms < 800 else "paper out")
    assert not room.watched.lit_for
    room.check_light()


@pytest.mark.fault(
    "pedal",
    "One edge of the pedal is lost: the foot is never seen to lift, or to come down",
    happens="A lift alone means nothing; a press alone is a foot that stays down.",
    guard="control: a tap is a press and a lift",
    within="at once while exposing",
    annex_h=("interrupt handling",),
)
@pytest.mark.parametrize("state", [one for one in State if one not in FOOT_IS_DOWN])
@pytest.mark.parametrize("lost", ["press", "lift"])
def test_a_lost_edge_starts_nothing(state, lost):
    room = brought_into(state.value)
    room.watched.lit_for.clear()
    room.moves([(0, lost == "lift")])
    room.wait(14.0)
    if lost == "lift":
        assert not room.is_lit or state is State.VIEWING
    assert not set(room.watched.lit_for) - {"the pause ended"}
    room.check()


# A daemon, a keeper and a foot.


@pytest.mark.fault(
    "pedal",
    "The pedal is down when the daemon starts",
    happens="A fault tells it; nothing starts before the foot is up.",
    guard="daemon: the pedal is read at start",
    within="",
    annex_h=("digital I/O",),
)
def test_a_pedal_that_is_down_at_start_is_a_fault_until_it_is_free(folder):
    async def story(one):
        await one.until_state(State.FAULT)
        assert "the pedal was down at start" in (await one.status()).fault
        for _ in range(2):
            assert not await one.say(Input.CLEAR)
            assert not await one.say(Input.VIEW)
            await one.seconds(16.0)
        one.pedal.lift()
        await one.seconds(1.0)
        assert not any(change.level for change in one.history())
        assert await one.say(Input.CLEAR)
        assert (await one.status()).state is State.PAPER_OUT
        assert await one.say(Input.PAPER_AWAY)
        await one.tap()
        await one.until(lambda: one.is_lit, "a tap is a tap again")

    play(folder, 10, story, foot_is_down=True)


WAYS = pytest.mark.parametrize("by_keeper", [False, True], ids=["daemon reads", "keeper reads"])


@WAYS
@pytest.mark.parametrize("state", [State.DARK, State.WAITING, State.EXPOSING, State.HELD])
def test_a_daemon_finds_its_pedal_stuck(folder, state, by_keeper):
    async def story(one):
        await one.bring_into(state)
        known = len(one.history())
        one.pedal.press()
        await one.until_state(State.FAULT)
        assert "the pedal stays down" in (await one.status()).fault
        assert not any(change.level for change in one.history()[known:])
        assert not one.is_lit
        if state is State.EXPOSING:
            off = next(change for change in one.history()[known:] if not change.level)
            assert off.pid == one.daemon.link.pid
        assert not await one.say(Input.CLEAR)
        one.pedal.lift()
        await one.seconds(1.0)
        assert await one.say(Input.CLEAR)
        assert not any(change.level for change in one.history()[known:])

    play(folder, 10, story, by_keeper=by_keeper)


@pytest.mark.fault(
    "pedal",
    "The pedal is unplugged while exposing: no edge comes any more",
    happens="The exposure ends by itself, as exact as any; the command line goes on from there.",
    guard="keeper: the order's own deadline",
    within="the exposure's own end",
    annex_h=("digital I/O", "interrupt handling"),
)
def test_a_pedal_that_is_unplugged_while_exposing_changes_nothing_of_it(darkroom):
    darkroom.start()
    keeper = darkroom.keeper_pid
    darkroom.save("Boat shed", "print --base 1 --burn sky=1")
    darkroom.arm("Boat shed")
    darkroom.tell("pedal")  # this darkroom's pedal never sends an edge
    darkroom.until_lamp_on()
    darkroom.until_dark()
    last = darkroom.history()[-1]
    assert (last.level, last.pid) == (False, keeper)
    assert darkroom.config.journal.read_text(encoding="ascii").endswith(" COMPLETE\n")
    ((on_ns, off_ns),) = darkroom.journal()
    assert off_ns - on_ns >= S - MS  # how exact it is, is measured elsewhere
    assert darkroom.until_state("waiting")["pass"] == 2
    one = darkroom.tell("record show", "1")["passes"][0]
    assert (one["state"], one["received_ns"]) == ("complete", off_ns - on_ns)


@WAYS
@pytest.mark.fault(
    "pedal",
    "The pedal is unplugged while a pass waits for it",
    happens="It waits; the command line starts the pass.",
    guard="none needed: without a foot nothing starts",
    within="",
    annex_h=("digital I/O", "interrupt handling"),
)
def test_a_pedal_that_is_unplugged_while_waiting_is_never_pressed(folder, by_keeper):
    async def story(one):
        await one.bring_into(State.WAITING, seconds=1.0)
        one.pedal.close()  # whatever the foot does now, nobody hears it
        one.pedal.press()
        await one.seconds(120.0)
        one.pedal.lift()
        assert (await one.status()).state is State.WAITING
        assert not any(change.level for change in one.history())
        for pressed in PRESSES_BY_COMMAND["tap"]:
            await one.say(pressed)
        await one.until_state(State.DONE)
        assert one.turned_on() == 1

    play(folder, 100, story, by_keeper=by_keeper)


@WAYS
@pytest.mark.parametrize("state", [State.DARK, State.WAITING, State.EXPOSING, State.HELD])
def test_ten_thousand_edges_in_ten_seconds_do_not_hold_the_daemon_up(folder, state, by_keeper):
    async def story(one):
        await one.bring_into(state)
        known = len(one.pedal.history)
        answers, _ = await one.chatter(10_000, 1 * MS)
        assert len(one.pedal.history) == known + 10_000
        assert answers > 0
        await one.seconds(1.0)
        assert await one.say(Input.DARK)
        await one.until(lambda: not one.is_lit, "the lamp is off")
        assert one.daemon.dark_way.is_well

    play(folder, 4, story, by_keeper=by_keeper)
