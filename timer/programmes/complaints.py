"""Sentences about a programme's text that name the line and the field that are wrong."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Any, TypeVar, get_args

import msgspec

from timer.errors import FormatError, PlanError
from timer.programmes.locate import line_of

_Made = TypeVar("_Made")
_Path = tuple[str | int, ...]

_SYNTAX_LINE = re.compile(r"(?P<what>.*) \(at (?:line (?P<line>\d+), .*|end of document)\)", re.S)
_STEP = re.compile(r"\.(?P<key>\w+)|\[(?P<index>\d+)\]")
_BOUNDS = {"<=": "of at most", ">=": "of at least", "<": "below", ">": "above"}
_WORDS = {
    "str": 'text in quotes, such as "face"',
    "int": "a whole number",
    "float": "a number, such as 12.5",
    "bool": "true or false",
    "array": "tables under a header in double brackets",
    "object": "a table under a header of its own",
}


@dataclass(frozen=True, slots=True)
class Source:
    """A text, and the name under which a person knows it."""

    name: str
    text: str

    def complain(self, what: str, path: _Path = (), *, line: int | None = None) -> FormatError:
        """Return the error that says ``what`` is wrong at ``path``, or on ``line``."""
        if path and line is None:
            line = self._nearest_line(path)
        place = [self.name]
        if line is not None:
            place.append(f"line {line}")
        if path:
            place.append(written(path))
        return FormatError(f"{', '.join(place)}: {what}")

    def complain_of_syntax(self, what: str) -> FormatError:
        """Return the error for text that is not TOML, from the parser's own words."""
        match = _SYNTAX_LINE.fullmatch(what)
        line = None if match is None else match["line"]
        found = shown(what if match is None else match["what"], 100)
        if match is not None and line is None:
            return self.complain(f"it can't be read to its end ({found}); is it cut short?")
        return self.complain(
            f"this line can't be read ({found}); correct it, or look at one that works",
            line=None if line is None else int(line),
        )

    def complain_of_shape(
        self, what: str, raw: Mapping[str, Any], structure: type[msgspec.Struct]
    ) -> FormatError:
        """Return the error for sound TOML that is no programme, from msgspec's own words."""
        # The path is what follows the last of these signs: a value may hold them too.
        found, _, place = what.rpartition(" - at `$")
        found, path = (found, _read_path(place)) if found else (what, ())
        if missing := re.fullmatch(r"Object missing required field `(.*)`", found):
            return self.complain(f"{missing[1]!r} is missing; add it", path)
        if wrong := re.fullmatch(r"Expected `([^`]*)`, got `(.*)`", found):
            kinds = [kind for kind in wrong[1].split(" | ") if kind != "null"]
            return self.complain(f"give {' or '.join(_WORDS.get(k, k) for k in kinds)} here", path)
        if found.startswith("Invalid enum value"):
            values = " or ".join(f'"{one}"' for one in _choices(structure, path))
            return self.complain(
                f"{shown(repr(_value(raw, path)))} is not known; give {values}", path
            )
        if bound := re.fullmatch(r"Expected `\w+` (<=|>=|<|>) (\S+)", found):
            return self.complain(f"give a number {_BOUNDS[bound[1]]} {bound[2]}", path)
        if found == "Number out of range":
            return self.complain("this number is far too large; give one that can be meant", path)
        return self.complain(shown(found, 300), path)

    def line_holding(self, part: str) -> int | None:
        """Return the line on which ``part`` first stands, if it does."""
        at = self.text.find(part)
        return None if at < 0 else self.text.count("\n", 0, at) + 1

    def check_keys(
        self, raw: Mapping[str, Any], structure: type[msgspec.Struct], path: _Path = ()
    ) -> None:
        """Raise FormatError for the first key of ``raw`` that ``structure`` doesn't have."""
        known = {one.encode_name: one.type for one in msgspec.structs.fields(structure)}
        for key, value in raw.items():
            if key not in known:
                raise self._complain_of_key(key, path, tuple(known))
            inner = _inner_struct(known[key])
            tables = value if isinstance(value, list) else [value]
            for index, table in enumerate(tables):
                if inner is not None and isinstance(table, dict):
                    place = (key, index) if isinstance(value, list) else (key,)
                    self.check_keys(table, inner, (*path, *place))

    def _complain_of_key(self, key: str, path: _Path, known: Sequence[str]) -> FormatError:
        near = get_close_matches(key[:100], known, n=1)
        mend = f"did you mean {near[0]!r}?" if near else f"leave it out; known are {_list(known)}"
        line = line_of(self.text, (*path, key)) or self._nearest_line(path)
        return self.complain(f"there is no key {shown(repr(key))} here; {mend}", path, line=line)

    def _nearest_line(self, path: _Path) -> int | None:
        """Return the line of ``path``, or of the table that should hold it."""
        for length in range(len(path), 0, -1):
            line = line_of(self.text, path[:length])
            if line is not None:
                return line
        return None


@dataclass(frozen=True, slots=True)
class Fields:
    """Where in the text the fields of a class stand.

    ``names`` maps the class's fields to paths below ``path``; ``rivals`` maps a
    field to the one that can't be given beside it.
    """

    path: _Path
    names: Mapping[str, tuple[str, ...]]
    rivals: Mapping[str, str] = field(default_factory=dict)


def made(
    origin: Source,
    kind: type[_Made],
    values: Mapping[str, Any],
    fields: Fields,
    sample: Mapping[str, Any],
) -> _Made:
    """Return ``kind(**values)``; a PlanError becomes a FormatError that names field and line.

    The field to blame is the first that is refused by itself, put into
    ``sample``, a set of values that is sound.
    """
    try:
        return kind(**values)
    except PlanError as error:
        for name, place in fields.names.items():
            rival = fields.rivals.get(name)
            trial = {key: value for key, value in sample.items() if key != rival}
            if values[name] is not None and _is_refused(kind, trial | {name: values[name]}):
                raise origin.complain(str(error), (*fields.path, *place)) from error
        raise origin.complain(str(error), fields.path) from error


def written(path: Sequence[str | int]) -> str:
    """Return ``path`` as a person reads it, areas counted from 1: ``print.dodge[2].stops``."""
    steps = (f"[{step + 1}]" if isinstance(step, int) else f".{step}" for step in path)
    return "".join(steps).removeprefix(".")


def shown(text: str, longest: int = 40) -> str:
    """Return ``text`` short enough, and clean enough, for a message."""
    clean = "".join(c if c.isprintable() else "?" for c in text[: longest + 1])
    return clean if len(text) <= longest else clean[:longest] + "…"


def _is_refused(kind: type[Any], values: Mapping[str, Any]) -> bool:
    try:
        kind(**values)
    except PlanError:
        return True
    return False


def _read_path(path: str | None) -> _Path:
    return tuple(
        step["key"] if step["index"] is None else int(step["index"])
        for step in _STEP.finditer(path or "")
    )


def _value(raw: Any, path: _Path) -> Any:  # noqa: ANN401 -- whatever a TOML text can hold
    for step in path:
        raw = raw[step]
    return raw


def _inner_struct(wanted: Any) -> type[msgspec.Struct] | None:  # noqa: ANN401 -- any annotation
    """Return the structure within an annotation such as ``list[X]`` or ``X | None``."""
    for one in (wanted, *get_args(wanted)):
        if isinstance(one, type) and issubclass(one, msgspec.Struct):
            return one
    return None


def _choices(structure: type[msgspec.Struct], path: _Path) -> list[str]:
    """Return the values of the enumeration that ``path`` leads to."""
    wanted: Any = structure
    for step in path:
        if isinstance(step, str):
            fields = msgspec.structs.fields(_inner_struct(wanted) or structure)
            wanted = next(one.type for one in fields if one.encode_name == step)
    return [str(member.value) for member in wanted]


def _list(names: Sequence[str]) -> str:
    return f"{', '.join(names[:-1])} and {names[-1]}"
