"""Prints: the base, the dodges inside it, the burns after it."""

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from timer.errors import PlanError
from timer.photo.prints import Burn, Dodge, Print
from timer.photo.switching import Switching

STEADY = Switching(0.0, 0.0)
HALF = Fraction(1, 2)


def dodge(label: str, stops: Fraction | int, count_in: float = 0.0, **more: str) -> Dodge:
    return Dodge(label, Fraction(stops), count_in, **more)


# The arithmetic, by the definition of the stop


def test_a_dodge_of_one_stop_holds_back_for_half_of_the_base() -> None:
    assert dodge("face", 1).held_back_seconds(10.0) == 5.0


def test_a_burn_of_one_stop_gives_the_base_once_more() -> None:
    assert Burn("sky", Fraction(1)).more_seconds(10.0) == 10.0


@pytest.mark.parametrize(
    ("stops", "dodged", "burnt"),
    [
        (Fraction(1, 12), 0.5613, 0.5946),
        (Fraction(1, 6), 1.0910, 1.2246),
        (Fraction(1, 3), 2.0630, 2.5992),
        (HALF, 2.9289, 4.1421),
        (Fraction(3, 2), 6.4645, 18.2843),
        (Fraction(2), 7.5, 30.0),
    ],
)
def test_stops_on_a_base_of_10_s(stops: Fraction, dodged: float, burnt: float) -> None:
    """base * (1 - 2**-d) and base * (2**b - 1), computed from the definition of the stop."""
    assert Dodge("face", stops).held_back_seconds(10.0) == pytest.approx(dodged, abs=5e-5)
    assert Burn("sky", stops).more_seconds(10.0) == pytest.approx(burnt, abs=5e-5)


@given(st.fractions(Fraction(1, 1000), 5, max_denominator=1000), st.floats(0.001, 3600.0))
def test_what_is_left_after_a_dodge_is_its_stops_under_the_base(
    stops: Fraction, base: float
) -> None:
    left = base - Dodge("face", stops).held_back_seconds(base)
    assert math.log2(left / base) == pytest.approx(-float(stops), abs=1e-12)


@given(st.fractions(Fraction(1, 1000), 8, max_denominator=1000), st.floats(0.001, 3600.0))
def test_base_and_burn_together_are_its_stops_over_the_base(stops: Fraction, base: float) -> None:
    total = base + Burn("sky", stops).more_seconds(base)
    assert math.log2(total / base) == pytest.approx(float(stops), abs=1e-12)


# The passes


def test_a_print_is_the_base_and_then_its_burns_in_order() -> None:
    plan = Print(
        12.0, "2", (dodge("face", 1),), (Burn("sky", Fraction(1), "0"), Burn("edge", HALF))
    ).plan(STEADY)
    assert [(p.kind, p.label, p.filter) for p in plan.passes] == [
        ("base", None, "2"),
        ("burn", "sky", "0"),
        ("burn", "edge", None),
    ]
    assert [p.duration_seconds for p in plan.passes] == pytest.approx(
        [12.0, 12.0, 4.9706], abs=5e-5
    )
    assert [len(p.dodges) for p in plan.passes] == [1, 0, 0]
    assert plan.warnings == ()


def test_dodges_follow_each_other_behind_their_count_ins() -> None:
    plan = Print(20.0, dodges=(dodge("face", HALF, 2.0), dodge("hands", HALF, 3.0))).plan(STEADY)
    face, hands = plan.passes[0].dodges
    held = 20.0 * (1 - 2**-0.5)
    assert (face.starts_seconds, face.ends_seconds) == pytest.approx((2.0, 2.0 + held))
    assert (hands.starts_seconds, hands.ends_seconds) == pytest.approx((5.0 + held, 5.0 + 2 * held))
    assert plan.warnings == ()


def test_dodges_done_together_start_together_and_end_by_their_own_stops() -> None:
    plan = Print(
        20.0,
        dodges=(
            dodge("face", 1, 1.0, together="left"),
            dodge("wall", Fraction(1, 4), 3.0),
            dodge("hands", HALF, 3.0, together="left"),
        ),
    ).plan(STEADY)
    face, wall, hands = plan.passes[0].dodges
    # The longer of their count-ins, so that both tools are in place.
    assert face.starts_seconds == hands.starts_seconds == 3.0
    assert face.ends_seconds == 13.0
    assert hands.ends_seconds == pytest.approx(3.0 + 20.0 * (1 - 2**-0.5))
    assert [one.label for one in (face, wall, hands)] == ["face", "wall", "hands"]
    assert wall.starts_seconds == 16.0


def test_a_label_that_names_a_group_is_not_taken_into_it() -> None:
    plan = Print(20.0, dodges=(dodge("left", HALF), dodge("face", HALF, together="left"))).plan(
        STEADY
    )
    left, face = plan.passes[0].dodges
    assert face.starts_seconds == pytest.approx(left.ends_seconds)


def test_count_ins_shrink_in_proportion_where_the_base_is_short_of_them() -> None:
    """10 s less twice 2.5 s held back leave 5 s for count-ins of 4 s and 6 s: half of each."""
    held_back_2_5_s = Fraction(math.log2(10 / 7.5))
    plan = Print(
        10.0, dodges=(dodge("face", held_back_2_5_s, 4.0), dodge("hands", held_back_2_5_s, 6.0))
    )
    face, hands = plan.plan(STEADY).passes[0].dodges
    assert face.starts_seconds == pytest.approx(2.0, abs=1e-6)
    assert hands.starts_seconds == pytest.approx(2.0 + 2.5 + 3.0, abs=1e-6)
    assert hands.ends_seconds == pytest.approx(10.0, abs=1e-6)
    warnings = plan.plan(STEADY).warnings
    assert "dodge 'face': its count-in is 2.0 s instead of 4 s" in warnings[0]
    assert "dodge 'hands': its count-in is 3.0 s instead of 6 s" in warnings[1]


def test_dodges_that_fill_the_base_fit_without_a_count_in() -> None:
    plan = Print(10.0, dodges=(dodge("face", 1, 3.0), dodge("hands", 1, 3.0))).plan(STEADY)
    face, hands = plan.passes[0].dodges
    assert (face.starts_seconds, face.ends_seconds) == (0.0, 5.0)
    assert (hands.starts_seconds, hands.ends_seconds) == (5.0, 10.0)
    assert len(plan.warnings) == 2


def test_dodges_that_do_not_fit_are_refused_with_how_much_they_are_over() -> None:
    with pytest.raises(
        PlanError,
        match=r"held back for 12\.50 s in all, they are 2\.50 s longer than the base of 10 s",
    ):
        Print(10.0, dodges=(dodge("face", 1), dodge("hands", 2)))


def test_dodges_that_do_not_fit_one_by_one_may_fit_together() -> None:
    plan = Print(
        10.0, dodges=(dodge("face", 1, together="both"), dodge("hands", 2, together="both"))
    ).plan(STEADY)
    assert [one.ends_seconds for one in plan.passes[0].dodges] == [5.0, 7.5]


# Another base


@st.composite
def prints(draw: st.DrawFn) -> Print:
    # Four dodges of a third of a stop still fit into the base, one after another.
    dodged = st.fractions(Fraction(1, 12), Fraction(1, 3), max_denominator=12)
    burnt = st.fractions(Fraction(1, 12), 2, max_denominator=12)
    groups = st.sampled_from([None, "left", "right"])
    dodges = draw(st.lists(st.tuples(dodged, st.floats(0.0, 30.0), groups), max_size=4))
    return Print(
        draw(st.floats(1.0, 120.0)),
        dodges=tuple(Dodge(f"area {n}", *one) for n, one in enumerate(dodges)),
        burns=tuple(
            Burn(f"area {n}", one) for n, one in enumerate(draw(st.lists(burnt, max_size=4)))
        ),
    )


@given(prints(), st.floats(1.0, 120.0))
def test_a_print_on_another_base_keeps_its_stops(one: Print, base: float) -> None:
    other = one.with_base(base)
    assert other.base_seconds == base
    assert (other.dodges, other.burns) == (one.dodges, one.burns)
    scale = base / one.base_seconds
    for before, after in zip(one.plan(STEADY).passes, other.plan(STEADY).passes, strict=True):
        assert after.duration_seconds == pytest.approx(before.duration_seconds * scale, rel=1e-12)
        for old, new in zip(before.dodges, after.dodges, strict=True):
            assert new.ends_seconds - new.starts_seconds == pytest.approx(
                (old.ends_seconds - old.starts_seconds) * scale, rel=1e-6, abs=1e-9
            )


@given(prints(), st.floats(1.0, 120.0))
def test_a_print_that_goes_to_another_base_and_back_is_the_same(one: Print, base: float) -> None:
    assert one.with_base(base).with_base(one.base_seconds) == one


@given(prints())
def test_every_dodge_lies_within_the_base_for_as_long_as_its_stops_say(one: Print) -> None:
    for asked, planned in zip(one.dodges, one.plan(STEADY).passes[0].dodges, strict=True):
        assert asked.label == planned.label
        assert planned.starts_seconds >= 0.0
        assert planned.ends_seconds <= one.base_seconds
        assert planned.ends_seconds - planned.starts_seconds == pytest.approx(
            asked.held_back_seconds(one.base_seconds), abs=1e-8
        )


def test_a_base_so_long_that_a_burn_lasts_for_hours_is_refused() -> None:
    one = Print(10.0, burns=(Burn("sky", Fraction(4)),))
    with pytest.raises(PlanError, match=r"^burn 'sky': 15000 s is outside"):
        one.with_base(1000.0)


# What can't be made


@pytest.mark.parametrize("seconds", [0, -1, 3601, 1e300, math.nan, math.inf, 10**400, True])
def test_a_base_that_cannot_be_exposed_is_refused(seconds: float) -> None:
    with pytest.raises(PlanError, match=r"^base exposure: "):
        Print(seconds)


@pytest.mark.parametrize("stops", [0, -1, 6, 40, Fraction(501, 100)])
def test_a_dodge_of_nothing_or_of_too_much_is_refused(stops: Fraction | int) -> None:
    with pytest.raises(PlanError, match=r"^dodge 'face': .* more than 0 and at most 5"):
        dodge("face", stops)


@pytest.mark.parametrize("stops", [0, -1, 9, 40, 10**9])
def test_a_burn_of_nothing_or_of_too_much_is_refused(stops: int) -> None:
    with pytest.raises(PlanError, match=r"^burn 'sky': .* more than 0 and at most 8"):
        Burn("sky", Fraction(stops))


@pytest.mark.parametrize("seconds", [-0.1, 30.1, math.nan, math.inf])
def test_a_count_in_that_nobody_waits_for_is_refused(seconds: float) -> None:
    with pytest.raises(PlanError, match=r"^dodge 'face', count-in: "):
        dodge("face", 1, seconds)


BAD_LABELS = [
    ("", "it is empty"),
    ("   ", "it is empty"),
    (" face", "begins or ends with a blank"),
    ("face\n", "begins or ends with a blank"),
    ("fa\nce", "control characters"),
    ("fa\x00ce", "control characters"),
    ("fa\x1b[2Jce", "control characters"),
    ("fa\u202ece", "control characters"),
    ("fa\u2028ce", "control characters"),
    ("fa\ud800ce", "control characters"),
    ("x" * 81, "81 characters; use 80 or fewer"),
    ("x" * 10_000, "10000 characters"),
]


@pytest.mark.parametrize(("label", "says"), BAD_LABELS)
def test_a_label_that_cannot_be_read_out_is_refused(label: str, says: str) -> None:
    for make in (
        lambda: dodge(label, 1),
        lambda: Burn(label, Fraction(1)),
        lambda: dodge("face", 1, together=label),
    ):
        with pytest.raises(PlanError, match=says) as raised:
            make()
        assert len(str(raised.value)) < 200
        assert str(raised.value).isprintable()


def test_a_label_may_be_in_any_script() -> None:
    for label in ("Gesicht", "небо", "顔", "ουρανός", "سماء", "½ sky 🌲"):
        assert Burn(label, Fraction(1)).label == label


def test_one_letter_in_two_encodings_is_one_label() -> None:
    assert Burn("Blu\u0308te", Fraction(1)) == Burn("Bl\u00fcte", Fraction(1))


@pytest.mark.parametrize("filters", ["", "x" * 21, "2\n3"])
def test_a_filter_that_cannot_be_read_out_is_refused(filters: str) -> None:
    with pytest.raises(PlanError, match=r"^base filter: "):
        Print(10.0, filters)
    with pytest.raises(PlanError, match=r"^burn 'sky', filter: "):
        Burn("sky", Fraction(1), filters)


def test_two_areas_of_one_kind_need_two_labels() -> None:
    with pytest.raises(PlanError, match="dodge 'face' is there twice"):
        Print(20.0, dodges=(dodge("face", HALF), dodge("face", HALF)))
    with pytest.raises(PlanError, match="burn 'sky' is there twice"):
        Print(20.0, burns=(Burn("sky", HALF), Burn("sky", HALF)))
    Print(20.0, dodges=(dodge("sky", HALF),), burns=(Burn("sky", HALF),))


def test_a_print_has_at_most_a_hundred_burns() -> None:
    burns = tuple(Burn(f"area {n}", HALF) for n in range(101))
    assert len(Print(10.0, burns=burns[:100]).plan().passes) == 101
    with pytest.raises(PlanError, match="burns: 101 are too many"):
        Print(10.0, burns=burns)


# What the lamp and its switch can't follow


def test_a_burn_too_short_for_the_switch_is_warned_of() -> None:
    plan = Print(2.0, burns=(Burn("sky", Fraction(1, 12)),)).plan(Switching(0.0, 0.2))
    assert plan.warnings == (
        "pass 2 (burn 'sky'): 0.119 s is too short for the lamp's switch (trusted from 0.2 s);"
        " stop the lens down and expose longer",
    )


def test_a_lag_that_is_seen_in_the_base_is_warned_of() -> None:
    """log2(2 / (2 - 0.1)) = 0.074 stop, computed from the definition of the stop."""
    (warning,) = Print(2.0).plan(Switching(0.1, 0.2)).warnings
    assert warning.startswith("pass 1 (base): the lag of the lamp may take 0.07 stop of 2.00 s")
