"""What is amiss on this machine, completion, and help."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from timer.service.cli import main


def by_what(findings):
    return {one["what"]: one for one in findings}


def examined(darkroom):
    """What the doctor finds; its code must say whether anything is amiss."""
    told = darkroom.treadle("doctor --json")
    findings = json.loads(told.out)
    amiss = [one for one in findings if not one["sound"]]
    assert told.code == (1 if amiss else 0)
    for one in findings:
        assert set(one) == {"what", "sound", "found", "mend"}
    for one in amiss:
        assert one["mend"]
    if amiss:
        assert f"{len(amiss)} of {len(findings)} things are amiss" in told.err
    return by_what(findings)


def test_the_doctor_on_a_simulated_enlarger_without_a_daemon(darkroom):
    found = examined(darkroom)
    assert found["configuration"]["sound"]
    assert found["lamp"]["sound"]
    assert found["clock"]["sound"]
    assert found["daemon"]["found"].startswith("not running")
    assert {"real-time scheduling", "locked memory"} <= set(found)
    # It looks, and switches nothing.
    assert not Path(darkroom.line_path).exists()


def test_the_doctor_beside_a_running_daemon(darkroom):
    daemon = darkroom.start()
    found = examined(darkroom)
    assert found["daemon"]["sound"]
    assert f"running as {daemon.pid}, keeper {darkroom.keeper_pid}" in found["daemon"]["found"]


def test_the_doctor_names_a_wrong_configuration(darkroom):
    darkroom.config_file.write_text("[lamp]\npin = 40\n", encoding="utf-8")
    found = examined(darkroom)
    assert not found["configuration"]["sound"]
    assert "line 2, lamp.pin" in found["configuration"]["found"]


@pytest.mark.skipif(any(Path("/dev").glob("gpiochip*")), reason="this machine has a GPIO chip")
def test_the_doctor_misses_the_chip(darkroom):
    darkroom.configure(lamp={"driver": "chip"})
    found = examined(darkroom)
    assert not found["GPIO chip"]["sound"]
    assert "there is no /dev/gpiochip*" in found["GPIO chip"]["found"]


@pytest.mark.parametrize("sense", ["none", "chip"])
def test_the_doctor_looks_at_the_pins_that_are_in_use_and_at_no_other(darkroom, sense):
    missing = darkroom.folder / "gpiochip9"
    darkroom.configure(
        lamp={"driver": "chip", "chip": str(missing), "sense": sense}, pedal={"driver": "chip"}
    )
    found = examined(darkroom)
    pins = {what: one for what, one in found.items() if what.startswith("pin ")}
    keys = {"pin GPIO17 (lamp)": "lamp.pin", "pin GPIO27 (pedal)": "pedal.pin"}
    if sense == "chip":
        keys["pin GPIO22 (sense contact)"] = "lamp.sense_pin"
    assert pins.keys() == keys.keys()
    for what, key in keys.items():
        assert not pins[what]["sound"]
        assert f"there is no GPIO chip {missing}" in pins[what]["found"]
        assert pins[what]["mend"] == f"correct {key} or lamp.chip"


def test_the_doctor_tells_people_too(darkroom):
    told = darkroom.treadle("doctor")
    assert f"sound  configuration: {darkroom.config_file}" in told.out


@pytest.mark.parametrize("shell", ["bash", "zsh", "tcsh"])
def test_completion_for_a_shell(treadle, shell):
    told = treadle("completion", shell)
    assert (told.code, told.err) == (0, "")
    assert "programme" in told.out
    if shell == "bash":
        checked = subprocess.run(["bash", "-n"], input=told.out, text=True, check=False)
        assert checked.returncode == 0


def test_help_tells_every_exit_code_and_the_danger(capsys):
    with pytest.raises(SystemExit) as left:
        main(["--help"])
    assert left.value.code == 0
    told = capsys.readouterr().out
    for code in (0, 1, 2, 3, 4, 5, 6, 7, 8, 130):
        assert f"\n  {code}  " in told
    assert "certified, enclosed switching devices only" in told


def test_output_that_nobody_reads_is_no_error():
    """As when it is piped into a pager that was left."""
    reading, writing = os.pipe()
    os.close(reading)
    try:
        done = subprocess.run(
            [sys.executable, "-m", "timer.service.cli", "config", "example"],
            stdout=writing,
            stderr=subprocess.PIPE,
            check=False,
            env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
        )
    finally:
        os.close(writing)
    assert (done.returncode, done.stderr) == (0, b"")
