"""Printing for people and, with ``--json``, for programs."""

import json
import sys
from collections.abc import Iterable, Sequence


def say(line: str = "") -> None:
    """Print one line, at once: a program may be reading what is still going on."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def warn(sentence: str) -> None:
    """Print a warning or an error, beside what is printed as the result."""
    sys.stderr.write(f"treadle: {sentence}\n")


def say_json(what: object) -> None:
    """Print ``what`` as one JSON document."""
    say(json.dumps(what, ensure_ascii=False, allow_nan=False))


def say_table(header: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Print rows under a header, each column as wide as it must be."""
    cells = [[str(cell) for cell in row] for row in rows]
    widths = [max(len(row[k]) for row in [list(header), *cells]) for k in range(len(header))]
    for row in [list(header), *cells]:
        say(
            "  ".join(
                cell.rjust(width) if _is_number(cell) else cell.ljust(width)
                for cell, width in zip(row, widths, strict=True)
            ).rstrip()
        )


def _is_number(cell: str) -> bool:
    return cell.lstrip("+-").replace(".", "", 1).isdecimal()
