"""What is refused before any arithmetic, and what the lamp loses at each pass."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from timer.errors import PlanError
from timer.photo.limits import check_label, check_seconds
from timer.photo.switching import Switching


@pytest.mark.parametrize("seconds", [0.001, 1, 3600])
def test_a_time_within_the_limits_is_returned_as_seconds(seconds: float) -> None:
    checked = check_seconds(seconds, "base")
    assert checked == seconds
    assert isinstance(checked, float)


@pytest.mark.parametrize("seconds", [0, -1, 3600.5, math.nan, math.inf, -math.inf, 10**400])
def test_a_time_outside_of_the_limits_is_refused_by_name(seconds: float) -> None:
    with pytest.raises(PlanError, match=r"^base: .* give 0\.001 s to 3600 s$"):
        check_seconds(seconds, "base")


@pytest.mark.parametrize("seconds", ["5", None, True, [5], 5j])
def test_what_is_no_number_is_refused_by_name(seconds: object) -> None:
    with pytest.raises(PlanError, match=r"^base: .* is not a number of seconds"):
        check_seconds(seconds, "base")  # type: ignore[arg-type]


@given(st.text(max_size=100))
def test_a_label_is_refused_or_can_be_read_again_as_it_is(text: str) -> None:
    try:
        label = check_label(text, "label")
    except PlanError as error:
        assert str(error).startswith("label: ")
    else:
        assert check_label(label, "label") == label
        assert label.encode("utf-8").decode("utf-8") == label


def test_the_usual_lag_is_that_of_a_100_watt_incandescent_lamp() -> None:
    """90 % of the light after 0.13 s ("Incandescent light bulb"), by a first-order model."""
    assert Switching().lag_seconds == pytest.approx(0.13 / math.log(10), abs=5e-5)


@pytest.mark.parametrize(
    ("total", "passes", "stops"), [(2.0, 1, 0.00361), (20.0, 1, 0.00036), (2.0, 4, 0.01450)]
)
def test_a_lag_of_5_ms_in_each_pass(total: float, passes: int, stops: float) -> None:
    """A relay that operates in 10 ms and releases in 5 ms (from memory); stops are computed."""
    assert Switching(0.005).doubt_stops(total, passes) == pytest.approx(stops, abs=5e-6)


def test_a_total_no_longer_than_its_lag_is_doubtful_without_end() -> None:
    assert Switching(0.1).doubt_stops(0.2, 2) == math.inf


def test_the_shortest_pass_is_itself_trusted() -> None:
    switching = Switching(shortest_seconds=0.2)
    assert not switching.is_too_short(0.2)
    assert switching.is_too_short(0.199)


@pytest.mark.parametrize("seconds", [-0.1, 10.1, math.nan])
def test_a_lamp_that_cannot_be_is_refused(seconds: float) -> None:
    with pytest.raises(PlanError, match=r"^lag: "):
        Switching(lag_seconds=seconds)
    with pytest.raises(PlanError, match=r"^shortest pass: "):
        Switching(shortest_seconds=seconds)
