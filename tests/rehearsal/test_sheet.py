"""What a simulated sheet received, from the lamp line and the hands alone; worked by hand."""

import pytest

from hardware.simulated import LineChange
from timer.programmes.passes import passes_of
from timer.programmes.text import from_toml
from timer.rehearsal.sheet import Exposed, Hands, develop, lamp_periods, places_lit

NS = 1_000_000_000


def line(*changes):
    return [LineChange(round(at * NS), level, 1) for at, level in changes]


def programme(text):
    return from_toml(f'treadle = 1\nname = "Boat shed"\n{text}')


def received(places):
    return {one.place: one.received_ns / NS for one in places}


def test_the_periods_of_a_line_leave_out_writes_that_change_nothing():
    history = line((0, False), (1, True), (2, True), (3, False), (4, False), (5, True), (6, False))
    assert lamp_periods(history) == [(1 * NS, 3 * NS), (5 * NS, 6 * NS)]


def test_a_line_that_is_still_on_has_no_period_yet():
    assert lamp_periods(line((1, True))) == []


def test_a_strip_under_a_growing_card():
    strip = programme("[strip]\npatches = 3\nfirst_s = 2\nadd_s = 1\n")
    passes = passes_of(strip)
    hands = Hands()
    for at, one in zip((0, 5, 8), passes, strict=True):
        hands.open_places(at * NS, places_lit(one, passes))
    history = line((1, True), (3, False), (6, True), (7, False), (9, True), (10, False))
    assert received(develop(strip, passes, hands, history)) == {
        "patch 1": 2.0,
        "patch 2": 3.0,
        "patch 3": 4.0,
    }


def test_a_card_that_is_moved_too_late_shows_on_the_patch():
    strip = programme("[strip]\npatches = 2\nfirst_s = 2\nadd_s = 1\n")
    passes = passes_of(strip)
    hands = Hands()
    hands.open_places(0, places_lit(passes[0], passes))
    hands.open_places(round(6.25 * NS), places_lit(passes[1], passes))
    history = line((1, True), (3, False), (6, True), (7, False))
    places = develop(strip, passes, hands, history)
    assert received(places) == {"patch 1": 2.25, "patch 2": 3.0}
    assert [one.error_ms for one in places] == [250.0, 0.0]


def test_a_dodge_and_a_burn():
    one_print = programme(
        '[print]\nbase_s = 10\ndodge = [{ label = "boat", stops = "1" }]\n'
        'burn = [{ label = "sky", stops = "1" }]\n'
    )
    passes = passes_of(one_print)
    hands = Hands()
    hands.open_places(0, places_lit(passes[0], passes))
    hands.hold_back(4 * NS, "dodge boat")
    hands.let_go(9 * NS, "dodge boat")
    hands.open_places(12 * NS, places_lit(passes[1], passes))
    history = line((1, True), (11, False), (13, True), (23, False))
    assert received(develop(one_print, passes, hands, history)) == {
        "rest of the sheet": 10.0,
        "dodge boat": 5.0,
        "burn sky": 20.0,
    }


def test_the_error_is_told_in_milliseconds_and_stops():
    twice = Exposed("patch 1", 4 * NS, 8 * NS)
    assert (twice.error_ms, twice.error_stops) == (4000.0, 1.0)
    assert Exposed("patch 1", NS, 0).error_stops is None
    assert twice.as_json()["received_s"] == pytest.approx(8.0)
