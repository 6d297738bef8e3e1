"""From a programme to its passes: whole nanoseconds, and what the hands do before each."""

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

from timer.clock import to_ns
from timer.photo.prints import Print
from timer.photo.strips import Strip, Way, durations
from timer.programmes.model import Advance, Programme

PassKind = Literal["strip", "base", "burn"]


@dataclass(frozen=True, slots=True)
class HeldBack:
    """An area that is dodged from ``starts_ns`` to ``ends_ns``, counted from the pass's start."""

    label: str
    starts_ns: int
    ends_ns: int


@dataclass(frozen=True, slots=True)
class Pass:
    """One lamp-on period as it will be ordered.

    ``pause_ns`` is the dark before it that is counted down until it starts by
    itself; None where it waits for the pedal. ``hands`` says what the hands do
    before it. ``lights`` are the patches of a strip that it lights.
    """

    number: int
    kind: PassKind
    label: str | None
    filter: str | None
    intended_ns: int
    pause_ns: int | None
    hands: str
    lights: tuple[int, ...] = ()
    dodges: tuple[HeldBack, ...] = ()


def passes_of(programme: Programme) -> tuple[Pass, ...]:
    """Return the passes of ``programme``; a strip's sum to its patches within a nanosecond."""
    if programme.strip is not None:
        pause_ns = to_ns(programme.pause_seconds) if programme.advance is Advance.COUNT else None
        return _strip_passes(programme.strip, pause_ns)
    assert programme.print is not None  # noqa: S101 -- for the type checker; the model has seen to it
    return _print_passes(programme.print)


def patch_totals_ns(strip: Strip) -> tuple[int, ...]:
    """Return what each patch is to get, in nanoseconds."""
    return tuple(to_ns(total) for total in strip.totals_seconds())


def _strip_passes(strip: Strip, pause_ns: int | None) -> tuple[Pass, ...]:
    # The totals are rounded, not the passes: else the roundings of up to 24 passes would add up.
    durations_ns = durations(strip.way, patch_totals_ns(strip))
    return tuple(
        Pass(
            number=one.number,
            kind="strip",
            label=None,
            filter=None,
            intended_ns=duration_ns,
            pause_ns=None if one.number == 1 else pause_ns,
            hands=_card_move(strip.way, one.number, strip.patches),
            lights=one.lights,
        )
        for one, duration_ns in zip(strip.plan().passes, durations_ns, strict=True)
    )


def _card_move(way: Way, number: int, count: int) -> str:
    if way is Way.SEPARATE:
        return f"fresh paper for patch {number}"
    if way is Way.COVER:
        return "card away, all bands open" if number == 1 else f"cover to line {number - 1}"
    if number == count:
        return "card away, all bands open"
    return "cover all but the last band" if number == 1 else f"uncover to line {count - number}"


def _print_passes(one_print: Print) -> tuple[Pass, ...]:
    passes: list[Pass] = []
    for number, one in enumerate(one_print.plan().passes, start=1):
        dodges = tuple(
            HeldBack(d.label, to_ns(d.starts_seconds), to_ns(d.ends_seconds)) for d in one.dodges
        )
        hands = "paper in the easel" if one.kind == "base" else f"card ready to burn {one.label}"
        if dodges:
            hands += f", tool ready for {dodges[0].label}"
        passes.append(
            Pass(
                number=number,
                kind=one.kind,
                label=one.label,
                filter=one.filter,
                intended_ns=to_ns(one.duration_seconds),
                pause_ns=None,
                hands=hands,
                dodges=dodges,
            )
        )
    return (passes[0], *(_with_filter_change(a, b, one_print.filter) for a, b in pairwise(passes)))


def _with_filter_change(before: Pass, after: Pass, base_filter: str | None) -> Pass:
    """Return ``after`` with the change of filter, if there is one, told to the hands.

    A burn that names no filter is made under the base's.
    """
    was, wanted = before.filter or base_filter, after.filter or base_filter
    if was == wanted:
        return after
    change = "filter out" if wanted is None else f"filter {wanted}"
    return replace(after, hands=f"{change}, {after.hands}")
