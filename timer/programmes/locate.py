"""On which line of a TOML text a value stands, for messages that a person can follow.

The parser of the standard library tells lines for what it can't read, but not
for what it has read. This scan is for text that it has accepted.
"""

import re
import tomllib
from collections.abc import Iterator, Sequence
from typing import NamedTuple

_TOKEN = re.compile(
    r"""
    (?P<text>\"{3}(?:[^\\]|\\.)*?\"{3,5} | '{3}.*?'{3,5} | "(?:[^"\\\n]|\\.)*" | '[^'\n]*')
    | (?P<comment>\#[^\n]*)
    | (?P<bare>[A-Za-z0-9_-]+)
    | (?P<blank>[ \t\r]+)
    | (?P<sign>.)
    """,
    re.VERBOSE | re.DOTALL,
)
# Deeper than any file of ours; it bounds the work that a hostile text can cause.
_DEEPEST = 16

Path = tuple[str | int, ...]


class _Token(NamedTuple):
    kind: str
    text: str
    line: int


def line_of(text: str, path: Sequence[str | int]) -> int | None:
    """Return the line, from 1, of the key or table at ``path``; None where it isn't written.

    ``path`` holds keys, and indices from 0 into ``[[arrays of tables]]``. What
    lies inside an inline table or array has the line on which its key stands.
    ``text`` must be valid TOML.
    """
    lines, assigned = _lines(text)
    wanted = tuple(path)
    if wanted in lines:
        return lines[wanted]
    for length in range(len(wanted) - 1, 0, -1):
        if wanted[:length] in assigned:
            return lines[wanted[:length]]
    return None


def _lines(text: str) -> tuple[dict[Path, int], set[Path]]:
    """Return the line of each table and key, and which of them have a value behind ``=``."""
    lines: dict[Path, int] = {}
    assigned: set[Path] = set()
    counts: dict[Path, int] = {}
    table: Path = ()
    for statement in _statements(text):
        signs = [token.text for token in statement[:2]]
        line = statement[0].line
        is_header = signs[0] == "[" and statement[0].kind == "sign"
        is_array = is_header and signs[1:] == ["["]
        keys = _keys(statement[1 + is_array :] if is_header else statement)
        if not keys or len(keys) > _DEEPEST:
            continue
        if is_header:
            table = _enter(keys, counts, lines, line, is_array=is_array)
            continue
        for length in range(1, len(keys) + 1):
            lines.setdefault((*table, *keys[:length]), line)
        assigned.add((*table, *keys))
    return lines, assigned


def _enter(
    keys: list[str], counts: dict[Path, int], lines: dict[Path, int], line: int, *, is_array: bool
) -> Path:
    """Return the path of the table that a header opens; note its line, and its parents'."""
    path: Path = ()
    for depth, key in enumerate(keys, start=1):
        path = (*path, key)
        lines.setdefault(path, line)
        if is_array and depth == len(keys):
            counts[path] = counts.get(path, 0) + 1
        if path in counts:
            path = (*path, counts[path] - 1)
            lines.setdefault(path, line)
    return path


def _statements(text: str) -> Iterator[list[_Token]]:
    """Yield each header or assignment without its blanks and comments."""
    statement: list[_Token] = []
    depth = 0
    for token in _tokens(text):
        if token.kind in ("blank", "comment"):
            continue
        if token.text == "\n" and depth == 0:
            if statement:
                yield statement
            statement = []
            continue
        if token.kind == "sign":
            depth += (token.text in "[{") - (token.text in "]}")
        statement.append(token)
    if statement:
        yield statement


def _tokens(text: str) -> Iterator[_Token]:
    line = 1
    for match in _TOKEN.finditer(text):
        yield _Token(match.lastgroup or "", match.group(), line)
        line += match.group().count("\n")


def _keys(tokens: Sequence[_Token]) -> list[str]:
    """Return the dotted key at the start of ``tokens``."""
    keys: list[str] = []
    for token in tokens[: 2 * _DEEPEST + 2]:
        if token.kind == "bare":
            keys.append(token.text)
        elif token.kind == "text":
            keys.append(tomllib.loads(f"key = {token.text}")["key"])
        elif token.text != ".":
            break
    return keys
