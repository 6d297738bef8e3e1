"""What a simulated sheet received: the lamp line's own history, past the card and the tools."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from math import log2

from hardware.simulated import LineChange
from timer.clock import to_seconds
from timer.programmes.model import Programme
from timer.programmes.passes import Pass, patch_totals_ns

WHOLE_SHEET = "rest of the sheet"


@dataclass(frozen=True, slots=True)
class Exposed:
    """One place of the sheet: what it was to receive and what it did, in nanoseconds."""

    place: str
    intended_ns: int
    received_ns: int

    @property
    def error_ms(self) -> float:
        """Received less intended, in milliseconds."""
        return (self.received_ns - self.intended_ns) / 1e6

    @property
    def error_stops(self) -> float | None:
        """Received over intended, in stops; None where nothing was received."""
        if self.received_ns <= 0:
            return None
        return log2(self.received_ns / self.intended_ns)

    def as_json(self) -> dict[str, object]:
        """Return names and values."""
        return {
            "place": self.place,
            "intended_s": to_seconds(self.intended_ns),
            "received_s": to_seconds(self.received_ns),
            "error_ms": self.error_ms,
            "error_stops": self.error_stops,
        }


@dataclass(slots=True)
class Hands:
    """What the hands did: from which instant on which places were open to the light."""

    moves: list[tuple[int, frozenset[str]]] = field(default_factory=list)

    def open_places(self, at_ns: int, places: Iterable[str]) -> None:
        """Leave ``places``, and no others, open to the light from ``at_ns`` on."""
        self.moves.append((at_ns, frozenset(places)))

    def hold_back(self, at_ns: int, place: str) -> None:
        """Bring the tool over ``place``."""
        self.open_places(at_ns, self._latest() - {place})

    def let_go(self, at_ns: int, place: str) -> None:
        """Take the tool away from ``place``."""
        self.open_places(at_ns, self._latest() | {place})

    def _latest(self) -> frozenset[str]:
        return self.moves[-1][1] if self.moves else frozenset()

    def opened_ns(self, place: str, on_ns: int, off_ns: int) -> int:
        """Return how long ``place`` was open between the two instants."""
        total_ns = 0
        moves = sorted(self.moves, key=lambda move: move[0])
        ends = [at_ns for at_ns, _ in moves[1:]] + [off_ns]
        for (begins_ns, places), ends_ns in zip(moves, ends, strict=True):
            if place in places:
                total_ns += max(0, min(ends_ns, off_ns) - max(begins_ns, on_ns))
        return total_ns


def lamp_periods(history: Sequence[LineChange]) -> list[tuple[int, int]]:
    """Return from when to when the lamp's line was on, in nanoseconds."""
    periods = []
    on_ns: int | None = None
    for change in history:
        if change.level and on_ns is None:
            on_ns = change.at_ns
        elif not change.level and on_ns is not None:
            periods.append((on_ns, change.at_ns))
            on_ns = None
    return periods


def places_lit(one: Pass, passes: Sequence[Pass]) -> frozenset[str]:
    """Return the places that the hands leave open when ``one`` begins."""
    if one.kind == "strip":
        return frozenset(f"patch {number}" for number in one.lights)
    if one.kind == "burn":
        return frozenset({f"burn {one.label}"})
    return frozenset(_intended_print(passes))


def intended_ns(programme: Programme, passes: Sequence[Pass]) -> Mapping[str, int]:
    """Return what each place is to receive."""
    if programme.strip is not None:
        totals = patch_totals_ns(programme.strip)
        return {f"patch {number}": total for number, total in enumerate(totals, start=1)}
    return _intended_print(passes)


def _intended_print(passes: Sequence[Pass]) -> dict[str, int]:
    base = passes[0]
    intended = {WHOLE_SHEET: base.intended_ns}
    for dodge in base.dodges:
        intended[f"dodge {dodge.label}"] = base.intended_ns - (dodge.ends_ns - dodge.starts_ns)
    for one in passes[1:]:
        intended[f"burn {one.label}"] = base.intended_ns + one.intended_ns
    return intended


def develop(
    programme: Programme, passes: Sequence[Pass], hands: Hands, history: Sequence[LineChange]
) -> list[Exposed]:
    """Return what each place received, integrated from the lamp line and the hands alone."""
    periods = lamp_periods(history)
    return [
        Exposed(place, intended, sum(hands.opened_ns(place, on, off) for on, off in periods))
        for place, intended in intended_ns(programme, passes).items()
    ]
