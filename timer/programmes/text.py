"""A programme as text: TOML that a person can read, edit by hand and carry to another enlarger.

``to_toml`` and ``from_toml`` are exact inverses. A text is accepted whole or
refused whole, with one sentence that names the line and the field. In such a
field path areas are counted from 1, as a printer counts them.
"""

import re
import tomllib
from fractions import Fraction
from typing import Any

import msgspec
import tomli_w

from timer.errors import FormatError
from timer.photo.prints import Burn, Dodge, Print
from timer.photo.stops import read_stops, write_stops
from timer.photo.strips import Strip, Way
from timer.programmes.complaints import Fields, Source, made
from timer.programmes.model import Advance, Programme, Setup

FORMAT_VERSION = 1
LARGEST_BYTES = 1 << 20

# A cut of the text between two areas would leave valid TOML: a print without its burns.
# So the first line promises the last one.
_FIRST_LINE = '# A Treadle programme. It is whole if its last line is "# end".'
_LAST_LINE = "# end"

_DEFAULT_ADVANCE = Advance.COUNT
_DEFAULT_PAUSE_SECONDS = 4.0
# The standard library's parser takes time with the square of a dotted key's length. These
# patterns never look twice at the same text, whatever it is.
_LONG_KEY = re.compile(r"(?<![\w-])(?:[\w-]++[ \t]*+\.[ \t]*+){16}")
_QUOTED_OR_COMMENT = re.compile(r""""(?:[^"\\\n]|\\.)*+"?|'[^'\n]*+'?|#[^\n]*+""")
_HUGE_NUMBER = re.compile(r"[0-9_]{400}")


class _Dodge(msgspec.Struct, forbid_unknown_fields=True):
    label: str
    stops: Fraction
    count_in_s: float = 3.0
    together: str | None = None


class _Burn(msgspec.Struct, forbid_unknown_fields=True):
    label: str
    stops: Fraction
    filter: str | None = None


class _Print(msgspec.Struct, forbid_unknown_fields=True):
    base_s: float
    filter: str | None = None
    dodge: list[_Dodge] = []
    burn: list[_Burn] = []
    advance: Advance = _DEFAULT_ADVANCE
    pause_s: float = _DEFAULT_PAUSE_SECONDS


class _Strip(msgspec.Struct, forbid_unknown_fields=True):
    patches: int
    way: Way = Way.COVER
    first_s: float | None = None
    centre_s: float | None = None
    step: Fraction | None = None
    add_s: float | None = None
    repeat: bool = False
    advance: Advance = _DEFAULT_ADVANCE
    pause_s: float = _DEFAULT_PAUSE_SECONDS


class _Setup(msgspec.Struct, forbid_unknown_fields=True):
    negative: str | None = None
    paper: str | None = None
    size: str | None = None
    column: str | None = None
    aperture: str | None = None
    note: str | None = None


class _Programme(msgspec.Struct, forbid_unknown_fields=True):
    treadle: int
    name: str
    setup: _Setup = msgspec.field(default_factory=_Setup)
    strip: _Strip | None = None
    print: _Print | None = None


def to_toml(programme: Programme) -> str:
    """Return ``programme`` as text that :func:`from_toml` reads back to an equal one.

    Raises FormatError for stops so finely divided that nobody could have written them.
    """
    parts = [_FIRST_LINE + "\n" + _table(None, {"treadle": FORMAT_VERSION, "name": programme.name})]
    setup = {name: getattr(programme.setup, name) for name in _Setup.__struct_fields__}
    if any(text is not None for text in setup.values()):
        parts.append(_table("[setup]", setup))
    going_on: dict[str, Any] = {
        "advance": programme.advance.value,
        "pause_s": float(programme.pause_seconds),
    }
    if programme.strip is not None:
        parts.append(_table("[strip]", _strip_keys(programme.strip) | going_on))
    if programme.print is not None:
        if going_on == {"advance": _DEFAULT_ADVANCE.value, "pause_s": _DEFAULT_PAUSE_SECONDS}:
            going_on = {}
        parts += _print_tables(programme.print, going_on)
    return "\n".join([*parts, _LAST_LINE + "\n"])


def from_toml(text: str, source: str = "text") -> Programme:
    """Return the programme that ``text`` says.

    ``source`` names the text in the FormatError that anything but a whole,
    sound programme raises.
    """
    origin = Source(source, text)
    raw = _parse(text, origin)
    _check_version(raw, origin)
    _check_whole(text, origin)
    origin.check_keys(raw, _Programme)
    try:
        read = msgspec.convert(raw, _Programme, dec_hook=_read_fraction)
    except msgspec.ValidationError as error:
        raise origin.complain_of_shape(str(error), raw, _Programme) from error
    return _build(read, origin)


def _table(header: str | None, keys: dict[str, Any]) -> str:
    body = tomli_w.dumps({key: value for key, value in keys.items() if value is not None})
    return body if header is None else f"{header}\n{body}"


def _strip_keys(strip: Strip) -> dict[str, Any]:
    return {
        "patches": strip.patches,
        "way": strip.way.value,
        "first_s": _seconds(strip.first_seconds),
        "centre_s": _seconds(strip.centre_seconds),
        "step": None if strip.step_stops is None else _stops(strip.step_stops),
        "add_s": _seconds(strip.add_seconds),
        "repeat": strip.repeat or None,
    }


def _print_tables(one_print: Print, going_on: dict[str, Any]) -> list[str]:
    base = {"base_s": _seconds(one_print.base_seconds), "filter": one_print.filter}
    dodges = [
        {
            "label": dodge.label,
            "stops": _stops(dodge.stops),
            "count_in_s": _seconds(dodge.count_in_seconds),
            "together": dodge.together,
        }
        for dodge in one_print.dodges
    ]
    burns = [
        {"label": burn.label, "stops": _stops(burn.stops), "filter": burn.filter}
        for burn in one_print.burns
    ]
    return [
        _table("[print]", base | going_on),
        *(_table("[[print.dodge]]", keys) for keys in dodges),
        *(_table("[[print.burn]]", keys) for keys in burns),
    ]


def _seconds(seconds: float | None) -> float | None:
    return None if seconds is None else float(seconds)


def _stops(stops: Fraction) -> str:
    written = write_stops(stops)
    try:
        read_stops(written)
    except ValueError as error:
        raise FormatError(
            f"stops: {written[:20]}… is divided too finely to be written down;"
            " use a fraction such as 1/3"
        ) from error
    return written


def _read_fraction(wanted: type, value: object) -> Fraction:
    """Read stops for msgspec, which adds the path to the ValueError that is raised."""
    if wanted is not Fraction:
        raise NotImplementedError(wanted)
    if not isinstance(value, str):
        raise ValueError('stops are written as a fraction in quotes, such as "1/3"')  # noqa: TRY004 -- msgspec takes a ValueError
    stops = read_stops(value)
    # A long decimal can be read, but the fraction that it makes could not be written again.
    _stops(stops)
    return stops


def _parse(text: str, origin: Source) -> dict[str, Any]:
    if len(text.encode("utf-8", "surrogatepass")) > LARGEST_BYTES:
        raise origin.complain("the text is larger than 1 MiB; no programme is, so check the file")
    text = text.removeprefix("\ufeff")  # some editors put this mark in front
    bare = _QUOTED_OR_COMMENT.sub('""', text)
    if _LONG_KEY.search(bare.replace('""', "_")):
        raise origin.complain("it has a key of too many parts; write keys as in a saved programme")
    if number := _HUGE_NUMBER.search(bare):
        line = origin.line_holding(number.group())
        raise origin.complain("this number has too many digits; give fewer", line=line)
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise origin.complain_of_syntax(str(error)) from error
    except (RecursionError, ValueError) as error:
        raise origin.complain(
            "its brackets or numbers can't be read; compare it with a saved programme"
        ) from error


def _check_version(raw: dict[str, Any], origin: Source) -> None:
    version = raw.get("treadle")
    if version is None:
        raise origin.complain(
            f'this is no programme of Treadle\'s; one begins with "treadle = {FORMAT_VERSION}"'
        )
    if type(version) is not int or version != FORMAT_VERSION:
        raise origin.complain(
            f"this Treadle reads programmes of format {FORMAT_VERSION} only; update Treadle,"
            " or save the programme again in that format",
            ("treadle",),
        )


def _check_whole(text: str, origin: Source) -> None:
    lines = [line.strip() for line in text.removeprefix("\ufeff").strip().splitlines()]
    if lines[0] == _FIRST_LINE and lines[-1] != _LAST_LINE:
        raise origin.complain(
            f'its last line is not "{_LAST_LINE}", so it may be cut short;'
            " take a whole copy, or put that line at the end if nothing is missing"
        )


def _build(read: _Programme, origin: Source) -> Programme:
    kind = "print" if read.strip is None else "strip"
    going_on = read.strip or read.print
    return made(
        origin,
        Programme,
        {
            "name": read.name,
            "strip": None if read.strip is None else _build_strip(read.strip, origin),
            "print": None if read.print is None else _build_print(read.print, origin),
            "setup": _build_setup(read.setup, origin),
            "advance": _DEFAULT_ADVANCE if going_on is None else going_on.advance,
            "pause_seconds": _DEFAULT_PAUSE_SECONDS if going_on is None else going_on.pause_s,
        },
        Fields((), {"name": ("name",), "pause_seconds": (kind, "pause_s")}),
        {"name": "any", "print": Print(10.0)},
    )


def _build_setup(read: _Setup, origin: Source) -> Setup:
    values = {name: getattr(read, name) for name in _Setup.__struct_fields__}
    return made(origin, Setup, values, Fields(("setup",), {name: (name,) for name in values}), {})


def _build_strip(read: _Strip, origin: Source) -> Strip:
    names = {
        "patches": ("patches",),
        "first_seconds": ("first_s",),
        "centre_seconds": ("centre_s",),
        "step_stops": ("step",),
        "add_seconds": ("add_s",),
    }
    values = {name: getattr(read, key) for name, (key,) in names.items()}
    return made(
        origin,
        Strip,
        values | {"way": read.way, "repeat": read.repeat},
        Fields(("strip",), names, {"centre_seconds": "first_seconds", "add_seconds": "step_stops"}),
        {"patches": 2, "first_seconds": 1.0, "step_stops": Fraction(1)},
    )


def _build_print(read: _Print, origin: Source) -> Print:
    area = {"label": "any", "stops": Fraction(1)}
    burn_names = {"label": ("label",), "stops": ("stops",), "filter": ("filter",)}
    dodge_names = {
        "label": ("label",),
        "stops": ("stops",),
        "count_in_seconds": ("count_in_s",),
        "together": ("together",),
    }
    dodges = tuple(
        made(
            origin,
            Dodge,
            {name: getattr(one, key) for name, (key,) in dodge_names.items()},
            Fields(("print", "dodge", index), dodge_names),
            area,
        )
        for index, one in enumerate(read.dodge)
    )
    burns = tuple(
        made(
            origin,
            Burn,
            {name: getattr(one, key) for name, (key,) in burn_names.items()},
            Fields(("print", "burn", index), burn_names),
            area,
        )
        for index, one in enumerate(read.burn)
    )
    return made(
        origin,
        Print,
        {"base_seconds": read.base_s, "filter": read.filter, "dodges": dodges, "burns": burns},
        Fields(("print",), {"base_seconds": ("base_s",), "filter": ("filter",)}),
        {"base_seconds": 10.0},
    )
