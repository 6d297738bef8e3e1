"""What every lamp promises, real or simulated."""

import pytest

from hardware.errors import HardwareError


def test_the_lamp_is_off_when_it_was_opened(lamp_bench):
    lamp = lamp_bench.open()
    assert not lamp_bench.lit()
    assert not lamp.is_on
    lamp.close()


def test_the_lamp_goes_on_and_off(lamp_bench):
    lamp = lamp_bench.open()
    lamp.on()
    assert lamp_bench.lit()
    lamp.off()
    assert not lamp_bench.lit()
    lamp.close()


def test_on_and_off_may_be_repeated(lamp_bench):
    lamp = lamp_bench.open()
    lamp.on()
    lamp.on()
    assert lamp_bench.lit()
    lamp.off()
    lamp.off()
    assert not lamp_bench.lit()
    lamp.close()


def test_is_on_reads_the_line_and_not_the_last_order(lamp_bench):
    lamp = lamp_bench.open()
    lamp_bench.force(True)
    assert lamp.is_on
    lamp.on()
    lamp_bench.force(False)
    assert not lamp.is_on
    lamp.close()


def test_a_burning_lamp_is_off_when_it_was_closed(lamp_bench):
    lamp = lamp_bench.open()
    lamp.on()
    lamp.close()
    assert not lamp_bench.lit()


def test_a_second_close_does_nothing(lamp_bench):
    lamp = lamp_bench.open()
    lamp.close()
    next_owner = lamp_bench.open()
    next_owner.on()
    lamp.close()
    assert lamp_bench.lit()
    next_owner.close()


@pytest.mark.parametrize("use", ["on", "off", "is_on"])
def test_a_closed_lamp_refuses_to_be_used(lamp_bench, use):
    lamp = lamp_bench.open()
    lamp.close()
    with pytest.raises(HardwareError, match=r"lamp.* was closed: open it again before using it\.$"):
        lamp.is_on if use == "is_on" else getattr(lamp, use)()
    assert not lamp_bench.lit()
