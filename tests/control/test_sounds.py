"""The sounds of the cues, and their pitches against the standard tuning frequency."""

import numpy as np
import pytest

from timer.control.cues import Cue
from timer.control.sounds import SOUNDS, pitch_hertz


def test_every_cue_has_a_sound_and_none_is_silent():
    assert set(SOUNDS) == set(Cue)
    for notes in SOUNDS.values():
        assert any(note.hertz is not None for note in notes)
        assert all(note.seconds > 0 for note in notes)


def test_no_two_cues_sound_alike():
    assert len(set(SOUNDS.values())) == len(SOUNDS)


def test_a_sound_is_over_before_the_next_second_where_seconds_are_counted():
    for cue in (Cue.TICK, Cue.FIFTH, Cue.COUNT, Cue.START, Cue.DODGE_COUNT, Cue.DODGE):
        assert sum(note.seconds for note in SOUNDS[cue]) < 1.0


@pytest.mark.parametrize(
    ("semitones", "hertz"), [(-9, 261.626), (0, 440.0), (7, 659.255)], ids=["C4", "A4", "E5"]
)
def test_pitches_are_of_equal_temperament_at_a_440(semitones, hertz):
    """ISO 16:1975, standard tuning frequency A = 440 Hz; the values are printed in tables of it."""
    assert pitch_hertz(semitones) == pytest.approx(hertz, abs=0.001)


def test_every_pitch_in_use_is_a_semitone_of_the_scale():
    """440 * 2**(n / 12) once more, computed by NumPy over the piano's range."""
    scale = 440.0 * np.exp2(np.arange(-48, 40) / 12)
    used = {note.hertz for notes in SOUNDS.values() for note in notes if note.hertz is not None}
    assert used
    for hertz in used:
        assert np.min(np.abs(scale - hertz)) < 1e-9
