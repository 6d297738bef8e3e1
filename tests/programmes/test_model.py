"""A programme: one strip or one print, a name, and what is needed to set up again."""

import pytest

from timer.errors import PlanError
from timer.photo.prints import Print
from timer.photo.strips import Strip
from timer.programmes.model import LONGEST_NAME, LONGEST_NOTE, Programme, Setup

PRINT = Print(10.0)
STRIP = Strip(5, first_seconds=4.0, add_seconds=2.0)


@pytest.mark.parametrize("kinds", [{}, {"strip": STRIP, "print": PRINT}])
def test_a_programme_is_a_strip_or_a_print(kinds: dict[str, object]) -> None:
    with pytest.raises(PlanError, match="programme 'Oak': give either a strip or a print"):
        Programme("Oak", **kinds)  # type: ignore[arg-type]


@pytest.mark.parametrize("name", ["", " ", " Oak", "O\nk", "O\x1bk", "x" * (LONGEST_NAME + 1)])
def test_a_name_that_nobody_could_read_out_is_refused(name: str) -> None:
    with pytest.raises(PlanError, match=r"^name: "):
        Programme(name, print=PRINT)


@pytest.mark.parametrize("name", ["Eiche, groß", "дуб", "楢", "بلوط", "δρυς", "🌳 2"])
def test_a_name_may_be_in_any_script(name: str) -> None:
    assert Programme(name, print=PRINT).name == name


def test_a_name_is_kept_in_its_composed_form() -> None:
    assert Programme("Blu\u0308te", print=PRINT).name == "Bl\u00fcte"


@pytest.mark.parametrize("seconds", [0.9, 61, -1, float("nan"), float("inf")])
def test_a_pause_in_which_no_card_is_moved_is_refused(seconds: float) -> None:
    with pytest.raises(PlanError, match=r"^pause: .* give 1 s to 60 s"):
        Programme("Look", strip=STRIP, pause_seconds=seconds)


@pytest.mark.parametrize("field", ["negative", "paper", "size", "column", "aperture", "note"])
def test_each_word_on_the_setup_is_free_but_readable(field: str) -> None:
    longest = LONGEST_NOTE if field == "note" else LONGEST_NAME
    assert getattr(Setup(**{field: "x" * longest}), field) == "x" * longest
    for wrong in ("", "x\x00", "x" * (longest + 1)):
        with pytest.raises(PlanError, match=f"^{field}: "):
            Setup(**{field: wrong})
