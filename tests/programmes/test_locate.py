"""On which line a value of a TOML text stands."""

import pytest

from timer.programmes.locate import line_of

TEXT = '''\
# title = "not this one"
title = "a"
lamp.pin = 17

[pedal] # the foot
"long press" = 0.8
note = """
[pedal.fake]
title = 1
"""
pins = [
  1,
  2,
]

[[print.dodge]]
label = 'a # b'
[[print.dodge]]
label = "x = [" # ]
area = { top = 1, left = 2 }
[print.dodge.tool]
wire = true

[ sound . volume ]
tick = 3
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (["title"], 2),
        (["lamp"], 3),
        (["lamp", "pin"], 3),
        (["pedal"], 5),
        (["pedal", "long press"], 6),
        (["pedal", "note"], 7),
        (["pedal", "pins"], 11),
        (["print"], 16),
        (["print", "dodge"], 16),
        (["print", "dodge", 0], 16),
        (["print", "dodge", 0, "label"], 17),
        (["print", "dodge", 1], 18),
        (["print", "dodge", 1, "label"], 19),
        (["print", "dodge", 1, "tool"], 21),
        (["print", "dodge", 1, "tool", "wire"], 22),
        (["sound"], 24),
        (["sound", "volume", "tick"], 25),
    ],
)
def test_a_key_or_table_is_found(path: list[str | int], line: int) -> None:
    assert line_of(TEXT, path) == line


def test_what_lies_in_line_has_the_line_of_its_key() -> None:
    assert line_of(TEXT, ["pedal", "pins", 1]) == 11
    assert line_of(TEXT, ["print", "dodge", 1, "area", "left"]) == 20


@pytest.mark.parametrize(
    "path",
    [
        [],
        ["nothing"],
        ["pedal", "fake"],
        ["pedal", "title"],
        ["print", "dodge", 2],
        ["print", "burn"],
    ],
)
def test_what_is_not_written_has_no_line(path: list[str | int]) -> None:
    assert line_of(TEXT, path) is None


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_the_ends_of_lines_make_no_difference(end: str) -> None:
    assert line_of(end.join(["a = 1", "", "[b]", "c = 2"]), ["b", "c"]) == 4


def test_a_text_of_nothing_has_no_lines() -> None:
    assert line_of("", ["a"]) is None
