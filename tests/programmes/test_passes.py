"""From a programme to its passes: whole nanoseconds, and what the hands do before each."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from timer.photo.prints import Burn, Dodge, Print
from timer.photo.strips import Strip, Way
from timer.programmes.model import Advance, Programme
from timer.programmes.passes import HeldBack, passes_of, patch_totals_ns

SECOND = 1_000_000_000
THIRD = Fraction(1, 3)


def of_strip(strip: Strip, advance: Advance = Advance.COUNT) -> Programme:
    return Programme("Look", strip=strip, advance=advance, pause_seconds=6.0)


def test_a_strip_that_goes_on_by_count_pauses_before_each_pass_but_the_first() -> None:
    passes = passes_of(of_strip(Strip(3, first_seconds=5, repeat=True)))
    assert [one.intended_ns for one in passes] == [5 * SECOND] * 3
    assert [one.pause_ns for one in passes] == [None, 6 * SECOND, 6 * SECOND]
    assert [(one.number, one.kind, one.label, one.filter) for one in passes] == [
        (number, "strip", None, None) for number in (1, 2, 3)
    ]


def test_a_strip_that_goes_on_by_pedal_waits_before_each_pass() -> None:
    passes = passes_of(of_strip(Strip(3, first_seconds=5, repeat=True), Advance.PEDAL))
    assert [one.pause_ns for one in passes] == [None] * 3


@pytest.mark.parametrize(
    ("way", "hands", "lights"),
    [
        (
            Way.COVER,
            ["card away, all bands open", "cover to line 1", "cover to line 2"],
            [(1, 2, 3), (2, 3), (3,)],
        ),
        (
            Way.UNCOVER,
            ["cover all but the last band", "uncover to line 1", "card away, all bands open"],
            [(3,), (2, 3), (1, 2, 3)],
        ),
        (
            Way.SEPARATE,
            ["fresh paper for patch 1", "fresh paper for patch 2", "fresh paper for patch 3"],
            [(1,), (2,), (3,)],
        ),
    ],
)
def test_the_card_moves_as_the_way_says(
    way: Way, hands: list[str], lights: list[tuple[int, ...]]
) -> None:
    """Line k is the edge between the bands of patches k and k + 1."""
    passes = passes_of(of_strip(Strip(3, way, first_seconds=5, add_seconds=2)))
    assert [one.hands for one in passes] == hands
    assert [one.lights for one in passes] == lights


@given(st.integers(2, 24), st.sampled_from(Way), st.integers(1, 5), st.floats(0.5, 4.0))
def test_roundings_do_not_add_up(patches: int, way: Way, twelfths: int, first: float) -> None:
    strip = Strip(patches, way, first_seconds=first, step_stops=Fraction(twelfths, 12))
    passes = passes_of(of_strip(strip))
    for number, total_ns in enumerate(patch_totals_ns(strip), start=1):
        sum_ns = sum(one.intended_ns for one in passes if number in one.lights)
        exact = Fraction(strip.totals_seconds()[number - 1]) * SECOND
        assert sum_ns == total_ns
        assert abs(sum_ns - exact) <= Fraction(1, 2)


def test_a_print_waits_for_the_pedal_before_each_pass() -> None:
    one = Print(
        8.0,
        dodges=(Dodge("face", Fraction(1), 1.5),),
        burns=(Burn("sky", Fraction(1)), Burn("edge", Fraction(1))),
    )
    passes = passes_of(Programme("Oak", print=one))
    assert [(p.number, p.kind, p.label, p.pause_ns) for p in passes] == [
        (1, "base", None, None),
        (2, "burn", "sky", None),
        (3, "burn", "edge", None),
    ]
    assert [p.intended_ns for p in passes] == [8 * SECOND] * 3
    assert passes[0].dodges == (HeldBack("face", 1_500_000_000, 5_500_000_000),)
    assert passes[0].hands == "paper in the easel, tool ready for face"
    assert passes[1].hands == "card ready to burn sky"


def hands_of(base: str | None, *burns: str | None) -> list[str]:
    areas = tuple(Burn(f"area {n}", Fraction(1), one) for n, one in enumerate(burns))
    passes = passes_of(Programme("Oak", print=Print(8.0, base, burns=areas)))
    return [one.hands.removesuffix(f", card ready to burn {one.label}") for one in passes[1:]]


@pytest.mark.parametrize(
    ("base", "burns", "hands"),
    [
        ("2", ["2", "2"], ["card ready to burn area 0", "card ready to burn area 1"]),
        ("2", ["0", "00"], ["filter 0", "filter 00"]),
        ("2", ["0", None], ["filter 0", "filter 2"]),
        (None, ["0", None], ["filter 0", "filter out"]),
        (None, [None, "0"], ["card ready to burn area 0", "filter 0"]),
    ],
)
def test_every_change_of_filter_is_told_and_no_other(
    base: str | None, burns: list[str | None], hands: list[str]
) -> None:
    """A burn that names no filter is made under the base's."""
    assert hands_of(base, *burns) == hands


@given(st.floats(0.5, 60.0), st.fractions(Fraction(1, 12), 1, max_denominator=12))
def test_a_dodge_lies_within_its_pass(base: float, stops: Fraction) -> None:
    (only,) = passes_of(Programme("Oak", print=Print(base, dodges=(Dodge("face", stops),))))
    (held,) = only.dodges
    assert 0 <= held.starts_ns < held.ends_ns <= only.intended_ns
