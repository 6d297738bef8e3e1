"""The table of faults is what the tests' markers say, and a marker that is wrong is told."""

import subprocess
import sys
from pathlib import Path

import pytest

TABLE = Path(__file__).with_name("table.py")
PAGE = """# Faults

Written by hand.

<!-- rows made by tests/faults/table.py -->
<!-- end of what is made -->

Written by hand, too.

<!-- list made by tests/faults/table.py -->
<!-- end of what is made -->

The end.
"""
KEYS = 'happens="The lamp goes off.", guard="keeper: it says so", within="1 s", annex_h=("clock",)'
TEST = """
import pytest

@pytest.mark.fault({marker})
def test_{name}():
    pass
"""


def make(*arguments):
    return subprocess.run(
        [sys.executable, TABLE, *arguments], capture_output=True, text=True, check=False
    )


class Project:
    """A page and a folder of tests of the test's own."""

    def __init__(self, folder):
        self.tests, self.page = folder / "tests", folder / "faults.md"
        self.tests.mkdir()
        self.page.write_text(PAGE)

    def row(self, name, marker):
        self.write(name, TEST.format(name=name, marker=marker))

    def write(self, name, text):
        (self.tests / f"test_{name}.py").write_text(text)

    def make(self, *more):
        return make("--tests", self.tests, "--page", self.page, *more)

    def complaint(self):
        """Return the one line by which the page was refused; it must be as it was."""
        before = self.page.read_text()
        done = self.make()
        assert (done.returncode, done.stdout) == (1, "")
        assert self.page.read_text() == before
        (line,) = done.stderr.splitlines()
        return line


@pytest.fixture
def project(tmp_path):
    return Project(tmp_path)


def test_the_page_shows_the_faults_of_today():
    done = make("--check")
    assert done.returncode == 0, done.stderr


def test_a_marker_becomes_a_row_of_its_group_and_nothing_written_by_hand_is_lost(project):
    project.row("clock", f'"clock", "Time | stands", {KEYS}')
    project.row("pedal", f'"pedal", "A spike", {KEYS.replace("1 s", "")}')
    done = project.make()
    assert (done.returncode, done.stdout) == (0, "rows: 2\n")
    page = project.page.read_text()
    pedal = (
        "| A spike | The lamp goes off. | keeper: it says so |  | `tests/test_pedal.py::test_pedal`"
    )
    clock = (
        r"| Time \| stands | The lamp goes off. | keeper: it says so | 1 s"
        " | `tests/test_clock.py::test_clock`"
    )
    assert page.index("### Pedal") < page.index(pedal) < page.index("### Clock") < page.index(clock)
    assert "`tests/test_pedal.py::test_pedal`<br>`tests/test_clock.py::test_clock`" in page
    by_hand = [line for line in PAGE.splitlines() if line]
    assert [line for line in page.splitlines() if line in by_hand] == by_hand


def test_a_page_is_stale_when_a_marker_has_changed_and_only_then(project):
    project.row("clock", f'"clock", "Time stands", {KEYS}')
    assert "it is stale" in project.make("--check").stderr
    assert project.make().returncode == 0
    assert project.make("--check").returncode == 0
    made = project.page.read_text()
    project.row("clock", f'"clock", "Time leaps", {KEYS}')
    assert project.make("--check").returncode == 1
    assert project.page.read_text() == made


def test_a_test_with_parameters_is_one_row(project):
    several = '@pytest.mark.parametrize("one", [1, 2])\ndef test_clock(one)'
    text = TEST.format(name="clock", marker=f'"clock", "Time stands", {KEYS}')
    project.write("clock", text.replace("def test_clock()", several))
    assert project.make().stdout == "rows: 1\n"


def test_a_row_stays_where_its_test_is_skipped(project):
    text = TEST.format(name="clock", marker=f'"clock", "Time stands", {KEYS}')
    project.write("clock", text + "\npytestmark = pytest.mark.skip(reason='not here')\n")
    assert project.make().stdout == "rows: 1\n"


@pytest.mark.parametrize(
    ("marker", "why"),
    [
        (f'"weather", "It rains", {KEYS}', "'weather' is no group"),
        (f'"clock", {KEYS}', "takes two texts"),
        (f'"clock", "", {KEYS}', "takes two texts"),
        ('"clock", "Time stands", happens="Dark.", guard="none", within=""', "missing ['annex_h']"),
        (f'"clock", "Time stands", {KEYS}, who="us"', "unknown ['who']"),
        (f'"clock", "Time stands", {KEYS.replace("within=", "within=1 or ")}', "within must"),
        (f'"clock", "Time stands", {KEYS.replace("The lamp goes off.", "")}', "happens must be"),
        (f'"clock", "Time stands", {KEYS.replace(",)", ")")}', "annex_h must be a tuple"),
        (f'"clock", "Time stands", {KEYS.replace("clock", "flux")}', "'flux' is no component"),
    ],
)  # fmt: skip
def test_a_marker_that_is_wrong_is_told_with_its_test(project, marker, why):
    project.row("wrong", marker)
    complaint = project.complaint()
    assert complaint.startswith("tests/test_wrong.py::test_wrong: ")
    assert why in complaint


def test_one_fault_on_two_tests_is_told_with_both(project):
    project.row("first", f'"clock", "Time stands", {KEYS}')
    project.row("second", f'"pedal", "Time stands", {KEYS}')
    complaint = project.complaint()
    assert complaint.startswith("tests/test_second.py::test_second: ")
    assert complaint.endswith("tests/test_first.py::test_first")


def test_two_faults_on_one_test_are_told(project):
    text = TEST.format(name="two", marker=f'"clock", "Time stands", {KEYS}')
    second = f'@pytest.mark.fault("clock", "Time leaps", {KEYS})\ndef'
    project.write("two", text.replace("def", second))
    assert "more than one marker" in project.complaint()


def test_rows_are_not_lost_with_a_file_that_is_skipped_as_a_whole(project):
    text = TEST.format(name="clock", marker=f'"clock", "Time stands", {KEYS}')
    skip = "import pytest\npytest.skip('not here', allow_module_level=True)\n"
    project.write("clock", skip + text)
    assert project.complaint().startswith("tests/test_clock.py: it is skipped as a whole")


def test_rows_are_not_lost_with_a_file_that_can_not_be_read(project):
    project.row("clock", f'"clock", "Time stands", {KEYS}')
    project.write("broken", "import nothing_of_that_name\n")
    done = project.make()
    assert done.returncode == 1
    assert "nothing_of_that_name" in done.stderr
    assert done.stderr.splitlines()[-1].startswith("tests/test_broken.py: ")
    assert project.page.read_text() == PAGE


def test_a_page_without_its_marks_is_left_alone(project):
    project.page.write_text("# Faults\n")
    project.row("clock", f'"clock", "Time stands", {KEYS}')
    assert "put them back" in project.complaint()
