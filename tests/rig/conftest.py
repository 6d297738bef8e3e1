"""A virtual machine with a real Linux GPIO chip, and Treadle installed in it by its own script.

The machine is made in a cache folder (``$XDG_CACHE_HOME/treadle-rig``, or the one that
``TREADLE_RIG_CACHE`` names) and made anew when its own making or Treadle's needs have changed.
Where it can't be made, every test here is skipped and says why: nothing was proven then.
With ``TREADLE_RIG=require`` that is a failure; with ``TREADLE_RIG=no`` it is not tried.

All tests share one machine, for a boot is dear: each one begins in the dark, with the usual
configuration, and fails if it leaves the lamp on. What the rig saw (the log of the main job, the
stamps, the security figure) is printed, and kept in ``seen/`` in the cache folder.
"""

import os
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from rigging.bench import Enlarger, make_cargo
from rigging.cache import cache_folder, prepare
from rigging.guest import Guest
from rigging.tools import RigImpossibleError

ROOT = Path(__file__).parents[2]
HERE = Path(__file__).parent
NOTHING_PROVEN = "no rig, so nothing of the kernel and of systemd was proven"
# From an empty cache, with the installation, on a machine with other work to do.
LONGEST_SECONDS = 1500


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if HERE in item.path.parents:
            item.add_marker(pytest.mark.timeout(LONGEST_SECONDS))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    skipped = [
        one
        for one in terminalreporter.stats.get("skipped", [])
        if NOTHING_PROVEN in str(one.longrepr)
    ]
    if skipped:
        reason = str(skipped[0].longrepr[2]).removeprefix("Skipped: ")
        terminalreporter.write_line(f"{len(skipped)} rig tests DID NOT RUN: {reason}", red=True)


def _impossible(reason: object) -> None:
    sentence = f"{NOTHING_PROVEN}: {reason}"
    if os.environ.get("TREADLE_RIG") == "require":
        pytest.fail(sentence, pytrace=False)
    pytest.skip(sentence)


@pytest.fixture(scope="session")
def guest() -> Iterator[Guest]:
    """The running machine, with nothing of Treadle in it."""
    if os.environ.get("TREADLE_RIG") == "no":
        pytest.skip(f"{NOTHING_PROVEN}: TREADLE_RIG=no asks for none")
    # Short, for a socket's path may have 107 characters at most (unix(7)).
    with tempfile.TemporaryDirectory(prefix="rig-") as name:
        folder = Path(name)
        machine = None
        try:
            parts = prepare(ROOT)
            make_cargo(ROOT, folder / "cargo.tar")
            machine = Guest(folder, parts.kernel, parts.root / "root.img", folder / "cargo.tar")
            machine.boot()
        except RigImpossibleError as error:
            if machine is not None:
                machine.power_cut()
            _impossible(error)
        assert machine is not None
        try:
            yield machine
        finally:
            machine.power_cut()


@pytest.fixture(scope="session")
def installed(guest: Guest) -> Enlarger:
    """Treadle as install.sh has left it the first time."""
    enlarger = Enlarger(guest)
    enlarger.be_installed()
    return enlarger


@pytest.fixture
def enlarger(installed: Enlarger) -> Iterator[Enlarger]:
    """A dark enlarger with the usual configuration; it must be dark afterwards too."""
    installed.guest.pedal.lift()
    installed.configure()
    installed.calm()
    yield installed
    installed.guest.pedal.lift()
    if installed.is_active():
        installed.calm()
    assert not installed.lamp.is_on()
    installed.lamp.pull(on=False)


@pytest.fixture(scope="session")
def keep() -> Callable[[str, str], None]:
    """How to print what was seen, and keep it under a name."""

    def keep_and_print(name: str, text: str) -> None:
        folder = cache_folder() / "seen"
        folder.mkdir(exist_ok=True)
        (folder / name).write_text(text + "\n", encoding="utf-8")
        print(f"\n{text}")  # noqa: T201 - the rig's tables are quoted

    return keep_and_print
