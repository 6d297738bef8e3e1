"""Cues: all that a printer must know in the dark, and when in a pass it is due."""

from collections.abc import Iterator
from enum import StrEnum
from typing import NamedTuple

from timer.clock import NS_PER_SECOND
from timer.programmes.passes import Pass

COUNTED_SECONDS = 3
_TOO_CLOSE_NS = NS_PER_SECOND // 4


class Cue(StrEnum):
    """What is to be heard."""

    TICK = "tick"
    FIFTH = "fifth"
    COUNT = "count"
    START = "start"
    END = "end"
    DODGE_COUNT = "dodge count"
    DODGE = "dodge"
    DODGE_OVER = "dodge over"
    MOVE_CARD = "move the card"
    READY = "ready"
    DONE = "done"
    VIEWING_ENDS = "viewing ends"
    REFUSED = "refused"
    HELD = "held"
    GIVEN_UP = "given up"
    FOOT_LONG = "foot long"
    FOOT_VERY_LONG = "foot very long"
    NOT_STORED = "not stored"
    FAULT = "fault"
    ALARM = "alarm"


class TimedCue(NamedTuple):
    """A cue, ``after_ns`` from the start of its pass or pause; ``label`` names the area meant."""

    after_ns: int
    cue: Cue
    label: str | None = None


def cues_of_pass(one: Pass) -> list[TimedCue]:
    """Return the cues within a pass, in order: seconds, dodges, the last three counted."""
    marks = list(_dodge_cues(one))
    marks += _counted(one.intended_ns, Cue.COUNT, None, since_ns=0)
    taken = [mark.after_ns for mark in marks]
    last_ns = one.intended_ns - COUNTED_SECONDS * NS_PER_SECOND
    for second in range(1, one.intended_ns // NS_PER_SECOND + 1):
        at_ns = second * NS_PER_SECOND
        # A tick beside a cue with a meaning of its own would only blur it.
        if at_ns < last_ns and all(abs(at_ns - other) > _TOO_CLOSE_NS for other in taken):
            marks.append(TimedCue(at_ns, Cue.TICK if second % 5 else Cue.FIFTH))
    return sorted(marks, key=lambda mark: mark.after_ns)


def cues_of_pause(pause_ns: int) -> list[TimedCue]:
    """Return the cues within the dark between two passes of a strip."""
    counts = _counted(pause_ns, Cue.COUNT, None, since_ns=NS_PER_SECOND // 2)
    return [TimedCue(0, Cue.MOVE_CARD), *counts]


def _dodge_cues(one: Pass) -> Iterator[TimedCue]:
    free_since_ns = 0
    for dodge in sorted(one.dodges, key=lambda d: (d.starts_ns, d.ends_ns)):
        yield from _counted(dodge.starts_ns, Cue.DODGE_COUNT, dodge.label, since_ns=free_since_ns)
        yield TimedCue(dodge.starts_ns, Cue.DODGE, dodge.label)
        yield TimedCue(dodge.ends_ns, Cue.DODGE_OVER, dodge.label)
        free_since_ns = max(free_since_ns, dodge.ends_ns)


def _counted(at_ns: int, cue: Cue, label: str | None, *, since_ns: int) -> list[TimedCue]:
    """Return three, two, one before ``at_ns``, as far as they lie after ``since_ns``."""
    times_ns = (at_ns - left * NS_PER_SECOND for left in range(COUNTED_SECONDS, 0, -1))
    return [TimedCue(t, cue, label) for t in times_ns if t >= since_ns]
