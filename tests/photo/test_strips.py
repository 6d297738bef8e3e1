"""Test strips: the patches asked for, and the passes that produce them."""

import math
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from timer.errors import PlanError
from timer.photo.strips import Strip, StripPlan, Way
from timer.photo.switching import Switching
from timer.programmes.model import Programme
from timer.programmes.passes import passes_of, patch_totals_ns

THIRD = Fraction(1, 3)


def totals(plan: StripPlan) -> list[float]:
    return [patch.exposure_seconds for patch in plan.patches]


def durations(plan: StripPlan) -> list[float]:
    return [one.duration_seconds for one in plan.passes]


def received(plan: StripPlan) -> list[float]:
    """What the paper gets: for each patch the sum of all passes that light it."""
    return [
        math.fsum(one.duration_seconds for one in plan.passes if patch.number in one.lights)
        for patch in plan.patches
    ]


# The three ways


def test_four_passes_of_5_s_by_covering_give_5_10_15_and_20_s() -> None:
    """Common practice, no published source."""
    plan = Strip(4, first_seconds=5, repeat=True).plan()
    assert durations(plan) == [5, 5, 5, 5]
    assert received(plan) == [5, 10, 15, 20]
    assert [one.lights for one in plan.passes] == [(1, 2, 3, 4), (2, 3, 4), (3, 4), (4,)]


def test_four_passes_of_5_s_by_uncovering_give_the_same_patches() -> None:
    plan = Strip(4, Way.UNCOVER, first_seconds=5, repeat=True).plan()
    assert received(plan) == [5, 10, 15, 20]
    assert [one.lights for one in plan.passes] == [(4,), (3, 4), (2, 3, 4), (1, 2, 3, 4)]


def test_separate_plain_repeats_are_equal_patches() -> None:
    plan = Strip(3, Way.SEPARATE, first_seconds=5, repeat=True).plan()
    assert durations(plan) == received(plan) == [5, 5, 5]
    assert [one.lights for one in plan.passes] == [(1,), (2,), (3,)]


def test_covering_exposes_the_first_whole_and_then_only_what_is_added() -> None:
    plan = Strip(4, first_seconds=10, add_seconds=3).plan()
    assert durations(plan) == [10, 3, 3, 3]
    assert received(plan) == [10, 13, 16, 19]


def test_uncovering_exposes_what_is_added_and_the_first_at_last() -> None:
    plan = Strip(4, Way.UNCOVER, first_seconds=10, add_seconds=3).plan()
    assert durations(plan) == [3, 3, 3, 10]
    assert received(plan) == [10, 13, 16, 19]


def test_separate_patches_get_their_whole_time_in_one_pass() -> None:
    plan = Strip(3, Way.SEPARATE, first_seconds=10, add_seconds=3).plan()
    assert durations(plan) == received(plan) == [10, 13, 16]


# f-stop strips


def test_seven_patches_by_thirds_from_5_s_double_twice() -> None:
    """ "Test Exposures in Printing" (E. Buffaloe) for the principle; the numbers are computed."""
    plan = Strip(7, first_seconds=5, step_stops=THIRD).plan()
    assert totals(plan) == pytest.approx([5.00, 6.30, 7.94, 10.00, 12.60, 15.87, 20.00], abs=0.005)
    # The published pass times are rounded to hundredths, hence the wider tolerance.
    assert durations(plan) == pytest.approx([5.00, 1.30, 1.64, 2.06, 2.60, 3.27, 4.13], abs=0.01)


def test_uncovering_by_thirds_makes_the_longest_addition_first() -> None:
    plan = Strip(7, Way.UNCOVER, first_seconds=5, step_stops=THIRD).plan()
    assert durations(plan) == pytest.approx([4.13, 3.27, 2.60, 2.06, 1.64, 1.30, 5.00], abs=0.01)
    assert received(plan) == pytest.approx(totals(plan), rel=1e-12)


@pytest.mark.parametrize(
    ("first", "patches", "step"),
    [(5.0, 7, THIRD), (5.0, 10, THIRD), (8.0, 13, Fraction(1, 12)), (3.0, 9, Fraction(1, 4))],
)
def test_totals_are_those_of_an_independent_library(
    first: float, patches: int, step: Fraction
) -> None:
    """numpy.geomspace from the first total to the last."""
    last = first * 2.0 ** float(step * (patches - 1))
    plan = Strip(patches, first_seconds=first, step_stops=step).plan()
    assert totals(plan) == pytest.approx(np.geomspace(first, last, patches), rel=1e-13)


def test_thirds_lie_close_to_the_preferred_numbers() -> None:
    """The R10 series of ISO 3 (its list from memory); rounded, so at most 0.0114 stop away."""
    r10 = [1.00, 1.25, 1.60, 2.00, 2.50, 3.15, 4.00, 5.00, 6.30, 8.00, 10.0]
    thirds = totals(Strip(11, first_seconds=1, step_stops=THIRD).plan())
    gaps = [abs(math.log2(a / b)) for a, b in zip(thirds, r10, strict=True)]
    assert max(gaps) == pytest.approx(0.0114, abs=0.0001)


def test_an_odd_strip_has_its_centre_in_the_middle() -> None:
    plan = Strip(5, centre_seconds=10, step_stops=Fraction(1, 2)).plan()
    assert [patch.stops for patch in plan.patches] == [-1.0, -0.5, 0.0, 0.5, 1.0]
    assert totals(plan)[2] == 10
    assert (totals(plan)[0], totals(plan)[4]) == (5, 20)


def test_an_even_strip_has_one_more_patch_above_its_centre_than_below() -> None:
    plan = Strip(4, centre_seconds=10, step_stops=Fraction(1)).plan()
    assert totals(plan) == [5, 10, 20, 40]
    assert [patch.stops for patch in plan.patches] == [-1, 0, 1, 2]


def test_a_centre_with_equal_seconds_tells_its_stops_too() -> None:
    plan = Strip(3, centre_seconds=10, add_seconds=5).plan()
    assert totals(plan) == [5, 10, 15]
    assert [patch.stops for patch in plan.patches] == pytest.approx([-1, 0, 0.58496], abs=5e-6)


# Properties of every strip


FORMS = ["step_stops", "add_seconds", "repeat"]


@st.composite
def strips(draw: st.DrawFn, forms: list[str] = FORMS) -> Strip:
    """Strips of every form, from the shortest patches to the longest."""
    patches = draw(st.integers(2, 24))
    way = draw(st.sampled_from(Way))
    form = draw(st.sampled_from(forms))
    below = draw(st.sampled_from([0, (patches - 1) // 2]))  # patches below the first or the centre
    start = "centre_seconds" if below else "first_seconds"
    if form == "step_stops":
        step = Fraction(draw(st.integers(1, min(24, 12 * 20 // (patches - 1)))), 12)
        first = draw(st.floats(0.0011, 3599.0 / 2.0 ** float(step * (patches - 1))))
        return Strip(patches, way, step_stops=step, **{start: first * 2.0 ** float(step * below)})
    if form == "add_seconds":
        first = draw(st.floats(0.0011, 1800.0))
        add = draw(st.floats(0.0011, 1799.0 / (patches - 1)))
        return Strip(patches, way, add_seconds=add, **{start: first + add * below})
    return Strip(patches, way, repeat=True, first_seconds=draw(st.floats(0.001, 3600.0 / 25)))


@given(strips())
def test_each_patch_receives_its_total(strip: Strip) -> None:
    plan = strip.plan()
    assert received(plan) == pytest.approx(totals(plan), rel=1e-9)


@given(strips())
def test_patches_rise_and_none_is_dark(strip: Strip) -> None:
    seconds = totals(strip.plan())
    assert seconds[0] > 0
    if strip.repeat and strip.way is Way.SEPARATE:
        assert len(set(seconds)) == 1
    else:
        assert all(a < b for a, b in pairwise(seconds))


@given(strips())
def test_passes_in_whole_nanoseconds_sum_to_the_patches(strip: Strip) -> None:
    """Within a nanosecond of the exact totals, however many passes there are."""
    passes = passes_of(Programme("any", strip=strip))
    exact = strip.totals_seconds()
    for number, total_ns in enumerate(patch_totals_ns(strip), start=1):
        sum_ns = sum(one.intended_ns for one in passes if number in one.lights)
        assert sum_ns == total_ns
        assert abs(sum_ns - Fraction(exact[number - 1]) * 10**9) <= 1
    assert all(one.intended_ns > 0 for one in passes)


@given(strips(["step_stops"]))
def test_equal_steps_in_stops_are_equal_factors(strip: Strip) -> None:
    assert strip.step_stops is not None
    ratios = [b / a for a, b in pairwise(strip.totals_seconds())]
    assert ratios == pytest.approx([2.0 ** float(strip.step_stops)] * len(ratios), rel=1e-12)


# What can't be made


@pytest.mark.parametrize("patches", [-1, 0, 1, 25, 10**12, -(10**12), True])
def test_a_strip_has_2_to_24_patches(patches: int) -> None:
    with pytest.raises(PlanError, match="a strip has 2 to 24 of them"):
        Strip(patches, first_seconds=5, step_stops=THIRD)


@pytest.mark.parametrize("patches", [2, 24])
def test_the_fewest_and_the_most_patches_can_be_made(patches: int) -> None:
    assert len(Strip(patches, first_seconds=5, add_seconds=1).plan().patches) == patches


BAD_SECONDS = [0, -1, 0.0009, 3600.1, 1e12, math.nan, math.inf, -math.inf, 10**400, True]


@pytest.mark.parametrize("seconds", BAD_SECONDS)
@pytest.mark.parametrize(
    ("field", "what"),
    [("first_seconds", "first exposure"), ("centre_seconds", "centre exposure")],
)
def test_a_time_that_cannot_be_exposed_is_refused(field: str, what: str, seconds: float) -> None:
    with pytest.raises(PlanError, match=f"^{what}: "):
        Strip(3, step_stops=THIRD, **{field: seconds})  # type: ignore[arg-type]


@pytest.mark.parametrize("seconds", BAD_SECONDS)
def test_seconds_to_add_that_cannot_be_exposed_are_refused(seconds: float) -> None:
    with pytest.raises(PlanError, match=r"^seconds to add: "):
        Strip(3, first_seconds=5, add_seconds=seconds)


@pytest.mark.parametrize("step", [Fraction(0), Fraction(-1, 3), Fraction(1, 13), Fraction(5, 2)])
def test_a_step_of_less_than_a_twelfth_or_more_than_two_stops_is_refused(step: Fraction) -> None:
    with pytest.raises(PlanError, match=r"^step: .* give 1/12 to 2"):
        Strip(5, first_seconds=5, step_stops=step)


@pytest.mark.parametrize("step", [Fraction(1, 12), Fraction(2)])
def test_the_finest_and_the_widest_step_can_be_made(step: Fraction) -> None:
    assert Strip(2, first_seconds=5, step_stops=step).plan().patches[1].stops == float(step)


@pytest.mark.parametrize("asked", [{}, {"first_seconds": 5.0, "centre_seconds": 5.0}])
def test_a_strip_starts_at_its_first_or_at_its_centre(asked: dict[str, float]) -> None:
    with pytest.raises(PlanError, match="either the first exposure or the centre one"):
        Strip(5, step_stops=THIRD, **asked)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "asked",
    [
        {},
        {"step_stops": THIRD, "add_seconds": 2.0},
        {"step_stops": THIRD, "repeat": True},
        {"add_seconds": 2.0, "repeat": True},
    ],
)
def test_a_strip_has_one_kind_of_step(asked: dict[str, object]) -> None:
    with pytest.raises(PlanError, match="give one of: a step in stops"):
        Strip(5, first_seconds=5, **asked)  # type: ignore[arg-type]


def test_plain_repeats_have_no_centre() -> None:
    with pytest.raises(PlanError, match="plain repeats: give the seconds"):
        Strip(5, centre_seconds=5, repeat=True)


def test_a_centre_too_short_for_its_steps_down_is_refused() -> None:
    with pytest.raises(PlanError, match="the first of 5 patches would get -2 s"):
        Strip(5, centre_seconds=4, add_seconds=3)


def test_a_last_patch_longer_than_an_hour_is_refused() -> None:
    with pytest.raises(PlanError, match=r"^patch 24: "):
        Strip(24, first_seconds=5, step_stops=Fraction(1))


# What the lamp and its switch can't follow


def test_a_pass_too_short_for_the_switch_is_warned_of_by_its_number() -> None:
    plan = Strip(3, first_seconds=5, add_seconds=0.1).plan(Switching(0.0, 0.2))
    assert [warning.split(":")[0] for warning in plan.warnings] == ["pass 2", "pass 3"]
    assert "0.100 s is too short for the lamp's switch (trusted from 0.2 s)" in plan.warnings[0]
    assert "separate way" in plan.warnings[0]


def test_a_lag_that_adds_up_over_the_passes_is_warned_of_by_its_patch() -> None:
    """1/24 stop of 10 s is 10 * (1 - 2**(-1/24)) = 0.285 s: more than two lags of 0.1 s."""
    plan = Strip(4, first_seconds=9.0, add_seconds=0.5).plan(Switching(0.1, 0.2))
    assert [warning.split(":")[0] for warning in plan.warnings] == ["patch 3", "patch 4"]
    assert "the lag of the lamp in 3 passes may take 0.04 stop of its 10.00 s" in plan.warnings[0]


def test_a_steady_lamp_and_long_passes_need_no_warning() -> None:
    assert Strip(7, first_seconds=5, step_stops=THIRD).plan(Switching(0.0, 0.2)).warnings == ()


def test_separate_patches_are_not_told_to_be_made_separately() -> None:
    plan = Strip(2, Way.SEPARATE, first_seconds=0.1, add_seconds=0.05).plan()
    assert plan.warnings
    assert not any("separate way" in warning for warning in plan.warnings)


def test_a_patch_shorter_than_the_lag_may_lose_all() -> None:
    plan = Strip(2, Way.SEPARATE, first_seconds=0.05, add_seconds=9).plan(Switching(0.1, 0.0))
    assert "may take all of it" in plan.warnings[0]
