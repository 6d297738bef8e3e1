"""The lamp does not do what it is told: nobody overhears it, and nothing more is started."""

from pathlib import Path

import pytest

from .troubled import darkroom_of_tests_own, until

darkroom = pytest.fixture(darkroom_of_tests_own)

PLUG = "the lamp stays on after off; pull the enlarger's plug"


@pytest.fixture
def sensed(darkroom):
    """A darkroom with a sense contact, and a way to break the lamp's switch."""
    darkroom.configure(lamp={"sense": "simulated", "settle_s": 0.05})
    return darkroom


def switch_is(darkroom, fault):
    """Have the switching device fail: ``welded`` or ``dead``, or be whole again with ``whole``."""
    told = "" if fault == "whole" else fault
    Path(f"{darkroom.line_path}.fault").write_text(told, encoding="ascii")


def nothing_starts(darkroom):
    """Try to start a pass in every way, in vain."""
    lit = sum(change.level for change in darkroom.history())
    for command in ("pedal", "view", "clear", "pedal"):
        darkroom.treadle(command)
    assert sum(change.level for change in darkroom.history()) == lit


@pytest.mark.fault(
    "lamp",
    "A contact has welded: the lamp burns on after off, as a sense contact tells",
    happens="The alarm sounds until the plug is pulled and the fault cleared; nothing starts.",
    guard="keeper: compares the sense contact with what was ordered",
    within="",
    annex_h=("digital I/O", "interrupt handling"),
)
def test_a_welded_contact_is_an_alarm_that_can_not_be_overheard(sensed):
    sensed.start()
    sensed.save("Gate", "print --base 0.3")
    sensed.arm("Gate")
    ears = sensed.listen()
    switch_is(sensed, "welded")
    sensed.tell("pedal")
    ears.until("alarm")
    assert sensed.status()["fault"] == PLUG
    assert not sensed.lit(), "the line at least is off"
    nothing_starts(sensed)
    assert sensed.status()["state"] == "fault"
    heard = len(ears.cues)
    ears.until("alarm", after=heard)  # of itself
    switch_is(sensed, "whole")
    until(lambda: sensed.treadle("clear").code == 0, "the fault can be cleared")
    sensed.until_state("paper out")
    # What the sheet received by order is the least; the lamp may have burned until it was cleared.
    [exposed] = sensed.passes()
    assert exposed["received_least_ns"] == pytest.approx(0.3e9, rel=0.2)
    assert exposed["received_most_ns"] > 0.5e9
    assert sensed.tell("record show", "1")["outcome"] == "interrupted"


@pytest.mark.fault(
    "lamp",
    "The lamp comes on by itself while it is to be off",
    happens="The alarm sounds until it is off and the fault cleared.",
    guard="keeper: looks at the lamp twice a second",
    within="",
    annex_h=("digital I/O",),
)
def test_a_lamp_that_comes_on_by_itself_is_an_alarm(sensed):
    sensed.start()
    ears = sensed.listen()
    switch_is(sensed, "welded")
    ears.until("alarm")
    assert sensed.status()["fault"] == PLUG
    nothing_starts(sensed)


@pytest.mark.fault(
    "lamp",
    "The lamp stays dark though it is switched on: bulb, plug or relay",
    happens="The pass ends with the alarm; on record is between what bounds it had light.",
    guard="keeper: compares the sense contact with what was ordered",
    within="the settling time of the contact + 20 ms",
    annex_h=("digital I/O",),
)
def test_a_lamp_that_stays_dark_ends_the_pass(sensed):
    sensed.start()
    sensed.save("Gate", "print --base 60")
    sensed.arm("Gate")
    ears = sensed.listen()
    switch_is(sensed, "dead")
    sensed.tell("pedal")
    ears.until("alarm")
    assert "stays off after on" in sensed.status()["fault"]
    sensed.until_dark()
    assert sensed.history()[-1].pid == sensed.keeper_pid
    switch_is(sensed, "whole")
    until(lambda: sensed.treadle("clear").code == 0, "the fault can be cleared")
    sensed.until_state("paper out")
    [exposed] = sensed.passes()
    assert exposed["received_least_ns"] == 0
    assert exposed["received_most_ns"] < 30e9
    assert sensed.tell("record show", "1")["outcome"] == "interrupted"


@pytest.mark.fault(
    "lamp",
    "Something else drives the lamp's line",
    happens="The line is written off at once, and the alarm sounds.",
    guard="keeper: reads the line back twice a second",
    within="1 s",
    annex_h=("digital I/O",),
)
def test_a_line_that_something_else_drives_is_switched_off(darkroom):
    from hardware.simulated import SimulatedLine

    darkroom.start()
    ears = darkroom.listen()
    intruder = SimulatedLine(darkroom.line_path)
    intruder.write(True)
    intruder.close()
    ears.until("alarm")
    darkroom.until_dark()
    assert darkroom.history()[-1].pid == darkroom.keeper_pid


@pytest.mark.parametrize("settle", [0.0, 0.3])
def test_a_switch_that_is_well_never_alarms_however_short_the_passes(darkroom, settle):
    """Passes and pauses shorter than the contact's settling time judge nothing wrongly."""
    darkroom.configure(lamp={"sense": "simulated", "settle_s": settle})
    darkroom.start()
    darkroom.save("Edge", "strip --first 0.2 --step 1/3 --patches 6 --advance count --pause 1")
    darkroom.arm("Edge")
    ears = darkroom.listen()
    darkroom.tell("pedal")
    darkroom.until_state("done")
    assert "alarm" not in ears.cues
    assert len(darkroom.periods()) == 6
