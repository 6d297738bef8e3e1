"""The daemon from inside: what must never reach the dark way."""

import asyncio
import threading

import pytest

from hardware.simulated import SimulatedPedal, SimulatedSounder
from timer.control.cues import Cue
from timer.control.table import State
from timer.errors import RefusedError
from timer.service.daemon import Daemon
from timer.service.rehearsal import rehearsal_config

PATIENCE_SECONDS = 30.0


def play(folder, story, **devices):
    """Run ``story`` on a daemon in this process."""

    async def run():
        async with Daemon(rehearsal_config(folder), **devices) as daemon:
            await asyncio.wait_for(story(daemon), PATIENCE_SECONDS)

    asyncio.run(run())


def asked(future):
    return asyncio.wrap_future(future)


def test_a_question_whose_asker_has_left_is_no_fault(folder):
    async def story(daemon):
        go_on = threading.Event()
        daemon.dark_way.post(lambda: go_on.wait(PATIENCE_SECONDS) and None)
        left = daemon.dark_way.status()
        assert left.cancel()
        go_on.set()
        status = await asked(daemon.dark_way.status())
        assert (status.state, status.fault) == (State.DARK, None)

    play(folder, story)


def test_an_error_of_our_own_ends_in_a_fault_that_can_be_cleared(folder, caplog):
    async def story(daemon):
        with pytest.raises(ZeroDivisionError):
            await asked(daemon.dark_way.ask(lambda: 1 // 0))
        status = await asked(daemon.dark_way.status())
        assert status.state is State.FAULT
        assert "an error inside Treadle" in status.fault
        while not daemon.link.is_up:
            await asyncio.sleep(0.002)

    play(folder, story)
    assert "an error in the control; the lamp is switched off" in caplog.text


def test_a_refusal_is_the_askers_alone(folder):
    def refuse():
        raise RefusedError("not now; later")

    async def story(daemon):
        with pytest.raises(RefusedError):
            await asked(daemon.dark_way.ask(refuse))
        assert (await asked(daemon.dark_way.status())).state is State.DARK

    play(folder, story)


def test_a_sounder_that_fails_stops_nothing(folder, caplog):
    class Broken(SimulatedSounder):
        def play(self, notes):
            raise OSError("the buzzer has come off")

    async def story(daemon):
        heard = daemon.listeners.add()
        daemon.listeners.cue(Cue.READY, 1, None)
        event = await heard.get()
        assert (event["event"], event["cue"]) == ("cue", "ready")

    play(folder, story, sounder=Broken())
    assert "a cue could not be played" in caplog.text


def test_the_devices_are_closed_with_the_daemon(folder):
    pedal, sounder = SimulatedPedal(), SimulatedSounder()

    async def story(daemon):
        now_ns = daemon.clock.monotonic_ns()
        pedal.press(now_ns - 200_000_000)
        pedal.lift(now_ns)
        while daemon.control.state is not State.VIEWING:
            await asyncio.sleep(0.002)

    play(folder, story, pedal=pedal, sounder=sounder)
    pedal.press()
    assert len(pedal.history) == 2
    assert sounder.sounding is None


def test_a_listener_who_does_not_listen_loses_the_oldest(folder):
    async def story(daemon):
        slow = daemon.listeners.add()
        for number in range(1000):
            daemon.listeners.cue(Cue.TICK, number, None)
        daemon.listeners.cue(Cue.DONE, 1000, None)
        quick = daemon.listeners.add()
        daemon.listeners.trouble("the disk is full; make room")
        while (await quick.get())["event"] != "trouble":
            pass
        kept = [slow.get_nowait() for _ in range(slow.qsize())]
        stamps = [event["at_ns"] for event in kept if event["event"] == "cue"]
        assert stamps[-1] == 1000
        assert stamps == list(range(1001 - len(stamps), 1001))
        assert len(stamps) < 1000

    play(folder, story)
