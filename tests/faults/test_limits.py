"""Limits that hold whatever is asked for, and whoever hangs."""

import pytest

from .troubled import MOMENT_NS, NS, darkroom_of_tests_own, until

darkroom = pytest.fixture(darkroom_of_tests_own)


@pytest.mark.fault(
    "limits",
    "The lamp is forgotten on, viewing",
    happens="A warning sounds, then it goes dark.",
    guard="keeper: the order's own limit",
    within="viewing.limit_s",
    annex_h=("interrupt handling",),
)
def test_viewing_ends_by_itself(darkroom):
    darkroom.configure(viewing={"limit_s": 1.0, "warning_s": 0.5})
    darkroom.start()
    ears = darkroom.listen()
    darkroom.tell("view")
    ears.until("viewing ends")
    darkroom.until_state("dark")
    [(on_ns, off_ns)] = darkroom.periods()
    assert off_ns - on_ns == pytest.approx(NS, abs=MOMENT_NS)
    assert darkroom.history()[-1].pid == darkroom.keeper_pid


@pytest.mark.fault(
    "limits",
    "A pass is longer than any may be",
    happens="It is refused in the dark, with a sentence; the sheet is as it was.",
    guard="keeper: refuses what is longer than lamp.longest_s",
    within="",
    annex_h=(),
)
def test_a_pass_longer_than_the_longest_is_refused(darkroom):
    darkroom.configure(lamp={"longest_s": 5.0}, viewing={"limit_s": 5.0, "warning_s": 1.0})
    darkroom.start()
    darkroom.save("Long one", "print --base 6")
    told = darkroom.treadle("arm", "Long one")
    if told.code == 0:
        darkroom.until_state("waiting")
        darkroom.treadle("pedal")
        until(lambda: darkroom.status()["fault"], "the keeper's refusal is told")
        assert "longest_s" in darkroom.status()["fault"]
    else:
        assert "longest_s" in told.sentence
    assert not any(change.level for change in darkroom.history())


@pytest.mark.fault(
    "limits",
    "The lamp was on for as long as it may be in an hour",
    happens="The next pass is refused whole, before any light; it waits until the lamp has cooled.",
    guard="keeper: sums the lamp's time of the last hour",
    within="",
    annex_h=(),
)
def test_a_lamp_that_must_cool_gets_no_pass_that_it_could_not_end(darkroom):
    darkroom.configure(lamp={"most_per_hour_s": 2.0})
    darkroom.start()
    darkroom.expose("1.2", "First")
    darkroom.until_state("done")
    lit = sum(change.level for change in darkroom.history())
    darkroom.save("Second", "print --base 1")
    told = until(lambda: darkroom.treadle("arm", "Second"), "an answer")
    assert "let the lamp cool" in told.sentence
    # By pedal the same is asked for without a word to read: the keeper refuses the pass itself.
    darkroom.tell("pedal")
    darkroom.until_state("waiting")
    darkroom.tell("pedal")
    until(lambda: darkroom.status()["fault"], "the refusal is told")
    assert "let it cool" in darkroom.status()["fault"]
    assert sum(change.level for change in darkroom.history()) == lit
    # The sheet is still there, with nothing on it.
    assert darkroom.treadle("clear").code == 0
    assert darkroom.status()["state"] == "waiting"
    assert darkroom.status()["received_ns"] == 0
    darkroom.tell("pedal leave")
    # What is left may be used for a shorter one, and for viewing.
    darkroom.expose("0.3", "Third")
    darkroom.until_state("done")
    darkroom.tell("paper away")
    darkroom.tell("view")
    darkroom.until_lamp_on()
    darkroom.until_state("dark")
    on_ns, off_ns = darkroom.periods()[-1]
    assert off_ns - on_ns < 0.5 * NS + MOMENT_NS
    total = sum(off_ns - on_ns for on_ns, off_ns in darkroom.periods())
    assert total <= 2 * NS + MOMENT_NS
