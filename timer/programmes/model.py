"""A programme: a named strip or print, with what is needed to set the enlarger up again."""

from dataclasses import dataclass, field, fields
from enum import StrEnum

from timer.errors import PlanError
from timer.photo.limits import check_label, check_seconds
from timer.photo.prints import Print
from timer.photo.strips import Strip

LONGEST_NAME = 120
LONGEST_NOTE = 4000


class Advance(StrEnum):
    """How a strip goes on to its next pass: by the count of a pause, or by the pedal."""

    COUNT = "count"
    PEDAL = "pedal"


@dataclass(frozen=True, slots=True)
class Setup:
    """What the printer wants to know next week; each is free text, in the printer's own words."""

    negative: str | None = None
    paper: str | None = None
    size: str | None = None
    column: str | None = None
    aperture: str | None = None
    note: str | None = None

    def __post_init__(self) -> None:
        for one in fields(self):
            text = getattr(self, one.name)
            if text is None:
                continue
            longest = LONGEST_NOTE if one.name == "note" else LONGEST_NAME
            object.__setattr__(self, one.name, check_label(text, one.name, longest=longest))


@dataclass(frozen=True, slots=True)
class Programme:
    """Exactly one of ``strip`` and ``print``, under a name in any language; raises PlanError.

    ``advance`` and ``pause_seconds`` are a strip's: how it goes on from pass to
    pass, and how long the dark lasts in which the card is moved.
    """

    name: str
    strip: Strip | None = None
    print: Print | None = None
    setup: Setup = field(default_factory=Setup)
    advance: Advance = Advance.COUNT
    pause_seconds: float = 4.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "name", check_label(self.name, "name", longest=LONGEST_NAME))
        if (self.strip is None) == (self.print is None):
            raise PlanError(
                f"programme {self.name!r}: give either a strip or a print, and not both"
            )
        check_seconds(self.pause_seconds, "pause", least=1.0, most=60.0)
