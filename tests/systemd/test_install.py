"""The installer: what it says it would do, what it does below a folder, what it leaves alone."""

import os
import re
import shutil
import stat
import subprocess
from dataclasses import dataclass, field
from pathlib import Path

import pytest

SYSTEMD = Path(__file__).parents[2] / "systemd"
INSTALLER = SYSTEMD / "install.sh"

# Whatever would change the machine. Each of them is replaced by one that only keeps a log.
CHANGERS = ("groupadd", "useradd", "usermod", "systemctl", "chown")
LOGGER = '#!/bin/sh\necho "$(basename "$0") $*" >>"$CALLS"\n'
# A machine where neither the user nor the groups exist yet.
GETENT = "#!/bin/sh\nexit 2\n"
# Stands for Python: its venv has a pip that only keeps a log, and a Treadle that has an example.
PYTHON = """#!/bin/sh
echo "python3 $*" >>"$CALLS"
[ "$1" = -m ] || exit 0
mkdir -p "$3/bin"
printf '#!/bin/sh\\necho "venv-python $*" >>"$CALLS"\\n' >"$3/bin/python"
printf '#!/bin/sh\\n[ "$*" = "config example" ] && echo "# example"\\n' >"$3/bin/treadle"
chmod +x "$3/bin/python" "$3/bin/treadle"
"""


@dataclass
class Machine:
    """A checkout, a folder to install into, and stand-ins for what changes a machine."""

    folder: Path
    checkout: Path = field(init=False)
    calls: Path = field(init=False)
    root: Path = field(init=False)
    bin: Path = field(init=False)

    def __post_init__(self) -> None:
        self.checkout = self.folder / "checkout"
        shutil.copytree(SYSTEMD, self.checkout / "systemd")
        for name in ("pyproject.toml", "README.md", "LICENSE"):
            (self.checkout / name).touch()
        for name in ("timer", "hardware"):
            (self.checkout / name).mkdir()
        self.calls = self.folder / "calls"
        self.calls.touch()
        self.root = self.folder / "root"
        self.root.mkdir()
        self.bin = self.folder / "bin"
        self.bin.mkdir()
        for name in CHANGERS:
            self.put(name, LOGGER)
        self.put("getent", GETENT)
        self.put("python3", PYTHON)

    def put(self, name: str, script: str) -> None:
        """Place a stand-in before the machine's own program of this name."""
        path = self.bin / name
        path.write_text(script, "utf-8")
        path.chmod(0o755)

    def install(self, *words: str | Path, **more: str) -> subprocess.CompletedProcess[str]:
        """Run the installer."""
        environment = {"PATH": f"{self.bin}:{os.environ['PATH']}", "CALLS": str(self.calls), **more}
        return subprocess.run(
            ["/bin/sh", self.checkout / "systemd" / "install.sh", *words],
            env=environment,
            check=False,
            capture_output=True,
            text=True,
            timeout=60,
        )

    def below(self, *words: str, **more: str) -> str:
        """Run the installer below the root; return what it said, after it went well."""
        result = self.install("--root", self.root, *words, **more)
        assert result.returncode == 0, result.stderr
        return result.stdout

    def files(self) -> dict[str, str]:
        """Return every file and link below the root, with what is in it."""
        return {
            str(path.relative_to(self.root)): str(path.readlink())
            if path.is_symlink()
            else path.read_text("utf-8")
            for path in sorted(self.root.rglob("*"))
            if path.is_symlink() or path.is_file()
        }

    def called(self) -> list[str]:
        """Return the names of the stand-ins that were called, in order."""
        return [line.split()[0] for line in self.calls.read_text("utf-8").splitlines()]


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    return Machine(tmp_path)


def positions(text: str, *pieces: str) -> list[int]:
    """Return where each piece stands in ``text``; all of them must be there."""
    for piece in pieces:
        assert piece in text, f"{piece!r} is not in:\n{text}"
    return [text.index(piece) for piece in pieces]


@pytest.mark.parametrize("shell", ["sh", "bash"])
def test_the_script_is_well_formed(shell: str) -> None:
    program = shutil.which(shell)
    if program is None:
        pytest.skip(f"NOT CHECKED: {shell} is missing")
    result = subprocess.run(
        [program, "-n", INSTALLER], check=False, capture_output=True, text=True, timeout=60
    )
    assert (result.returncode, result.stderr) == (0, "")


def test_the_script_can_be_run_and_stops_at_the_first_error() -> None:
    assert INSTALLER.stat().st_mode & stat.S_IXUSR
    assert re.search(r"^set -eu$", INSTALLER.read_text("utf-8"), re.MULTILINE)


def test_a_dry_run_names_the_steps_in_order(machine: Machine) -> None:
    said = machine.below("--dry-run", SUDO_USER="anna")
    steps = re.findall(r"^(\d)/(\d) ", said, re.MULTILINE)
    assert steps == [(str(number), "8") for number in range(1, 9)]
    places = positions(
        said,
        "systemctl stop treadle.service",
        "groupadd --system gpio",
        "groupadd --system treadle",
        "useradd --system --gid treadle",
        "usermod --append --groups gpio treadle",
        f"python3 -m venv {machine.root}/opt/treadle",
        f"{machine.root}/opt/treadle/bin/python -m pip install",
        f"treadle config example > {machine.root}/etc/treadle/treadle.toml",
        f"ln -sfn {machine.root}/opt/treadle/bin/treadle {machine.root}/usr/local/bin/treadle",
        f"treadle.service {machine.root}/etc/systemd/system/treadle.service",
        "systemctl daemon-reload",
        "usermod --append --groups treadle anna",
        "systemctl enable treadle.service",
        "systemctl restart treadle.service",
    )
    assert places == sorted(places)


def test_a_dry_run_installs_the_gpio_extra_of_this_checkout(machine: Machine) -> None:
    said = machine.below("--dry-run")
    assert f"{machine.checkout}/timer" in said
    assert re.search(r"pip install .*\[gpio\]$", said, re.MULTILINE)


@pytest.mark.parametrize("words", [(), ("--uninstall",), ("--no-start",)])
def test_a_dry_run_changes_nothing(machine: Machine, words: tuple[str, ...]) -> None:
    machine.below("--dry-run", *words)
    assert machine.files() == {}
    assert not list(machine.root.iterdir())
    # Python is asked for its version, and nothing else is called.
    assert not set(machine.called()) - {"python3"}
    assert "-m" not in machine.calls.read_text("utf-8").split()


def test_a_dry_run_after_an_installation_changes_nothing(machine: Machine) -> None:
    machine.below()
    before = machine.files()
    machine.below("--dry-run")
    machine.below("--dry-run", "--uninstall")
    assert machine.files() == before


def test_installing_puts_everything_in_its_place(machine: Machine) -> None:
    machine.below()
    files = machine.files()
    assert files["etc/treadle/treadle.toml"] == "# example\n"
    assert files["etc/systemd/system/treadle.service"] == (SYSTEMD / "treadle.service").read_text(
        "utf-8"
    )
    assert files["usr/local/bin/treadle"] == f"{machine.root}/opt/treadle/bin/treadle"
    mode = (machine.root / "etc/treadle/treadle.toml").stat().st_mode
    assert stat.S_IMODE(mode) == 0o640


def test_below_a_folder_the_machine_is_left_alone(machine: Machine) -> None:
    machine.below(SUDO_USER="anna")
    machine.below("--uninstall")
    assert not set(machine.called()) & set(CHANGERS)


def test_installing_again_keeps_the_printers_own_configuration(machine: Machine) -> None:
    machine.below()
    config = machine.root / "etc/treadle/treadle.toml"
    config.write_text("# mine\n", "utf-8")
    before = machine.files()
    said = machine.below()
    assert machine.files() == before
    assert config.read_text("utf-8") == "# mine\n"
    assert "kept" in said


def test_a_half_written_configuration_does_not_count(machine: Machine) -> None:
    machine.put("python3", PYTHON.replace('echo "# example"', "exit 2"))
    result = machine.install("--root", machine.root)
    assert result.returncode == 1
    assert "example configuration could not be written" in result.stderr
    assert not list((machine.root / "etc/treadle").iterdir())


def test_a_failing_pip_ends_the_installation_with_a_sentence(machine: Machine) -> None:
    machine.put("python3", PYTHON.replace('>>"$CALLS"\\n', '>>"$CALLS"; exit 1\\n'))
    result = machine.install("--root", machine.root)
    assert result.returncode == 1
    assert result.stderr.startswith("install.sh: pip could not install Treadle")
    assert "etc/systemd/system/treadle.service" not in machine.files()


def test_no_start_neither_enables_nor_starts(machine: Machine) -> None:
    said = machine.below("--dry-run", "--no-start")
    assert "would run: systemctl daemon-reload" in said
    assert "would run: systemctl enable" not in said
    assert "would run: systemctl restart" not in said


def test_uninstalling_darkens_first_and_keeps_data_and_configuration(machine: Machine) -> None:
    machine.below()
    data = machine.root / "var/lib/treadle/treadle.db"
    data.parent.mkdir(parents=True)
    data.write_text("prints", "utf-8")
    planned = machine.below("--dry-run", "--uninstall")
    places = positions(planned, "systemctl stop", "systemctl disable", "rm -f", "rm -rf")
    assert places == sorted(places)
    assert "the lamp goes off" in planned

    said = machine.below("--uninstall")
    assert set(machine.files()) == {"etc/treadle/treadle.toml", "var/lib/treadle/treadle.db"}
    assert "Kept: the configuration" in said
    # Once more, with nothing left to remove.
    machine.below("--uninstall")


def test_uninstalling_leaves_somebody_elses_command_of_that_name(machine: Machine) -> None:
    other = machine.root / "usr/local/bin/treadle"
    other.parent.mkdir(parents=True)
    other.write_text("not ours", "utf-8")
    machine.below("--uninstall")
    assert other.read_text("utf-8") == "not ours"


def test_installing_leaves_nothing_behind_in_the_checkout(machine: Machine) -> None:
    before = sorted(machine.checkout.rglob("*"))
    machine.below()
    assert sorted(machine.checkout.rglob("*")) == before
    # pip gets a copy: building in the checkout would leave folders there that belong to root.
    packages = re.findall(r"venv-python .* (\S+)\[gpio\]", machine.calls.read_text("utf-8"))
    assert len(packages) == 1
    assert not Path(packages[0]).is_relative_to(machine.checkout)
    assert not Path(packages[0]).exists()


def test_an_ordinary_user_is_told_what_to_do(machine: Machine) -> None:
    machine.put("id", "#!/bin/sh\necho 1000\n")
    result = machine.install()
    assert result.returncode == 1
    assert re.fullmatch(r"install\.sh: .* needs root: run 'sudo .*\n", result.stderr)
    assert machine.called() == []


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--frobnicate",), "there is no option '--frobnicate'"),
        (("--root",), "--root needs a folder"),
        (("--root", "here"), "--root needs a folder that starts with /"),
        (("--root", "/"), "--root / is the running system"),
        (("--root", "/no/such/folder"), "there is no folder /no/such/folder"),
    ],
)
def test_a_slip_of_the_pen_is_answered_in_one_sentence(
    machine: Machine, words: tuple[str, ...], sentence: str
) -> None:
    result = machine.install(*words)
    assert result.returncode == 1
    assert result.stdout == ""
    assert sentence in result.stderr
    assert result.stderr.count("\n") == 1
    assert machine.called() == []


def test_a_python_that_is_too_old_is_named(machine: Machine) -> None:
    machine.put(
        "python3", '#!/bin/sh\n[ "$1" = --version ] && echo "Python 3.9.2" && exit 0\nexit 1\n'
    )
    result = machine.install("--root", machine.root)
    assert result.returncode == 1
    assert "Python 3.9.2 is too old" in result.stderr
    assert machine.files() == {}


def test_help_names_every_option(machine: Machine) -> None:
    said = machine.install("--help").stdout
    for option in ("--no-start", "--uninstall", "--dry-run", "--root", "--help"):
        assert option in said
    assert machine.called() == []
