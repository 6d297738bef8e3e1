"""The keeper's pedal and sense contact, each from one line of text."""

from contextlib import closing

import pytest

from hardware.errors import HardwareError
from hardware.simulated import SimulatedFoot, SimulatedLine
from timer.keeper.inputs import open_pedal, open_sense

OPENED = {"pedal": (open_pedal, "up"), "sense contact": (open_sense, "high")}
NO_INPUT = [
    "", "chip", "chip:", "chip:27", "chip:27:", "chip:27:on", "chip:-1:{}", "chip:x:{}",
    "chip:1.5:{}", "chip::{}", "Chip:27:{}", "27:{}", "gpiozero:27:{}", "lamp:27:{}",
]  # fmt: skip


@pytest.mark.parametrize("what", OPENED)
@pytest.mark.parametrize("text", NO_INPUT)
def test_text_that_names_no_input_is_refused_in_its_own_words(what, text):
    opened, word = OPENED[what]
    told = text.format(word)
    with pytest.raises(ValueError, match="names no input") as refused:
        opened(told)
    assert repr(told) in str(refused.value)


@pytest.mark.parametrize(
    ("opened", "words"), [(open_pedal, ("high", "low")), (open_sense, ("up", "down", "none"))]
)
def test_the_words_of_the_other_are_none_of_its_own(opened, words):
    for word in words:
        with pytest.raises(ValueError, match="names no input"):
            opened(f"chip:27:{word}")


@pytest.mark.parametrize("what", OPENED)
def test_a_chip_that_is_not_there_is_told_by_its_path(what, tmp_path):
    opened, word = OPENED[what]
    missing = tmp_path / "gpiochip:9"  # a path may have the text's own sign in it
    with pytest.raises(HardwareError, match=f"there is no GPIO chip {missing}: "):
        opened(f"chip:27:{word}:{missing}")


def test_a_simulated_pedal_is_a_pipe_that_a_foot_finds(tmp_path):
    path = tmp_path / "pedal:1.line"
    with closing(open_pedal(f"simulated:{path}")) as pedal, closing(SimulatedFoot(path)) as foot:
        pressed_ns = foot.press()
        assert pedal.read() == [(True, pressed_ns)]


def test_a_simulated_sense_contact_sees_the_lamps_line(tmp_path):
    with closing(SimulatedLine(tmp_path / "lamp.line")) as line:
        line.write(True)
        with closing(open_sense(f"simulated:{line.path}")) as sense:
            assert sense.is_lit
