"""Starting: what is refused, with which code, and that nothing is harmed by it."""

import os
import signal
import socket
import sqlite3
import tomllib
from contextlib import closing
from pathlib import Path

import pytest

from timer.service.config import parse_config
from timer.storage.database import open_database


def last_sentence(answer):
    """The sentence of a daemon that did not start; what its log said stands before it."""
    assert "Traceback" not in answer.err
    *log, last = answer.err.splitlines()
    assert last.startswith("treadle: ")
    assert not any(line.startswith("treadle: ") for line in log)
    return last.removeprefix("treadle: ")


def files(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


def test_a_second_daemon_is_refused_and_the_first_goes_on(darkroom):
    darkroom.start()
    darkroom.expose("600")
    told = darkroom.refused()
    assert told.code == 6
    assert "another daemon runs this enlarger already; stop it first" in last_sentence(told)
    assert darkroom.status()["state"] == "exposing"
    assert darkroom.lit()
    assert len(darkroom.journal()) == 0
    darkroom.tell("dark")
    darkroom.until_state("paper out")


def test_a_socket_in_use_by_another_program_is_left_to_it(darkroom):
    with socket.socket(socket.AF_UNIX) as other:
        other.bind(darkroom.socket)
        other.listen()
        told = darkroom.refused()
        assert told.code == 6
        assert "the socket is in use by another program" in last_sentence(told)
        with socket.socket(socket.AF_UNIX) as one:
            one.connect(darkroom.socket)


def test_a_file_in_the_place_of_the_socket_is_left_alone(darkroom):
    Path(darkroom.socket).write_bytes(b"somebody's letter")
    told = darkroom.refused()
    assert told.code == 6
    assert "this is not a socket" in last_sentence(told)
    assert Path(darkroom.socket).read_bytes() == b"somebody's letter"


def test_a_socket_that_a_dead_daemon_left_is_replaced(darkroom):
    daemon = darkroom.start()
    darkroom.end(daemon, signal.SIGKILL)
    assert Path(darkroom.socket).is_socket()
    darkroom.start()
    assert darkroom.status()["state"] == "dark"


@pytest.mark.parametrize("where", ["missing/treadle.sock", "x" * 120])
def test_a_socket_that_can_not_be_made_is_refused(darkroom, where):
    darkroom.configure(service={"socket": str(darkroom.folder / where)})
    told = darkroom.refused()
    assert told.code == 6
    assert "the socket can't be opened" in last_sentence(told)


def test_a_database_of_a_newer_version_is_left_as_it_is(darkroom):
    open_database(darkroom.config.database).close()
    with closing(sqlite3.connect(darkroom.config.database)) as connection:
        connection.execute("PRAGMA user_version = 999")
    before = darkroom.config.database.read_bytes()
    told = darkroom.refused()
    assert told.code == 4
    assert "of version 999" in last_sentence(told)
    assert darkroom.config.database.read_bytes() == before
    assert not any(name.endswith("-wal") for name in files(darkroom.folder))


@pytest.mark.parametrize("damage", ["no database", "a hole in it", "cut short"])
def test_a_damaged_database_is_left_as_it_is(darkroom, damage):
    open_database(darkroom.config.database).close()
    sound = darkroom.config.database.read_bytes()
    spoilt = {
        "no database": b"these are somebody's notes, not a database" * 100,
        "a hole in it": sound[:4096] + b"\xa5" * 4096 + sound[8192:],
        "cut short": sound[:5000],
    }[damage]
    darkroom.config.database.write_bytes(spoilt)
    told = darkroom.refused()
    assert told.code == 4
    assert str(darkroom.config.database) in last_sentence(told)
    assert darkroom.config.database.read_bytes() == spoilt


@pytest.mark.parametrize("which", ["data", "runtime"])
def test_a_file_in_the_way_of_a_folder_is_told(darkroom, which):
    (darkroom.folder / "taken").write_bytes(b"")
    for path in ("taken", "taken/deeper"):
        darkroom.configure(service={which: str(darkroom.folder / path)})
        told = darkroom.refused()
        assert told.code == 6
        assert "this folder can't be made" in last_sentence(told)


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write to every folder")
def test_a_folder_that_may_not_be_written_to_is_told(darkroom):
    closed = darkroom.folder / "closed"
    closed.mkdir(mode=0o500)
    darkroom.configure(service={"data": str(closed)})
    told = darkroom.refused()
    assert told.code == 4
    assert str(closed) in last_sentence(told)


@pytest.mark.skipif(any(Path("/dev").glob("gpiochip*")), reason="this machine has a GPIO chip")
@pytest.mark.parametrize("driver", ["chip", "gpiozero"])
def test_a_lamp_on_a_machine_without_pins_is_told_in_one_sentence(darkroom, driver):
    darkroom.configure(lamp={"driver": driver})
    told = darkroom.refused()
    assert told.code in (7, 8)
    assert last_sentence(told)


@pytest.mark.parametrize("told_of", [{"pedal": {"driver": "chip"}}, {"lamp": {"sense": "chip"}}])
def test_an_input_whose_chip_is_not_there_keeps_the_daemon_from_starting(darkroom, told_of):
    chip = str(darkroom.folder / "gpiochip9")
    darkroom.configure(**(told_of | {"lamp": {"chip": chip} | told_of.get("lamp", {})}))
    told = darkroom.refused()
    assert told.code == 7
    assert f"there is no GPIO chip {chip}: look with" in last_sentence(told)
    assert {change.level for change in darkroom.history()} == {False}, "off before all else"


def test_a_line_that_can_not_be_opened_is_told(darkroom):
    Path(darkroom.line_path).mkdir()
    told = darkroom.refused()
    assert told.code in (7, 8)
    assert f"the simulated line {darkroom.line_path} can't be opened" in last_sentence(told)
    Path(darkroom.line_path).rmdir()


def test_a_line_left_on_is_off_before_anything_else(darkroom, wait_until):
    """Also where the daemon then finds that it can't run."""
    darkroom.start()
    daemon = darkroom.daemons[0]
    darkroom.expose("600")
    keeper = darkroom.keeper_pid
    os.kill(keeper, signal.SIGSTOP)
    darkroom.end(daemon, signal.SIGKILL)
    os.kill(keeper, signal.SIGKILL)
    assert darkroom.lit()
    darkroom.config.database.write_bytes(b"spoilt" * 100)
    told = darkroom.refused()
    assert told.code == 4
    assert not darkroom.lit()


# The configuration.


CONFIGS = [
    ('[lamp]\ndriver = "simulated"\nbrightness = 3\n', 3, "lamp: there is no key 'brightness'"),
    ('[lamp]\npin = "seventeen"\n', 2, "lamp.pin: give a whole number"),
    ("[lamp]\npin = true\n", 2, "lamp.pin: give a whole number"),
    ("[lamp]\npin = 40\n", 2, "lamp.pin: "),
    ("[pedal]\n\nbounce_s = 7\n", 3, "pedal.bounce_s: "),
    ("[lamp]\nlongest_s = nan\n", 2, "lamp.longest_s: "),
    ("[lamp]\nlongest_s = inf\n", 2, "lamp.longest_s: "),
    ("[lamp]\npin = 5\n[pedal]\npin = 5\n", 4, "pedal.pin: pin 5 is the lamp's already"),
    ("[sounder]\npin = 27\n", 2, "sounder.pin: pin 27 is the pedal's already"),
    ("[pedal]\nlong_s = 3.0\n", 1, "pedal.very_long_s: it must be longer than pedal.long_s"),
    ("[pedal]\nstuck_s = 3\nvery_long_s = 4\n", 2, "pedal.stuck_s: it must be longer"),
    ('[lamp]\nsense = "simulated"\n', 2, "lamp.sense: only a simulated lamp has"),
    ("[viewing]\nlimit_s = 10\n", 1, "viewing.warning_s: it must be shorter"),
    ("lamp = 3\n", 1, "lamp: give a table"),
    ("[lamp]\npin = 17\n[lamp]\n", 3, "this line can't be read"),
    ('[service]\nsocket = "/run/tre', None, "is it cut short?"),
    ("[lamp]\npin = = 3\n", 2, "this line can't be read"),
    ("[enlarger]\n", 1, "there is no key 'enlarger'"),
    ("[lamp]\nsense_pin = 28\n", 2, "lamp.sense_pin: "),
    ("[lamp]\nsense_pin = -1\n", 2, "lamp.sense_pin: "),
    ("[lamp]\nsense_pin = 22.0\n", 2, "lamp.sense_pin: give a whole number"),
    ("[lamp]\nsense = true\n", 2, "lamp.sense: True is not known"),
    ('[lamp]\nsense_active_high = "low"\n', 2, "lamp.sense_active_high: "),
    ("[lamp]\nsettle_s = -0.1\n", 2, "lamp.settle_s: "),
    ("[lamp]\nsettle_s = 5.5\n", 2, "lamp.settle_s: "),
    ("[lamp]\nsettle_s = nan\n", 2, "lamp.settle_s: "),
    ("[lamp]\nmost_per_hour_s = -1\n", 2, "lamp.most_per_hour_s: "),
    ("[lamp]\nmost_per_hour_s = 3601\n", 2, "lamp.most_per_hour_s: "),
    ("[lamp]\nmost_per_hour_s = inf\n", 2, "lamp.most_per_hour_s: "),
    ('[lamp]\nsense = "chip"\nsense_pin = 17\n', 3, "lamp.sense_pin: pin 17 is the lamp's already"),
    ('[lamp]\nsense = "chip"\n[pedal]\npin = 22\n', 4, "pedal.pin: pin 22 is the sense contact's"),
    ('[lamp]\nsense = "chip"\n[sounder]\npin = 22\n', 4, "sounder.pin: pin 22 is the sense cont"),
]


@pytest.mark.parametrize(("text", "line", "says"), CONFIGS)
def test_a_wrong_configuration_is_told_with_line_and_field(treadle, folder, text, line, says):
    file = folder / "treadle.toml"
    file.write_text(text, encoding="utf-8")
    told = treadle("config", "check", str(file))
    assert told.code == 2
    place = f"{file}, line {line}" if line else f"{file}: "
    assert told.sentence.startswith(place)
    assert says in told.sentence


@pytest.mark.parametrize(
    ("key", "choices"),
    [
        ("lamp.driver", '"chip" or "gpiozero" or "simulated"'),
        ("lamp.sense", '"none" or "chip" or "simulated"'),
        ("pedal.driver", '"chip" or "gpiozero" or "simulated" or "none"'),
    ],
)
def test_a_choice_that_is_not_there_is_told_with_those_that_are(treadle, folder, key, choices):
    file = folder / "treadle.toml"
    table, name = key.split(".")
    for written, shown in (('"relay"', "'relay'"), ("3", "3"), ("[]", "[]")):
        file.write_text(f"[{table}]\n{name} = {written}\n", encoding="utf-8")
        told = treadle("config", "check", str(file))
        assert told.code == 2
        assert told.sentence == (f"{file}, line 2, {key}: {shown} is not known; give {choices}")


@pytest.mark.parametrize(
    "text",
    [
        "[lamp]\nsense_pin = 17\n",
        '[lamp]\ndriver = "simulated"\nsense = "simulated"\nsense_pin = 17\n',
        "[pedal]\npin = 22\n",
        '[lamp]\nsense = "chip"\nsense_pin = 27\n[pedal]\ndriver = "none"\n',
        '[lamp]\nsense = "chip"\nsense_pin = 27\n[pedal]\ndriver = "simulated"\n',
        "[lamp]\nsettle_s = 0\nmost_per_hour_s = 0\n",
        "[lamp]\nsettle_s = 5\nmost_per_hour_s = 3600\n",
    ],
)
def test_a_pin_that_is_not_in_use_is_free_and_limits_themselves_are_allowed(treadle, folder, text):
    file = folder / "treadle.toml"
    file.write_text(text, encoding="utf-8")
    assert treadle("config", "check", str(file)).out == f"{file}: sound\n"


def test_without_a_word_the_keeper_reads_a_pedal_and_no_sense_contact(treadle, folder):
    file = folder / "treadle.toml"
    file.write_text("", encoding="utf-8")
    values = treadle("config", "check", str(file), "--json").json["values"]
    assert (values["pedal"]["driver"], values["pedal"]["pin"]) == ("chip", 27)
    assert (values["lamp"]["sense"], values["lamp"]["sense_pin"]) == ("none", 22)
    assert values["lamp"]["most_per_hour_s"] == 0, "no limit but longest_s"


@pytest.mark.parametrize(
    ("text", "pedal", "sense"),
    [
        ("", "chip:27:up:", ""),
        ('[pedal]\npull = "none"\npin = 5\n', "chip:5:none:", ""),
        ('[pedal]\ndriver = "gpiozero"\n', "", ""),
        ('[pedal]\ndriver = "none"\n', "", ""),
        ('[lamp]\nsense = "chip"\n', "chip:27:up:", "chip:22:high:"),
        (
            '[lamp]\nchip = "/dev/gpiochip4"\nsense = "chip"\nsense_active_high = false\n',
            "chip:27:up:/dev/gpiochip4",
            "chip:22:low:/dev/gpiochip4",
        ),
        (
            '[lamp]\ndriver = "simulated"\nsense = "simulated"\n[pedal]\ndriver = "simulated"\n'
            '[service]\nruntime = "/run/enlarger"\n',
            "simulated:/run/enlarger/pedal.line",
            "simulated:/run/enlarger/lamp.line",
        ),
    ],
)
def test_the_keeper_is_told_of_what_it_reads_itself_and_of_nothing_else(text, pedal, sense):
    config = parse_config(text, "treadle.toml")
    assert (config.pedal_text, config.sense_text) == (pedal, sense)


@pytest.mark.parametrize("command", ["config check", "serve --config", "status --config"])
def test_a_missing_configuration_is_told_with_how_to_write_one(treadle, folder, command):
    told = treadle(command, str(folder / "nothing.toml"))
    assert told.code == 2
    assert "there is no configuration; write one with 'treadle config example" in told.sentence


def test_a_configuration_that_is_no_text_is_refused(treadle, folder):
    file = folder / "treadle.toml"
    file.write_bytes(b"\xff\xfe")
    assert "it is not UTF-8 text" in treadle("config", "check", str(file)).sentence
    assert treadle("config", "check", str(folder)).code == 2


def test_a_daemon_does_not_start_on_a_wrong_configuration(darkroom):
    darkroom.config_file.write_text("[lamp]\npin = 40\n", encoding="utf-8")
    told = darkroom.refused()
    assert told.code == 2
    assert "line 2, lamp.pin" in last_sentence(told)


def test_the_example_is_sound_and_says_the_defaults(treadle, folder):
    example = treadle("config", "example")
    assert (example.code, example.err) == (0, "")
    file, empty = folder / "example.toml", folder / "empty.toml"
    file.write_text(example.out, encoding="utf-8")
    empty.write_text("", encoding="utf-8")
    assert treadle("config", "check", str(file)).out == f"{file}: sound\n"
    values = treadle("config", "check", str(file), "--json").json["values"]
    assert values == treadle("config", "check", str(empty), "--json").json["values"]
    # Every key that there is stands in the example.
    assert tomllib.loads(example.out) == values
    assert treadle("config", "example", "--json").json == {"example": example.out}
