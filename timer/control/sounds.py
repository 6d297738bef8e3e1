"""The sound of each cue, as data: told apart by rhythm first, by pitch second.

Pitches are of equal temperament at A = 440 Hz (ISO 16), within the octaves
that a small buzzer gives: f = 440 * 2**(n / 12) Hz, n semitones above A4.
"""

from hardware.interface import Note
from timer.control.cues import Cue


def pitch_hertz(semitones_above_a: int) -> float:
    """Return the frequency in hertz, ``semitones_above_a`` semitones above A4 = 440 Hz."""
    return float(440.0 * 2.0 ** (semitones_above_a / 12))


_LOW, _MID, _HIGH = pitch_hertz(-9), pitch_hertz(0), pitch_hertz(7)


def _rhythm(*pieces: tuple[float | None, float]) -> tuple[Note, ...]:
    return tuple(Note(hertz, seconds) for hertz, seconds in pieces)


def _times(count: int, hertz: float, sounding: float, rest: float) -> tuple[Note, ...]:
    return _rhythm(*((hertz, sounding), (None, rest)) * count)


SOUNDS: dict[Cue, tuple[Note, ...]] = {
    Cue.TICK: _rhythm((_MID, 0.02)),
    Cue.FIFTH: _times(2, _MID, 0.02, 0.06),
    Cue.COUNT: _rhythm((_HIGH, 0.08)),
    Cue.START: _rhythm((_HIGH, 0.3)),
    Cue.END: _rhythm((_HIGH, 0.15), (_LOW, 0.3)),
    Cue.DODGE_COUNT: _rhythm((_LOW, 0.08)),
    Cue.DODGE: _rhythm((_LOW, 0.1), (_HIGH, 0.2)),
    Cue.DODGE_OVER: _rhythm((_HIGH, 0.1), (_LOW, 0.1), (_HIGH, 0.1)),
    Cue.MOVE_CARD: _times(3, _MID, 0.08, 0.08),
    Cue.READY: _rhythm((_LOW, 0.1), (None, 0.1), (_MID, 0.1)),
    Cue.DONE: _rhythm((_LOW, 0.15), (_MID, 0.15), (_HIGH, 0.4)),
    Cue.VIEWING_ENDS: _times(4, _HIGH, 0.05, 0.2),
    Cue.REFUSED: _rhythm((_LOW, 0.5)),
    Cue.HELD: _times(2, _LOW, 0.25, 0.15),
    Cue.GIVEN_UP: _rhythm((_HIGH, 0.2), (_MID, 0.2), (_LOW, 0.4)),
    Cue.FOOT_LONG: _rhythm((_HIGH, 0.04), (None, 0.04), (_HIGH, 0.04)),
    Cue.FOOT_VERY_LONG: _times(3, _HIGH, 0.04, 0.04),
    Cue.NOT_STORED: _times(3, _LOW, 0.3, 0.3),
    Cue.FAULT: _times(10, _HIGH, 0.3, 0.1),
    Cue.ALARM: _times(12, _HIGH, 0.1, 0.04),
}
