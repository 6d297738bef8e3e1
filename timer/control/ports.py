"""What control asks of the world around it; none of these may wait for anything."""

from dataclasses import dataclass
from typing import Protocol

from timer.control.cues import Cue
from timer.control.run import Run
from timer.control.table import State
from timer.record.sheets import Outcome


@dataclass(frozen=True, slots=True)
class Status:
    """Everything that can be shown of the present moment.

    Times are nanoseconds of the monotonic clock. ``received_ns`` is what the
    present pass had received before the lamp went on last; ``on_since_ns`` is
    None while the lamp is off.
    """

    state: State
    at_ns: int
    programme: str | None = None
    version: int | None = None
    sheet: int | None = None
    pass_number: int | None = None
    passes: int | None = None
    kind: str | None = None
    label: str | None = None
    filter: str | None = None
    intended_ns: int | None = None
    received_ns: int = 0
    on_since_ns: int | None = None
    ends_ns: int | None = None
    hands: str | None = None
    fault: str | None = None
    recovered: str | None = None


class LampPort(Protocol):
    """The way to the keeper."""

    def expose(self, duration_ns: int, latched: int = 0) -> int:
        """Order an exposure; returns the order's number, 0 where no keeper takes it.

        ``latched`` is the number of the order that was latched for it: where a tap
        has begun that already, nothing more happens.
        """
        ...

    def latch(self, duration_ns: int, from_ns: int) -> int:
        """Have the next tap start an exposure, at once and without being asked again.

        The foot must come down at ``from_ns`` or later. Returns the order's
        number, 0 where the keeper hears no pedal.
        """
        ...

    def dismiss(self, latched: int) -> bool:
        """Call off what was latched; False where a foot was quicker, with the lamp off again."""
        ...

    def view(self, limit_ns: int) -> int:
        """Order the lamp on for viewing; returns the order's number, 0 where no keeper takes it."""
        ...

    def off(self) -> None:
        """Order the lamp off."""
        ...

    @property
    def is_well(self) -> bool:
        """Whether a keeper is up and to be trusted, and the lamp does what it is told."""
        ...


class RecordPort(Protocol):
    """The way to the record; the answer to the first two comes as STORED or NOT_STORED."""

    def open_sheet(self, run: Run) -> None:
        """Write the sheet with all passes that are intended."""
        ...

    def repeat_pass(self, run: Run) -> None:
        """Write that the present pass of the run's sheet will be made once more."""
        ...

    def paper(self, is_out: bool) -> None:
        """Write whether unprotected paper may be out."""
        ...

    def begin_pass(self, sheet: int, number: int, order: int, at_ns: int) -> None:
        """Write that the lamp went on."""
        ...

    def mark(self, sheet: int, number: int, received_ns: int) -> None:
        """Write how far the exposure has come; may be left out where the disk is slow."""
        ...

    def add_period(self, sheet: int, number: int, on_ns: int, off_ns: int) -> None:
        """Write a measured lamp-on period."""
        ...

    def bound_pass(self, sheet: int, number: int, least_ns: int, most_ns: int) -> None:
        """Write between what bounds a pass has received light, where that is all that is known."""
        ...

    def end_pass(self, sheet: int, number: int, outcome: Outcome) -> None:
        """Write how the pass ended."""
        ...

    def close_sheet(self, sheet: int, outcome: Outcome) -> None:
        """Write how the sheet ended."""
        ...


class ListenerPort(Protocol):
    """The telling way: sounds, readouts, pages, the command line."""

    def cue(self, cue: Cue, at_ns: int, label: str | None) -> None:
        """Tell a cue."""
        ...

    def status(self, status: Status) -> None:
        """Tell that the status changed."""
        ...
