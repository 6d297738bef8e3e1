"""The fault tests' darkrooms and keepers are those of the rooms `service` and `keeper`.

``faulty_darkroom`` starts the same daemon with a fault in it, as `launcher.py` tells.
"""

import importlib.util
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

TESTS = Path(__file__).parents[1]
LAUNCHER = Path(__file__).with_name("launcher.py")


def _room(name: str) -> ModuleType:
    """Return the conftest of another room; tests are no package, so there is no import for it."""
    path = TESTS / name / "conftest.py"
    spec = importlib.util.spec_from_file_location(f"faults_{name}_conftest", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


_service, _keeper = _room("service"), _room("keeper")

folder, darkroom = _service.folder, _service.darkroom
treadle, wait_until = _service.treadle, _service.wait_until
bench, keeper, until, faulty = _keeper.bench, _keeper.keeper, _keeper.until, _keeper.faulty


class FaultyDarkroom(_service.Darkroom):  # type: ignore[misc, name-defined] # of a module by path
    """A darkroom whose daemons have the fault ``fault``, which comes when it is told to."""

    fault = ""

    def serve(self) -> "subprocess.Popen[bytes]":
        """Start a daemon with the fault, without waiting for it."""
        with (self.folder / "daemon.log").open("ab") as log:
            daemon = subprocess.Popen(
                [sys.executable, LAUNCHER, self.fault, self.config_file],
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=log,
                env={**os.environ, "PYTHONPATH": str(TESTS.parent), "PYTHONWARNINGS": "error"},
            )
        self.daemons.append(daemon)
        return daemon

    def happen(self, what: str = "fault") -> None:
        """Have the youngest daemon's fault come, or its foot ``press`` or ``lift``."""
        stdin = self.daemons[-1].stdin
        stdin.write(f"{what}\n".encode())
        stdin.flush()

    def close(self) -> None:
        super().close()
        for daemon in self.daemons:
            if daemon.stdin is not None:
                daemon.stdin.close()


@pytest.fixture
def faulty_darkroom(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Iterator[Any]:
    """A darkroom whose daemon gets a fault; set ``fault`` before it is started."""
    one = FaultyDarkroom(folder, capsys)
    monkeypatch.setenv("TREADLE_CONFIG", str(one.config_file))
    yield from _service._checked(one)
