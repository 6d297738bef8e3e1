"""Stops: read and written as printers write them."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from timer.errors import PlanError
from timer.photo.stops import factor, read_stops, stops_between, write_stops


@pytest.mark.parametrize(
    ("text", "stops"),
    [
        ("1/3", Fraction(1, 3)),
        ("+1/3", Fraction(1, 3)),
        ("-1/3", Fraction(-1, 3)),
        ("−1/2", Fraction(-1, 2)),  # the typographer's minus
        ("2", Fraction(2)),
        ("0", Fraction(0)),
        ("1 1/2", Fraction(3, 2)),
        ("-1 1/2", Fraction(-3, 2)),
        ("- 1  1 / 2", Fraction(-3, 2)),
        ("0.5", Fraction(1, 2)),
        ("0.1", Fraction(1, 10)),
        (" 2/6 ", Fraction(1, 3)),
    ],
)
def test_stops_are_read_as_printers_write_them(text: str, stops: Fraction) -> None:
    assert read_stops(text) == stops


@pytest.mark.parametrize(
    ("stops", "text"),
    [
        (Fraction(1, 3), "1/3"),
        (Fraction(3, 2), "1 1/2"),
        (Fraction(-3, 2), "-1 1/2"),
        (Fraction(-1, 12), "-1/12"),
        (Fraction(2), "2"),
        (Fraction(0), "0"),
    ],
)
def test_stops_are_written_as_printers_write_them(stops: Fraction, text: str) -> None:
    assert write_stops(stops) == text


@given(st.fractions(-100, 100, max_denominator=10_000))
def test_written_stops_read_back_exactly(stops: Fraction) -> None:
    assert read_stops(write_stops(stops)) == stops


@pytest.mark.parametrize(
    "text",
    [
        *["", " ", "half", "1/", "/3", "1//3", "1 1", "1/3/4", "1.5/2", "1,5", "nan", "inf", "1e3"],
        *["--1", "+-1", "0x1", "1/3 stop", "1_0", "½", "1\n/3 2", "9" * 41, "1/" + "9" * 400],
    ],
)
def test_what_is_no_number_of_stops_is_refused(text: str) -> None:
    with pytest.raises(PlanError, match=r"^step: .* is not a number of stops; write a fraction"):
        read_stops(text, what="step")


@pytest.mark.parametrize("text", ["1/0", "0/0", "1 1/0", "-1/00"])
def test_a_division_by_zero_is_refused(text: str) -> None:
    with pytest.raises(PlanError, match=r"^step: .* divides by zero"):
        read_stops(text, what="step")


@given(st.text(max_size=60))
def test_whatever_is_typed_is_stops_or_a_sentence(text: str) -> None:
    try:
        stops = read_stops(text)
    except PlanError as error:
        assert str(error).startswith("stops: ")
    else:
        assert isinstance(stops, Fraction)


@pytest.mark.parametrize(
    ("stops", "times"),
    [
        (Fraction(1, 3), 1.25992),
        (Fraction(1, 4), 1.18921),
        (Fraction(1, 6), 1.12246),
        (Fraction(1, 12), 1.05946),
        (Fraction(1), 2.0),
        (Fraction(-1), 0.5),
        (Fraction(0), 1.0),
    ],
)
def test_a_stop_is_a_factor_of_two(stops: Fraction, times: float) -> None:
    """The definition of the stop, 2**(1/n), computed to five digits."""
    assert factor(stops) == pytest.approx(times, abs=5e-6)


@given(st.floats(0.001, 3600.0), st.fractions(-8, 8, max_denominator=12))
def test_the_stops_between_two_times_are_those_that_made_them(
    start: float, stops: Fraction
) -> None:
    assert stops_between(start, start * factor(stops)) == pytest.approx(float(stops), abs=1e-12)


def test_thirds_of_a_stop_are_those_of_an_independent_library() -> None:
    """numpy.geomspace, in place of our own powers."""
    thirds = [8.0 * factor(Fraction(k, 3)) for k in range(4)]
    assert thirds == pytest.approx(np.geomspace(8.0, 16.0, 4), rel=1e-14)
