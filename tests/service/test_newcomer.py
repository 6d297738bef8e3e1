"""What a person meets who does not yet know the commands."""

import pytest

from timer.service.cli import main
from timer.service.config import parse_config


def test_forcing_off_while_a_daemon_runs_switches_off_and_says_that_it_may_not_last(darkroom):
    darkroom.start()
    darkroom.expose("20")
    told = darkroom.treadle("dark --force --config", str(darkroom.config_file))
    assert told.code == 5
    assert "was forced off, but a daemon runs" in told.sentence
    assert not darkroom.history()[-1].level
    darkroom.treadle("dark")


def test_a_programme_that_could_not_be_armed_is_kept_with_a_warning(darkroom):
    darkroom.configure(lamp={"longest_s": 200.0})
    darkroom.start()
    told = darkroom.treadle("programme save Long print --base 300")
    assert told.code == 0
    assert "pass 1 takes 300 s, longer than lamp.longest_s (200 s)" in told.err


def test_a_held_pass_tells_what_is_left_of_it(darkroom):
    darkroom.start()
    darkroom.expose("5")
    darkroom.treadle("pedal")
    status = darkroom.until_state("held")
    assert 0 < status["left_s"] < 5.0
    assert status["left_s"] == pytest.approx(5.0 - status["received_ns"] / 1e9)
    assert status["hands"] == "leave paper and card as they are"
    darkroom.treadle("dark")


def test_the_simulated_example_is_a_sound_configuration(treadle, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    config = parse_config(treadle("config example --simulated").out, "the example")
    assert config.lamp.driver == "simulated"
    assert config.service.data == str(tmp_path / "treadle-data")


def test_the_version_is_told(capsys):
    with pytest.raises(SystemExit) as left:
        main(["--version"])
    assert left.value.code == 0
    assert capsys.readouterr().out.startswith("treadle ")


def test_a_burn_without_a_filter_is_made_under_the_base_s_and_the_table_says_so(treadle):
    table = treadle("plan print --base 10 --filter 2 --burn sky=1 --burn edge=1/2@5").out
    rows = [line.split() for line in table.splitlines()]
    assert [row[-2] for row in rows[1:4]] == ["2", "2", "5"]
