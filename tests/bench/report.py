"""The figures as text for a terminal, 100 columns wide, and as Markdown."""

from collections import Counter
from collections.abc import Iterator, Sequence
from statistics import median

from tests.bench.conditions import Amount, Sheet
from tests.bench.figures import Summary, drift, summary
from tests.bench.goals import Goal, goals
from tests.bench.results import Results, UnderCondition

_HEAD = ("way", "n", "median", "p99", "p99.9", "worst", "> 0.1 ms", "> 1 ms")
_WIDTHS = (27, 8, 10, 10, 10, 10, 10, 10)
_GOAL_WIDTHS = (42, 16, 31, 8)


def how(amount: Amount) -> list[str]:
    """Return how it was measured, in sentences."""
    return [
        "Treadle's real path: a foot in a process of its own, the pedal's wire, the keeper and the"
        " daemon as processes, the simulated line.",
        f"Exposures of Treadle: {_mix(amount.treadle)}; idle and under all loads together one of"
        f" 10 s, too. Of each general way: {_mix(amount.general)}, or as many as"
        f" {amount.general_longest_seconds:g} s allow.",
        "The error is the time from the middle of the write on to the middle of the write off"
        " (two clock readings around each write), less what was intended, without its sign; in"
        " milliseconds. p99.9 only from 1,000 values on.",
        "Idle and with all cores loaded the four general ways run at the same time, each in a"
        " process of its own that sleeps for most of it; in all other conditions one after the"
        " other, each with the load in its own process or at its own page. Treadle runs by itself.",
        "cyclictest runs beside each, one thread at the keeper's priority (without real time: as"
        " an ordinary thread), once a millisecond, on all cores, without tuning the machine. It"
        " wakes some hundred times as often as a lamp is switched, so it has more occasions for"
        " its worst.",
        "Busy interpreter: a thread that computes without end, and 3 MB of JSON written and read"
        " again and again, in the interpreter that times the lamp. SQLite: a thread in it that"
        " writes with synchronous=FULL. Listeners: 50 WebSockets, of which one never reads."
        " Requests: as many as are answered, up to 10,000 a second.",
        "No drift is taken to mean: the median of a strip's summed error after 24 passes is within"
        " what a single exposure may be off at p99.",
    ]


def _mix(sheets: Sequence[Sheet]) -> str:
    counts: dict[float, int] = {}
    for one in sheets:
        counts[one.seconds] = counts.get(one.seconds, 0) + one.passes
    return ", ".join(f"{count} of {seconds:g} s" for seconds, count in sorted(counts.items()))


def _cells(name: str, figures: Summary | None) -> tuple[str, ...]:
    if figures is None:
        return (name, "0", *("-",) * 6)
    return (
        name,
        str(figures.n),
        f"{figures.median:.4f}",
        f"{figures.p99:.4f}",
        "-" if figures.p999 is None else f"{figures.p999:.4f}",
        f"{figures.worst:.4f}",
        f"{figures.share_above_tenth:.3%}",
        f"{figures.share_above_one:.3%}",
    )


def _notes(one: UnderCondition) -> Iterator[str]:
    treadle = one.treadle
    if (lag := summary(treadle.lags_ms)) is not None:
        yield (
            f"pedal to lamp on, ms: median {lag.median:.3f}, p99 {lag.p99:.3f},"
            f" worst {lag.worst:.3f} (n {lag.n})"
        )
    if (strips := drift(treadle.exposures)) is not None:
        signed_us = 1000 * median(exposure.error_ms for exposure in treadle.exposures)
        by_line_us = 1000 * median(exposure.line_error_ms for exposure in treadle.exposures)
        yield (
            f"a strip's sum, median of {strips.strips}, ms: after 6 passes {strips.grows[5]:+.4f},"
            f" 12 {strips.grows[11]:+.4f}, 24 {strips.after:+.4f}; worst {strips.worst:.4f}"
        )
        yield (
            f"with its sign the error's median is {signed_us:+.1f} us"
            f" ({by_line_us:+.1f} us by the line's own stamps)"
        )
    if one.loads:
        yield one.loads
    if treadle.interrupted or treadle.taps_lost or treadle.faults:
        by = ", ".join(
            f"{reason.lower().replace('_', ' ')} {count}"
            for reason, count in treadle.ended_by.items()
            if reason != "COMPLETE"
        )
        yield (
            f"passes made in two periods: {treadle.interrupted} (off by: {by or 'none'}); taps that"
            f" started nothing: {treadle.taps_lost}; faults: {len(treadle.faults)}"
        )
        for fault, count in Counter(treadle.faults).items():
            yield f"fault, {count} times: {fault}"


def _line(cells: Sequence[str], widths: Sequence[int], *, left: int = 1) -> str:
    texts = [
        cell.ljust(width) if at < left else cell.rjust(width)
        for at, (cell, width) in enumerate(zip(cells, widths, strict=True))
    ]
    return " ".join(texts).rstrip()


def _row(cells: Sequence[str]) -> str:
    return "| " + " | ".join(cells) + " |"


def _death_rows(results: Results) -> Iterator[tuple[str, ...]]:
    for one in results.deaths:
        if (figures := one.summary) is not None:
            by = ", ".join(f"{name} {count}" for name, count in one.by.items())
            numbers = (figures.median, figures.p99, figures.worst)
            yield (one.fault, str(figures.n), *(f"{number:.1f}" for number in numbers), by)


def _footprint_notes(results: Results) -> Iterator[str]:
    one = results.footprint
    if one is None:
        return
    yield (
        f"resident: daemon {one.daemon_mib:.1f} MiB, keeper {one.keeper_mib:.1f} MiB;"
        f" idle: {one.idle_share:.2%} of a core over {one.idle_seconds:.0f} s"
    )
    yield (
        f"start, ms (n {len(one.ready_ms)}): lamp off median {median(one.dark_ms):.0f}, ready"
        f" median {median(one.ready_ms):.0f}, worst {max(one.ready_ms):.0f}"
    )
    if one.of_the_environment:
        names = ", ".join(one.of_the_environment)
        yield f"every program of this installation has, by its .pth files: {names}"


_DEATH_HEAD = ("fault", "n", "median", "p99", "worst", "switched off by")
_DEATH_WIDTHS = (28, 5, 10, 10, 10, 24)


def _goal_cells(one: Goal) -> tuple[str, ...]:
    return one.what, one.wanted, one.measured, one.verdict


def heading(results: Results) -> list[str]:
    """Return where and how it was run, line by line."""
    return [
        f"{results.began}, {results.seconds / 60:.1f} min: {results.command}",
        results.machine,
        f"real-time scheduling: {results.real_time}",
    ]


def condition_text(one: UnderCondition) -> str:
    """Return one condition's table for a terminal."""
    head = (one.condition.name.upper(), *_HEAD[1:])
    lines = [_line(head, _WIDTHS)]
    lines += [_line(_cells(name, figures), _WIDTHS) for name, figures in one.rows]
    lines += [f"  {note}" for note in _notes(one)]
    return "\n".join(lines) + "\n"


def rest_text(results: Results) -> str:
    """Return what comes after the conditions for a terminal: footprint, deaths, goals."""
    lines = ["FOOTPRINT", *(f"  {note}" for note in _footprint_notes(results)), ""]
    lines.append(_line(("FROM A DEATH TO LAMP OFF, ms", *_DEATH_HEAD[1:]), _DEATH_WIDTHS))
    lines += [_line(cells, _DEATH_WIDTHS) for cells in _death_rows(results)]
    lines += ["", "GOALS"]
    lines += [line for one in goals(results) for line in _goal_lines(one)]
    return "\n".join([*lines, "", *heading(results)]) + "\n"


def _goal_lines(one: Goal) -> Iterator[str]:
    cells = _goal_cells(one)
    if len(one.what) > _GOAL_WIDTHS[0]:
        yield one.what
        cells = ("", *cells[1:])
    yield _line(cells, _GOAL_WIDTHS)


def markdown(results: Results, amount: Amount, picture: str) -> str:
    """Return the whole as a page of Markdown that shows the picture of that file name."""
    lines = ["# What was measured", ""]
    lines += [f"- {line}" for line in heading(results)]
    lines += ["", f"![Errors of the on-time by way]({picture})", "", "## How", ""]
    lines += [f"- {sentence}" for sentence in how(amount)]
    lines += ["", "## Goals", "", _row(("goal", "wanted", "measured", "")), "|---|---:|---:|---|"]
    lines += [_row(_goal_cells(one)) for one in goals(results)]
    for one in results.conditions:
        lines += ["", f"## {one.condition.name.capitalize()}", "", _row(_HEAD)]
        lines.append("|---" + "|---:" * (len(_HEAD) - 1) + "|")
        lines += [_row(_cells(name, figures)) for name, figures in one.rows]
        lines += ["", *(f"- {note}" for note in _notes(one))]
    if results.deaths:
        lines += ["", "## From a death to lamp off, in ms", "", _row(_DEATH_HEAD)]
        lines.append("|---" + "|---:" * 4 + "|---|")
        lines += [_row(cells) for cells in _death_rows(results)]
    if results.footprint is not None:
        lines += ["", "## Footprint", "", *(f"- {note}" for note in _footprint_notes(results))]
    return "\n".join(lines) + "\n"
