"""What everything promises that tells whether the lamp burns, real or simulated."""

import pytest

from hardware.errors import HardwareError


def test_a_lamp_that_is_off_is_seen_dark(sense_bench):
    sense_bench.light(False)
    sense = sense_bench.open()
    assert not sense.is_lit
    sense.close()


def test_a_lamp_that_burns_already_is_seen_at_once(sense_bench):
    sense_bench.light(True)
    sense = sense_bench.open()
    assert sense.is_lit
    sense.close()


def test_it_follows_the_light_however_often_it_is_asked(sense_bench):
    sense = sense_bench.open()
    for lit in (True, True, False, False, True, False):
        sense_bench.light(lit)
        assert [sense.is_lit, sense.is_lit] == [lit, lit]
    sense.close()


def test_what_can_not_be_told_is_an_error_and_not_dark(sense_bench):
    sense_bench.light(True)
    sense = sense_bench.open()
    sense_bench.spoil()
    with pytest.raises(HardwareError) as refused:
        sense.is_lit  # noqa: B018
    assert str(refused.value).endswith(".")
    assert ": " in str(refused.value), "a message also says what to do"
    sense.close()


def test_a_second_close_does_nothing_to_the_next_owner(sense_bench):
    sense = sense_bench.open()
    sense.close()
    next_owner = sense_bench.open()
    sense.close()
    sense_bench.light(True)
    assert next_owner.is_lit
    next_owner.close()


def test_a_closed_one_refuses_to_be_asked(sense_bench):
    sense = sense_bench.open()
    sense_bench.light(True)
    sense.close()
    with pytest.raises(HardwareError, match=r"was closed: open it again before using it\.$"):
        sense.is_lit  # noqa: B018
