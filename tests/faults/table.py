"""The table of faults in docs/faults.md, made from the markers on the tests.

``python tests/faults/table.py`` brings the table up to date; ``--check`` only
says whether it is. A test is a row of the table when it carries the marker
``fault``; what it takes is told in docs/faults.md.
"""

import argparse
import io
import sys
from collections.abc import Iterable, Iterator, Mapping
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]
# The groups in the order of the table.
GROUPS = {
    "processes": "Processes",
    "lamp": "Lamp",
    "pedal": "Pedal",
    "clock": "Clock",
    "disk": "Disk",
    "orders": "Orders",
    "limits": "Limits",
}
_TEXTS = ("happens", "guard", "within")
_KEYS = frozenset((*_TEXTS, "annex_h"))
_END = "<!-- end of what is made -->"
_ROWS, _COMPONENTS = (f"<!-- {what} made by tests/faults/table.py -->" for what in ("rows", "list"))


@dataclass(frozen=True, slots=True)
class Component:
    """A component of IEC 60730-1 Annex H, Table H.11.12.7, class B.

    ``name`` is what a marker's ``annex_h`` says, ``fault`` what the table has
    injected. ``rest`` says what of it no test here shows, and why.
    """

    name: str
    fault: str
    rest: str


# Which components and which faults: as reproduced in semiconductor application notes on the
# standard (a secondary source); the rest is our own account.
COMPONENTS = (
    Component(
        "registers",
        "stuck at",
        "Not tested: a stuck bit in a processor's register can't be made by a program, and a"
        " self-test under Linux would test whichever core and register it was given. What such a"
        " fault does to a process is tested: it dies, hangs or says nonsense.",
    ),
    Component(
        "program counter",
        "stuck at",
        "Tested by what follows from it: a process that ends, stands still or loops. The last line,"
        " systemd's and the board's own watchdog, is outside this program.",
    ),
    Component(
        "interrupt handling",
        "absent or too frequent",
        "Tested where they reach a program: as wake-ups, signals and edges of the pedal that are"
        " missing, late or too many. The interrupt controller is the kernel's.",
    ),
    Component(
        "clock",
        "wrong frequency",
        "A crystal that is wrong as a whole is not noticed: all that this program could compare"
        " with runs from it. What can be tested is a clock that jumps, stands or is another's.",
    ),
    Component(
        "ROM",
        "all single-bit faults",
        "The program lies on a card and is read through the kernel; it is not summed up at start."
        " A board with error correction, or a card that is verified (dm-verity), would be the way.",
    ),
    Component(
        "RAM",
        "DC fault",
        "Not tested: a program in virtual memory can't reach the cells in any order that a memory"
        " test needs. Wrong values are tested where they would matter: as orders and stored times.",
    ),
    Component(
        "memory address",
        "stuck at",
        "Not applicable to a program in virtual memory: the processor and the kernel translate"
        " each address, and a fault ends the process or the machine.",
    ),
    Component(
        "internal data path",
        "stuck at; wrong address",
        "Not tested: the buses between processor and memory can't be reached by a program. What"
        " they would damage on its way to the keeper is refused by its checksum.",
    ),
    Component(
        "communication data",
        "wrong data, wrong address",
        "One way only, from the daemon to the keeper and back; there is no network on the way to"
        " the lamp.",
    ),
    Component(
        "communication timing",
        "wrong instant, wrong sequence",
        "The same way; a report that comes late, twice or not at all.",
    ),
    Component(
        "digital I/O",
        "the faults of H.27 (open, short, stuck)",
        "Tested on a simulated line and a simulated chip. A contact that welds behind a line that"
        " is truly off can be noticed only by a sense input; without one it can't be.",
    ),
    Component(
        "A/D converter",
        "the faults of H.27",
        "Not applicable: nothing analogue decides when the lamp is on.",
    ),
    Component(
        "multiplexer",
        "wrong addressing",
        "Not applicable: there is none.",
    ),
)


class TableError(Exception):
    """Raised where the markers don't make a table; says what is wrong with which tests."""


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the table: a fault, and the test that shows what comes of it."""

    group: str
    fault: str
    happens: str
    guard: str
    within: str
    annex_h: tuple[str, ...]
    test: str


@dataclass(eq=False)  # pytest keeps its plugins in sets
class _Collector:
    """A plugin for pytest that gathers the markers, and complaints about them."""

    folder: Path
    rows: dict[str, Row] = field(default_factory=dict)
    complaints: list[str] = field(default_factory=list)

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Take the markers of all tests that were found."""
        plain: set[str] = set()
        for item in items:
            test = self._name(item)
            markers = list(item.iter_markers("fault"))
            if not markers:
                plain.add(test)
            elif len(markers) > 1:
                self._complain(test, "it has more than one marker 'fault'; one test is one row")
            else:
                self._take(test, markers[0])
        for test in plain & set(self.rows):
            self._complain(test, "only some of its parameters have the marker; give it to the test")

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        """Complain of a file that can't be read here: its rows would be lost."""
        if report.failed:
            self.complaints.append(f"{report.nodeid}: it can't be collected; see above")
        elif report.skipped:
            file = self.folder / report.nodeid
            if file.is_file() and "mark.fault" in file.read_text(encoding="utf-8"):
                self._complain(
                    report.nodeid,
                    "it is skipped as a whole, and its rows with it; skip its tests by a mark",
                )

    def _name(self, item: pytest.Item) -> str:
        path = item.path
        file = path.relative_to(self.folder if path.is_relative_to(self.folder) else ROOT)
        return f"{file.as_posix()}::{getattr(item, 'originalname', item.name)}"

    def _complain(self, test: str, why: str) -> None:
        complaint = f"{test}: {why}"
        if complaint not in self.complaints:
            self.complaints.append(complaint)

    def _take(self, test: str, marker: pytest.Mark) -> None:
        why = next(_faults_of(marker.args, marker.kwargs), None)
        if why is not None:
            self._complain(test, why)
            return
        row = Row(*marker.args, **marker.kwargs, test=test)
        if self.rows.setdefault(test, row) != row:
            self._complain(test, "its parameters have different markers; one test is one row")
        for other in self.rows.values():
            if other.test != test and other.fault == row.fault:
                self._complain(test, f"the fault is named in the same words by {other.test}")


def _faults_of(arguments: tuple[Any, ...], named: Mapping[str, Any]) -> Iterator[str]:
    """Yield what is wrong with a marker."""
    if len(arguments) != 2 or not all(isinstance(one, str) and one for one in arguments):
        yield "the marker 'fault' takes two texts, the group and the fault, and keys"
        return
    if arguments[0] not in GROUPS:
        yield f"{arguments[0]!r} is no group; give one of {', '.join(GROUPS)}"
    if set(named) != _KEYS:
        missing, unknown = sorted(_KEYS - set(named)), sorted(set(named) - _KEYS)
        yield f"the marker's keys are not all there: missing {missing}, unknown {unknown}"
        return
    for key in _TEXTS:
        if not isinstance(named[key], str) or (key != "within" and not named[key]):
            yield f"{key} must be text"
    annex_h = named["annex_h"]
    if not isinstance(annex_h, tuple):
        yield "annex_h must be a tuple of components' names; with one of them too: (name,)"
        return
    names = [one.name for one in COMPONENTS]
    for name in annex_h:
        if name not in names:
            yield f"annex_h: {name!r} is no component; give some of {', '.join(names)}"


def collect(folder: Path) -> list[Row]:
    """Return the rows that the tests in ``folder`` make; TableError where a marker is wrong."""
    collector = _Collector(folder.parent)
    said = io.StringIO()
    with redirect_stdout(said), redirect_stderr(said):
        code = pytest.main(
            [
                *("--collect-only", "-qq", "-p", "no:cacheprovider"),
                f"--config-file={ROOT / 'pyproject.toml'}",
                f"--rootdir={folder.parent}",
                str(folder),
            ],
            plugins=[collector],
        )
    if collector.complaints or code not in (pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED):
        if not collector.complaints or any("see above" in one for one in collector.complaints):
            sys.stderr.write(said.getvalue())
        raise TableError("\n".join(collector.complaints or ["the tests can't be collected"]))
    groups = list(GROUPS)
    return sorted(collector.rows.values(), key=lambda row: groups.index(row.group))


def _cell(text: str) -> str:
    return " ".join(text.split()).replace("|", "\\|")


def _table(head: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> list[str]:
    return [
        f"| {' | '.join(head)} |",
        "|---" * len(head) + "|",
        *(f"| {' | '.join(_cell(cell) for cell in row)} |" for row in rows),
    ]


def rows_text(rows: Iterable[Row]) -> str:
    """Return the rows as Markdown, one table for each group that has rows."""
    lines = []
    rows = list(rows)
    for group, title in GROUPS.items():
        of_group = [row for row in rows if row.group == group]
        if of_group:
            lines += [f"### {title}", ""]
            lines += _table(
                ("fault", "what happens", "who switches off", "within", "test"),
                ((r.fault, r.happens, r.guard, r.within, f"`{r.test}`") for r in of_group),
            )
            lines.append("")
    return "\n".join(lines).rstrip("\n")


def components_text(rows: Iterable[Row]) -> str:
    """Return the components as Markdown, each with the tests that name it."""
    rows = list(rows)
    return "\n".join(
        _table(
            ("component", "fault in the table", "tests", "what is not tested, and why"),
            (
                (
                    one.name,
                    one.fault,
                    "<br>".join(f"`{r.test}`" for r in rows if one.name in r.annex_h) or "none",
                    one.rest,
                )
                for one in COMPONENTS
            ),
        )
    )


def page_with_tables(page: str, rows: list[Row]) -> str:
    """Return the page's text with both tables brought up to date, and all else as it was."""
    for begin, made in ((_ROWS, rows_text(rows)), (_COMPONENTS, components_text(rows))):
        before, found, rest = page.partition(begin)
        _, closed, after = rest.partition(_END)
        if not found or not closed:
            raise TableError(f"the page has no {begin} with {_END} behind it; put them back")
        page = f"{before}{begin}\n\n{made}\n\n{_END}{after}"
    return page


def main(arguments: list[str]) -> int:
    """Write or check the page; returns 1 where it is stale or the markers are wrong."""
    parser = argparse.ArgumentParser(description="make the tables of docs/faults.md")
    parser.add_argument("--check", action="store_true", help="write nothing, say if it is stale")
    parser.add_argument("--tests", type=Path, default=ROOT / "tests", help="the tests' folder")
    parser.add_argument("--page", type=Path, default=ROOT / "docs" / "faults.md", help="the page")
    asked = parser.parse_args(arguments)
    try:
        rows = collect(asked.tests)
        old = asked.page.read_text(encoding="utf-8")
        new = page_with_tables(old, rows)
    except TableError as error:
        sys.stderr.write(f"{error}\n")
        return 1
    if asked.check and new != old:
        sys.stderr.write(f"{asked.page}: it is stale; run python tests/faults/table.py\n")
        return 1
    if not asked.check:
        asked.page.write_text(new, encoding="utf-8")
    sys.stdout.write(f"rows: {len(rows)}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
