"""The lamp's line from one line of text."""

import pytest

from hardware.errors import HardwareError
from hardware.simulated import SimulatedLamp, SimulatedLine
from timer.clock import SteadyClock
from timer.keeper.lamps import open_lamp


def now_ns() -> int:
    return SteadyClock().monotonic_ns()


@pytest.mark.parametrize(
    "text",
    [
        "", "chip", "chip:", "chip:17", "chip:17:", "chip:17:up", "chip:-1:high", "chip:x:high",
        "chip:1.5:low", "gpiozero:17", "gpiozero:17:on", "lamp:17:high", "17:high", "Chip:17:high",
    ],
)  # fmt: skip
def test_text_that_names_no_lamp_is_refused_in_its_own_words(text):
    with pytest.raises(ValueError, match="does not name a lamp") as refused:
        open_lamp(text, now_ns)
    assert repr(text) in str(refused.value)


def test_a_simulated_lamp_is_off_from_the_moment_it_is_opened(tmp_path):
    line = SimulatedLine(tmp_path / "line")
    line.write(True)
    lamp = open_lamp(f"simulated:{tmp_path / 'line'}", now_ns)
    assert isinstance(lamp, SimulatedLamp)
    assert not line.level
    lamp.close()
    lamp.line.close()
    line.close()


def test_a_line_that_can_not_be_opened_is_told_as_such(tmp_path):
    with pytest.raises(HardwareError, match="no-folder"):
        open_lamp(f"simulated:{tmp_path / 'no-folder' / 'line'}", now_ns)
