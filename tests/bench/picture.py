"""A picture of the errors: one row for each way, a logarithmic axis, readable in grey."""

from collections.abc import Iterator, Mapping, Sequence
from html import escape
from math import floor, log10

from tests.bench.figures import errors
from tests.bench.results import Results, UnderCondition

# From 100 nanoseconds to 10 seconds, in ms; ten bars to a decade.
_LEAST_DECADE, _MOST_DECADE, _BARS = -4, 4, 10
_LEFT, _WIDTH, _ROW, _RIGHT = 190, 640, 26, 20
_SHOWN = {-4: "0.1 µs", -3: "1 µs", -2: "10 µs", -1: "0.1 ms", 0: "1 ms", 1: "10 ms",
          2: "0.1 s", 3: "1 s", 4: "10 s"}  # fmt: skip


def _x(value_ms: float) -> float:
    at = log10(max(value_ms, 10.0**_LEAST_DECADE)) - _LEAST_DECADE
    return _LEFT + min(at / (_MOST_DECADE - _LEAST_DECADE), 1.0) * _WIDTH


def _bars(counts: Mapping[float, int]) -> dict[int, int]:
    bars: dict[int, int] = {}
    last = (_MOST_DECADE - _LEAST_DECADE) * _BARS - 1
    for value_ms, count in counts.items():
        at = floor((log10(max(value_ms, 10.0**_LEAST_DECADE)) - _LEAST_DECADE) * _BARS)
        at = min(max(at, 0), last)
        bars[at] = bars.get(at, 0) + count
    return bars


def _single(values_ms: Sequence[float]) -> dict[float, int]:
    counts: dict[float, int] = {}
    for value in values_ms:
        counts[value] = counts.get(value, 0) + 1
    return counts


def _rows(one: UnderCondition) -> Iterator[tuple[str, dict[float, int]]]:
    yield "Treadle", _single(errors(one.treadle.exposures))
    for way, found in one.ways.items():
        yield way, _single(errors(found))
    if one.treadle.floor.counts:
        yield "cyclictest", one.treadle.floor.counts


def _row(y: float, name: str, counts: Mapping[float, int]) -> Iterator[str]:
    """Draw one row whose base lies at ``y``; the tallest bar is as high as the row allows."""
    bars = _bars(counts)
    shade = {"Treadle": "#000", "cyclictest": "#999"}.get(name, "#555")
    yield f'<text x="{_LEFT - 10}" y="{y - 4:.1f}" text-anchor="end">{escape(name)}</text>'
    yield f'<line x1="{_LEFT}" y1="{y}" x2="{_LEFT + _WIDTH}" y2="{y}" stroke="#bbb"/>'
    width, tallest = _WIDTH / (_MOST_DECADE - _LEAST_DECADE) / _BARS, max(bars.values(), default=1)
    for at, count in sorted(bars.items()):
        height = max(1.0, count / tallest * (_ROW - 8))
        yield (
            f'<rect x="{_LEFT + at * width:.1f}" y="{y - height:.1f}" width="{width - 0.8:.1f}"'
            f' height="{height:.1f}" fill="{shade}"/>'
        )
    if counts:
        worst = _x(max(counts))
        yield f'<path d="M{worst:.1f} {y - 3} l4 -8 h-8 z" fill="none" stroke="#000"/>'


def picture(results: Results) -> str:
    """Return the picture as SVG, a panel for each condition."""
    parts: list[str] = []
    y = 50.0
    for one in results.conditions:
        rows = list(_rows(one))
        parts.append(
            f'<text x="{_LEFT}" y="{y:.1f}" font-weight="bold">{escape(one.condition.name)}</text>'
        )
        top = y + 4
        bottom = top + len(rows) * _ROW
        for decade in range(_LEAST_DECADE, _MOST_DECADE + 1):
            x = _x(10.0**decade)
            parts.append(
                f'<line x1="{x:.1f}" y1="{top:.1f}" x2="{x:.1f}" y2="{bottom:.1f}" stroke="#ddd"/>'
                f'<text x="{x:.1f}" y="{bottom + 14:.1f}" text-anchor="middle" fill="#555"'
                f' font-size="10">{_SHOWN[decade]}</text>'
            )
        for number, (name, counts) in enumerate(rows, start=1):
            parts += _row(top + number * _ROW, name, counts)
        y = bottom + 44
    width = _LEFT + _WIDTH + _RIGHT
    title = "Error of the on-time: how often how far off (logarithmic); triangle: the worst"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{y - 20:.0f}"'
        f' viewBox="0 0 {width} {y - 20:.0f}" font-family="sans-serif" font-size="12">'
        f'<rect width="100%" height="100%" fill="#fff"/><text x="{_LEFT}" y="22" font-size="14">'
        f"{title}</text>{''.join(parts)}</svg>\n"
    )
