"""What the record tells: sheets, their passes, and the periods in which the lamp was on."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from timer.programmes.model import Programme
from timer.programmes.text import from_toml

# A pass or a sheet ends in one of these; a sheet alone can be "unused".
Outcome = Literal["complete", "given up", "interrupted", "unused"]
State = Literal["planned", "begun", "complete", "given up", "interrupted"]


@dataclass(frozen=True, slots=True)
class Period:
    """A time in which the lamp was on, measured on the monotonic clock of the boot that made it."""

    on_ns: int
    off_ns: int

    @property
    def duration_ns(self) -> int:
        """How long the lamp was on."""
        return self.off_ns - self.on_ns


@dataclass(frozen=True, slots=True)
class Received:
    """What the paper has received in a pass: measured, or known within bounds only."""

    least_ns: int
    most_ns: int

    @property
    def exact_ns(self) -> int | None:
        """The measure; None where only the bounds are known."""
        return self.least_ns if self.least_ns == self.most_ns else None


@dataclass(frozen=True, slots=True)
class PassRecord:
    """One attempt at a pass.

    ``attempt`` counts from 1. ``order_id``, ``boot_id`` and ``begun_ns`` are
    those of its latest order, ``marked_ns`` the last mark of its progress: what
    the paper had received by then, in all periods. ``received`` is None until
    the attempt has ended or bounds were set; before its end it is what was
    received so far, measured periods after those bounds included.
    ``awaits_period`` tells that what the latest order gave is neither measured
    nor bounded yet.
    """

    number: int
    attempt: int
    kind: str
    label: str | None
    filter: str | None
    intended_ns: int
    state: State
    received: Received | None
    periods: tuple[Period, ...]
    order_id: int | None
    boot_id: str | None
    begun_ns: int | None
    marked_ns: int | None
    awaits_period: bool

    @property
    def measured_ns(self) -> int:
        """What the measured periods come to."""
        return sum(period.duration_ns for period in self.periods)


@dataclass(frozen=True, slots=True)
class SheetRecord:
    """One sheet of paper: what was intended and what it received.

    ``name``, ``version`` and ``body`` (TOML) are those of the programme when
    the sheet was begun; ``version`` is None where it was not stored.
    ``passes`` holds every attempt, by pass and attempt. Dates are ISO 8601 in
    UTC. ``outcome`` and ``closed_at`` are None while the sheet is open.
    """

    number: int
    started_at: str
    closed_at: str | None
    outcome: Outcome | None
    name: str
    version: int | None
    body: str
    passes: tuple[PassRecord, ...]

    @property
    def programme(self) -> Programme:
        """The programme as it was when the sheet was begun; raises FormatError."""
        return from_toml(self.body, f"the programme of sheet {self.number} in the record")

    def attempts(self, number: int) -> tuple[PassRecord, ...]:
        """Return the attempts at pass ``number``, the first one first."""
        return tuple(one for one in self.passes if one.number == number)

    @property
    def latest(self) -> tuple[PassRecord, ...]:
        """The latest attempt at each pass, by pass."""
        return tuple({one.number: one for one in self.passes}.values())


@dataclass(frozen=True, slots=True)
class Unfinished:
    """The newest sheet that was not closed, and the pass that had begun, if one had."""

    sheet: SheetRecord
    begun: PassRecord | None

    @property
    def programme(self) -> Programme:
        """The programme as it was when the sheet was begun; raises FormatError."""
        return self.sheet.programme

    @property
    def version(self) -> int | None:
        """The programme's version; None where it was not stored."""
        return self.sheet.version

    @property
    def passes(self) -> Sequence[PassRecord]:
        """The latest attempt at each pass, with its state."""
        return self.sheet.latest
