"""What every sounder promises, real or simulated. No note here is waited for to its end."""

import pytest

from hardware.errors import HardwareError
from hardware.interface import Note

AN_HOUR = 3600.0


def is_pitch(hertz):
    return lambda heard: heard == pytest.approx(hertz)


def test_a_sounder_is_silent_when_it_was_opened(sounder_bench):
    assert sounder_bench.now() is None


def test_a_note_is_heard_while_the_caller_goes_on(sounder_bench):
    sounder_bench.sounder.play([Note(440.0, AN_HOUR)])
    assert sounder_bench.soon(is_pitch(440.0))


def test_a_new_sound_cuts_the_old_one_short(sounder_bench):
    sounder_bench.sounder.play([Note(440.0, AN_HOUR), Note(220.0, AN_HOUR)])
    assert sounder_bench.soon(is_pitch(440.0))
    sounder_bench.sounder.play([Note(880.0, AN_HOUR)])
    assert sounder_bench.soon(is_pitch(880.0))


def test_silence_has_come_when_the_call_returns(sounder_bench):
    sounder_bench.sounder.play([Note(440.0, AN_HOUR)])
    assert sounder_bench.soon(is_pitch(440.0))
    sounder_bench.sounder.silence()
    assert sounder_bench.now() is None


def test_a_sound_silenced_at_once_is_never_heard_again(sounder_bench):
    for _ in range(50):
        sounder_bench.sounder.play([Note(440.0, AN_HOUR)])
        sounder_bench.sounder.silence()
        assert sounder_bench.now() is None


def test_it_sounds_again_after_silence(sounder_bench):
    sounder_bench.sounder.play([Note(440.0, AN_HOUR)])
    sounder_bench.sounder.silence()
    sounder_bench.sounder.play([Note(660.0, AN_HOUR)])
    assert sounder_bench.soon(is_pitch(660.0))


def test_an_empty_sound_ends_the_one_before(sounder_bench):
    sounder_bench.sounder.play([Note(440.0, AN_HOUR)])
    assert sounder_bench.soon(is_pitch(440.0))
    sounder_bench.sounder.play([])
    assert sounder_bench.soon(lambda heard: heard is None)


def test_a_rest_is_silent(sounder_bench):
    sounder_bench.sounder.play([Note(440.0, 0.0), Note(None, AN_HOUR)])
    assert sounder_bench.soon(lambda heard: heard is None)


def test_the_next_note_follows_one_that_has_ended(sounder_bench):
    sounder_bench.sounder.play([Note(440.0, 0.0), Note(None, 0.0), Note(880.0, AN_HOUR)])
    assert sounder_bench.soon(is_pitch(880.0))


def test_closing_ends_the_sound(sounder_bench):
    sounder_bench.sounder.play([Note(440.0, AN_HOUR)])
    assert sounder_bench.soon(is_pitch(440.0))
    sounder_bench.sounder.close()
    assert sounder_bench.now() is None


def test_a_closed_sounder_refuses_to_play(sounder_bench):
    sounder_bench.sounder.close()
    sounder_bench.sounder.close()
    with pytest.raises(HardwareError, match=r"sounder.* was closed: open it again"):
        sounder_bench.sounder.play([Note(440.0, 1.0)])
    with pytest.raises(HardwareError, match=r"sounder.* was closed: open it again"):
        sounder_bench.sounder.silence()
    assert sounder_bench.now() is None
