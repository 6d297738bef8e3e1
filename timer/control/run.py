"""One programme on its way through its passes."""

from collections.abc import Sequence
from dataclasses import dataclass

from timer.programmes.model import Programme
from timer.programmes.passes import Pass, passes_of
from timer.record.sheets import Outcome


@dataclass(slots=True)
class Run:
    """What is armed or running: which pass, and what that pass has received so far.

    ``version`` is the programme's in the store, None for one that was never
    saved. ``sheet`` is the sheet's number in the record, known once it is
    written. ``begun`` tells that the lamp has been on for the present pass,
    ``exposed`` that it has been on for any, ``is_repeated`` that the present
    pass was armed once more. ``finished`` tells that all passes are made,
    ``was_finished`` that they had been before one was armed once more,
    ``awaits_store`` that what is intended is not yet written, ``closed`` that
    the sheet is ended in the record. ``told_ns`` is how far into the present
    pass its cues were told, None where it has yet to begin here. ``is_spoilt``
    tells that the lamp gave light which nobody can measure, or none where it
    should; ``lit_pass`` is the number of the pass that had light last, ``lit_ns``
    what it has received by order, ``lit_before_ns`` the same without its last period.
    """

    programme: Programme
    version: int | None
    passes: Sequence[Pass] = ()
    sheet: int | None = None
    index: int = 0
    received_ns: int = 0
    begun: bool = False
    exposed: bool = False
    finished: bool = False
    was_finished: bool = False
    is_repeated: bool = False
    closed: bool = False
    awaits_store: bool = False
    told_ns: int | None = None
    is_spoilt: bool = False
    lit_pass: int | None = None
    lit_ns: int = 0
    lit_before_ns: int = 0

    def __post_init__(self) -> None:
        if not self.passes:
            self.passes = passes_of(self.programme)

    @property
    def present(self) -> Pass:
        """The pass that is armed, running or held."""
        return self.passes[self.index]

    @property
    def outcome(self) -> Outcome:
        """How the sheet ends if it is closed now."""
        if self.is_spoilt:
            return "interrupted"
        if self.finished or (self.was_finished and not self.begun):
            return "complete"
        return "given up" if self.exposed else "unused"

    @property
    def following(self) -> Pass | None:
        """The pass after the present one."""
        return self.passes[self.index + 1] if self.index + 1 < len(self.passes) else None

    @property
    def left_ns(self) -> int:
        """What the present pass has still to receive; never negative."""
        return max(0, self.present.intended_ns - self.received_ns)

    def go_to(self, index: int) -> None:
        """Make the pass at ``index`` the present one, with nothing received."""
        self.index = index
        self.received_ns = 0
        self.begun = False
        self.is_repeated = False
        self.told_ns = None
