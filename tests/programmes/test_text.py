"""A programme as text: exact both ways, taken whole or refused whole with one sentence."""

import operator
import re
import tomllib
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from timer.errors import FormatError
from timer.photo.prints import Burn, Dodge, Print
from timer.photo.strips import Strip, Way
from timer.programmes.model import Advance, Programme, Setup
from timer.programmes.text import from_toml, to_toml

OAK = Programme(
    "Oak by the lake",
    print=Print(
        12.5,
        "2½",
        dodges=(Dodge("face", Fraction(1, 3)), Dodge("hands", Fraction(1, 2), 2.0, "left")),
        burns=(Burn("sky", Fraction(3, 2), "0"), Burn("corner", Fraction(1, 4))),
    ),
    setup=Setup(negative="77-12", paper="fibre, matt", note='keep the "glow"'),
)
STRIP = Programme("First look", strip=Strip(7, first_seconds=5.0, step_stops=Fraction(1, 3)))

OAK_TEXT = """\
# A Treadle programme. It is whole if its last line is "# end".
treadle = 1
name = "Oak by the lake"

[setup]
negative = "77-12"
paper = "fibre, matt"
note = "keep the \\"glow\\""

[print]
base_s = 12.5
filter = "2½"

[[print.dodge]]
label = "face"
stops = "1/3"
count_in_s = 3.0

[[print.dodge]]
label = "hands"
stops = "1/2"
count_in_s = 2.0
together = "left"

[[print.burn]]
label = "sky"
stops = "1 1/2"
filter = "0"

[[print.burn]]
label = "corner"
stops = "1/4"

# end
"""

STRIP_TEXT = """\
# A Treadle programme. It is whole if its last line is "# end".
treadle = 1
name = "First look"

[strip]
patches = 7
way = "cover"
first_s = 5.0
step = "1/3"
advance = "count"
pause_s = 4.0

# end
"""


def line_with(text: str, part: str) -> int:
    return next(n for n, line in enumerate(text.splitlines(), start=1) if part in line)


def refusal(text: str) -> str:
    with pytest.raises(FormatError) as raised:
        from_toml(text, "oak.toml")
    message = str(raised.value)
    assert message.startswith("oak.toml")
    assert "\n" not in message
    assert message.isprintable()
    assert len(message) < 500
    return message


# The text that a printer sees


@pytest.mark.parametrize(("programme", "text"), [(OAK, OAK_TEXT), (STRIP, STRIP_TEXT)])
def test_a_programme_is_written_in_the_trades_words(programme: Programme, text: str) -> None:
    assert to_toml(programme) == text
    assert from_toml(text) == programme


def test_a_short_programme_written_by_hand_needs_no_more_than_this() -> None:
    assert from_toml('treadle = 1\nname = "Oak"\nprint.base_s = 12') == Programme(
        "Oak", print=Print(12.0)
    )


def test_a_strip_written_by_hand_may_leave_the_rest_to_custom() -> None:
    text = 'treadle = 1\nname = "Look"\n[strip]\npatches = 5\ncentre_s = 8\nadd_s = 2\n'
    assert from_toml(text) == Programme(
        "Look", strip=Strip(5, centre_seconds=8.0, add_seconds=2.0), advance=Advance.COUNT
    )


def test_the_ends_of_lines_and_the_mark_of_other_editors_are_accepted() -> None:
    assert from_toml("\ufeff" + OAK_TEXT.replace("\n", "\r\n")) == OAK


def test_areas_may_be_written_in_line() -> None:
    text = 'treadle = 1\nname = "Oak"\n[print]\nbase_s = 9\nburn = [{ label = "sky", stops = "1" }]'
    assert from_toml(text).print == Print(9.0, burns=(Burn("sky", Fraction(1)),))


def test_a_name_written_in_two_encodings_is_one_name() -> None:
    # Unicode's composed and decomposed forms of the same letter.
    texts = [
        f'treadle = 1\nname = "{name}"\nprint.base_s = 9' for name in ("Bl\u00fcte", "Blu\u0308te")
    ]
    assert from_toml(texts[0]) == from_toml(texts[1])


# Exact both ways

labels = st.text(st.characters(exclude_categories=["C", "Zl", "Zp"]), min_size=1, max_size=20)
sound_labels = labels.map(str.strip).filter(bool)
filters = st.none() | sound_labels.map(lambda label: label[:10].strip()).filter(bool)
seconds = st.floats(0.001, 3600.0)


def stops(most: Fraction | int) -> st.SearchStrategy[Fraction]:
    return st.fractions(Fraction(1, 1000), most, max_denominator=1000)


@st.composite
def strips(draw: st.DrawFn) -> Strip:
    way = draw(st.sampled_from(Way))
    start = draw(st.sampled_from(["first_seconds", "centre_seconds"]))
    centre = draw(st.floats(1.0, 100.0))
    form = draw(st.sampled_from(["step", "add", "repeat"]))
    if form == "step":
        step = draw(st.fractions(Fraction(1, 12), 1, max_denominator=12))
        return Strip(draw(st.integers(2, 6)), way, step_stops=step, **{start: centre})
    patches = draw(st.integers(2, 24))
    if form == "add":
        add = draw(st.floats(0.001, centre / 24))
        return Strip(patches, way, add_seconds=add, **{start: centre})
    return Strip(patches, way, first_seconds=centre, repeat=True)


@st.composite
def prints(draw: st.DrawFn) -> Print:
    # Few and small enough dodges to fit into any base; burns long enough to be exposed.
    dodges = st.builds(Dodge, sound_labels, stops(Fraction(1, 3)), st.floats(0.0, 30.0), filters)
    burns = st.builds(Burn, sound_labels, stops(5), filters)
    label = operator.attrgetter("label")
    return Print(
        draw(st.floats(2.0, 100.0)),
        draw(filters),
        tuple(draw(st.lists(dodges, max_size=4, unique_by=label))),
        tuple(draw(st.lists(burns, max_size=4, unique_by=label))),
    )


@st.composite
def programmes(draw: st.DrawFn) -> Programme:
    texts = st.none() | sound_labels
    setup = Setup(*(draw(texts) for _ in range(6)))
    is_strip = draw(st.booleans())
    return Programme(
        draw(sound_labels),
        strip=draw(strips()) if is_strip else None,
        print=None if is_strip else draw(prints()),
        setup=setup,
        advance=draw(st.sampled_from(Advance)),
        pause_seconds=draw(st.floats(1.0, 60.0)),
    )


@given(programmes())
def test_a_programme_reads_back_as_it_was_written(programme: Programme) -> None:
    assert from_toml(to_toml(programme)) == programme


@given(programmes())
def test_writing_what_was_read_gives_the_same_text(programme: Programme) -> None:
    text = to_toml(programme)
    assert to_toml(from_toml(text)) == text


@given(st.text(max_size=200) | st.text("tread=1[]{}\"'.\n#name", max_size=60))
def test_whatever_is_typed_is_refused_in_one_sentence(text: str) -> None:
    refusal(text)


@given(st.integers(0, len(OAK_TEXT) - 1), st.characters())
def test_a_letter_mistyped_anywhere_is_a_programme_or_a_sentence(at: int, letter: str) -> None:
    mistyped = OAK_TEXT[:at] + letter + OAK_TEXT[at + 1 :]
    try:
        read = from_toml(mistyped, "oak.toml")
    except FormatError as error:
        assert str(error).startswith("oak.toml")
    else:
        assert from_toml(to_toml(read)) == read


# What is refused


@pytest.mark.parametrize("text", [OAK_TEXT, STRIP_TEXT], ids=["print", "strip"])
def test_a_text_cut_short_anywhere_is_refused(text: str) -> None:
    for length in range(len(text) - 1):
        with pytest.raises(FormatError):
            from_toml(text[:length])


def test_a_text_cut_between_two_burns_says_so() -> None:
    assert "may be cut short" in refusal(OAK_TEXT[: OAK_TEXT.rindex("[[print.burn]]")])


def test_a_text_cut_within_a_word_says_so() -> None:
    assert "cut short" in refusal(OAK_TEXT[: OAK_TEXT.index("lake")])


@pytest.mark.parametrize("version", ["2", "0", "-1", '"1"', "true", "1.0", "[1]", "9" * 300])
def test_another_version_is_refused_with_what_to_do(version: str) -> None:
    message = refusal(OAK_TEXT.replace("treadle = 1", f"treadle = {version}"))
    assert message.startswith(
        "oak.toml, line 2, treadle: this Treadle reads programmes of format 1"
    )


@pytest.mark.parametrize("text", ["", "\n", "# notes\n", 'name = "Oak"', "[print]\nbase_s = 3"])
def test_a_text_that_is_no_programme_is_told_apart(text: str) -> None:
    assert 'begins with "treadle = 1"' in refusal(text)


FACE = 'label = "face"\nstops = "1/3"'
ASKED_OF_OAK = [
    # what is written, what is written instead, field, what the message says
    ("base_s = 12.5", 'base_s = "12.5"', "print.base_s", "give a number"),
    ("base_s = 12.5", "base_s = true", "print.base_s", "give a number"),
    ("base_s = 12.5", "base_s = 2020-01-01", "print.base_s", "give a number"),
    ("base_s = 12.5", "base_s = 0", "print.base_s", "0 s is outside"),
    ("base_s = 12.5", "base_s = -3.0", "print.base_s", "-3 s is outside"),
    ("base_s = 12.5", "base_s = nan", "print.base_s", "nan s is outside"),
    ("base_s = 12.5", "base_s = inf", "print.base_s", "inf s is outside"),
    ("base_s = 12.5", "base_s = 1e999", "print.base_s", "inf s is outside"),
    ("base_s = 12.5", "base_s = 100000", "print.base_s", "give 0.001 s to 3600 s"),
    ("base_s = 12.5", "base_s = " + "9" * 350, "print.base_s", "too large"),
    ("base_s = 12.5", "base_s = -" + "9" * 350, "print.base_s", "too large"),
    ('filter = "2½"', "filter = 2", "print.filter", "give text in quotes"),
    ('filter = "2½"', 'filter = "' + "x" * 21 + '"', "print.filter", "21 characters"),
    ('"Oak by the lake"', '""', "name", "it is empty"),
    ('"Oak by the lake"', '" Oak"', "name", "begins or ends with a blank"),
    ('"Oak by the lake"', '"Oak\\u0007"', "name", "control characters"),
    ('"Oak by the lake"', '"Oak\\n"', "name", "begins or ends"),
    ('"Oak by the lake"', '"' + "x" * 121 + '"', "name", "121 characters"),
    ('"Oak by the lake"', "7", "name", "give text in quotes"),
    ('paper = "fibre, matt"', 'paper = ""', "setup.paper", "it is empty"),
    ('paper = "fibre, matt"', "paper = [1]", "setup.paper", "give text in quotes"),
    ('"face"', '"' + "x" * 10_000 + '"', "print.dodge[1].label", "10000 characters"),
    ('"hands"', '"\\u0000"', "print.dodge[2].label", "control characters"),
    ('stops = "1/2"', "stops = 0.5", "print.dodge[2].stops", 'such as "1/3"'),
    ('stops = "1/2"', 'stops = "1/0"', "print.dodge[2].stops", "divides by zero"),
    ('stops = "1/2"', 'stops = "half"', "print.dodge[2].stops", "not a number of stops"),
    ('stops = "1/2"', 'stops = "0"', "print.dodge[2].stops", "more than 0"),
    ('stops = "1/2"', 'stops = "-1"', "print.dodge[2].stops", "more than 0"),
    ('stops = "1/2"', 'stops = "6"', "print.dodge[2].stops", "at most 5"),
    (
        'stops = "1/2"',
        'stops = "0.' + "3" * 30 + '"',
        "print.dodge[2].stops",
        "not a number of stops",
    ),
    ('stops = "1 1/2"', 'stops = "40"', "print.burn[1].stops", "at most 8"),
    ("count_in_s = 2.0", "count_in_s = 31", "print.dodge[2].count_in_s", "0 s to 30 s"),
    ("count_in_s = 2.0", 'count_in_s = "x"', "print.dodge[2].count_in_s", "give a number"),
    ('together = "left"', 'together = ""', "print.dodge[2].together", "it is empty"),
]


@pytest.mark.parametrize(("written", "instead", "field", "says"), ASKED_OF_OAK)
def test_a_value_that_is_wrong_is_told_by_line_and_field(
    written: str, instead: str, field: str, says: str
) -> None:
    assert written in OAK_TEXT
    message = refusal(OAK_TEXT.replace(written, instead))
    assert message.startswith(f"oak.toml, line {line_with(OAK_TEXT, written)}, {field}: ")
    assert says in message


ASKED_OF_STRIP = [
    ("patches = 7", "patches = 1", "strip.patches", "2 to 24"),
    ("patches = 7", "patches = 0", "strip.patches", "2 to 24"),
    ("patches = 7", "patches = 25", "strip.patches", "2 to 24"),
    ("patches = 7", "patches = 7.5", "strip.patches", "a whole number"),
    ("patches = 7", "patches = " + "9" * 100, "strip.patches", "2 to 24"),
    ('way = "cover"', 'way = "sideways"', "strip.way", '"cover" or "uncover" or "separate"'),
    ('way = "cover"', 'way = "x` - at `$.print"', "strip.way", "is not known"),
    ('way = "cover"', "way = 1", "strip.way", "give text"),
    ("first_s = 5.0", "first_s = 0", "strip.first_s", "0 s is outside"),
    ('step = "1/3"', 'step = "0"', "strip.step", "1/12 to 2"),
    ('step = "1/3"', 'step = "1/13"', "strip.step", "1/12 to 2"),
    ('step = "1/3"', 'step = "3"', "strip.step", "1/12 to 2"),
    ('step = "1/3"', "add_s = nan", "strip.add_s", "nan s"),
    ("first_s = 5.0", "centre_s = -1", "strip.centre_s", "-1 s"),
    ('advance = "count"', 'advance = "clap"', "strip.advance", '"count" or "pedal"'),
    ("pause_s = 4.0", "pause_s = 0.5", "strip.pause_s", "1 s to 60 s"),
]


@pytest.mark.parametrize(("written", "instead", "field", "says"), ASKED_OF_STRIP)
def test_a_strips_value_that_is_wrong_is_told_by_line_and_field(
    written: str, instead: str, field: str, says: str
) -> None:
    assert written in STRIP_TEXT
    message = refusal(STRIP_TEXT.replace(written, instead))
    assert message.startswith(f"oak.toml, line {line_with(STRIP_TEXT, written)}, {field}: ")
    assert says in message


@pytest.mark.parametrize(
    ("written", "instead", "says"),
    [
        ("[setup]", "[set-up]", "did you mean 'setup'?"),
        ("base_s", "base", "there is no key 'base' here; did you mean 'base_s'?"),
        ("together", "to_gether", "did you mean 'together'?"),
        ("paper =", "weather =", "leave it out; known are negative, paper"),
        ("paper =", '"\\u001b[2J" =', "there is no key"),
        ("paper =", '"x` - at `$.zzz" =', "there is no key"),
        ("name =", '"x` - at `$.zzz" = 1\nname =', "there is no key"),
        ("paper =", '"' + "x" * 5000 + '" =', "there is no key"),
    ],
)
def test_an_unknown_key_is_refused_with_its_line(written: str, instead: str, says: str) -> None:
    line = line_with(OAK_TEXT, written)
    message = refusal(OAK_TEXT.replace(written, instead, 1))
    assert message.startswith(f"oak.toml, line {line}")
    assert says in message


def test_a_key_that_is_missing_is_named_with_its_table() -> None:
    message = refusal(OAK_TEXT.replace('stops = "1/4"\n', ""))
    line = line_with(OAK_TEXT, '"corner"') - 1  # the header of the burn
    assert message == f"oak.toml, line {line}, print.burn[2]: 'stops' is missing; add it"


def test_a_key_given_twice_is_refused() -> None:
    assert "can't be read" in refusal(OAK_TEXT.replace(FACE, FACE + '\nlabel = "chin"'))


def test_two_dodges_of_one_label_are_refused() -> None:
    assert "there twice" in refusal(OAK_TEXT.replace('"hands"', '"face"'))


def test_a_strip_that_asks_for_two_steps_is_refused() -> None:
    message = refusal(STRIP_TEXT.replace("way =", "add_s = 2.0\nway ="))
    assert message.startswith("oak.toml, line 5, strip: give one of")


@pytest.mark.parametrize(
    "also", ["", '[strip]\npatches = 2\nfirst_s = 1\nstep = "1"\n[print]\nbase_s = 2']
)
def test_a_programme_of_neither_or_both_kinds_is_refused(also: str) -> None:
    message = refusal(f'treadle = 1\nname = "Oak"\n{also}')
    assert "either a strip or a print" in message


def test_a_line_that_is_no_toml_is_told_by_its_number() -> None:
    message = refusal(OAK_TEXT.replace("base_s = 12.5", "base_s is 12.5"))
    assert message.startswith(f"oak.toml, line {line_with(OAK_TEXT, 'base_s')}: this line can't be")


def test_a_control_character_in_the_text_is_refused() -> None:
    assert refusal(OAK_TEXT.replace("Oak", "O\x07k")).startswith("oak.toml, line 3: ")


def test_a_text_of_more_than_a_mebibyte_is_refused() -> None:
    assert "larger than 1 MiB" in refusal(OAK_TEXT + "#" * (1 << 20))


def test_a_number_of_thousands_of_digits_is_refused() -> None:
    message = refusal(OAK_TEXT.replace("12.5", "7" * 5000))
    assert re.match(r"oak\.toml, line 11: .*too many digits", message)


@pytest.mark.parametrize(
    "text",
    [
        "x = " + "[" * 200_000,
        ".".join("a" * 300_000) + " = 1",
        "[" + " . ".join(["ab-c"] * 100_000) + "]",
        ".".join(["'a'"] * 200_000) + " = 1",
        '\\"' * 300_000,
        "'\"" * 300_000,
        "a" * 1_000_000,
        "_" * 1_000_000 + " = 1",
    ],
    ids=["brackets", "key", "header", "quoted key", "escapes", "quotes", "word", "blank word"],
)
def test_a_text_that_is_nested_without_end_is_refused(text: str) -> None:
    """Within the time that a test has: the parser alone would need minutes for the long keys."""
    refusal(text)


def test_half_a_character_is_refused() -> None:
    refusal(OAK_TEXT.replace("Oak", "O\ud800k"))


def test_stops_that_no_text_can_hold_are_refused_on_writing() -> None:
    fine = Programme("Oak", print=Print(9.0, dodges=(Dodge("sky", Fraction(1, 10**50)),)))
    with pytest.raises(FormatError, match="divided too finely"):
        to_toml(fine)


def test_the_text_is_toml_for_everyone() -> None:
    """Independent check: the standard library's own reader finds the same values."""
    raw = tomllib.loads(to_toml(OAK))
    assert raw["print"]["dodge"][1] == {
        "label": "hands",
        "stops": "1/2",
        "count_in_s": 2.0,
        "together": "left",
    }
