"""What is particular to the simulated devices: the shared line, faults and histories."""

import os
import select
import signal
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from hardware.errors import HardwareError
from hardware.interface import Note
from hardware.simulated import (
    LineChange,
    SimulatedFoot,
    SimulatedLamp,
    SimulatedLightProbe,
    SimulatedLine,
    SimulatedPedal,
    SimulatedPedalWire,
    SimulatedReadout,
    SimulatedSense,
    SimulatedSounder,
)

ROOT = Path(__file__).resolve().parents[2]
NS_PER_SECOND = 1_000_000_000


class SteppedClock:
    """A clock that stands still until it is moved on."""

    def __init__(self, at_ns=1_000):
        self.at_ns = at_ns

    def __call__(self):
        return self.at_ns


@pytest.fixture
def clock():
    return SteppedClock()


@pytest.fixture
def line(tmp_path, clock):
    line = SimulatedLine(tmp_path / "lamp.line", clock)
    yield line
    line.close()


def run_elsewhere(path, program, **kwargs):
    """Run ``program`` in a process of its own, with the lamp's line open as ``line``."""
    head = (
        f"import sys; sys.path.insert(0, {str(ROOT)!r})\n"
        "from hardware.simulated import SimulatedLamp, SimulatedLine\n"
        f"line = SimulatedLine({str(path)!r})\n"
    )
    return subprocess.Popen([sys.executable, "-S", "-c", head + program], **kwargs)


# ---------------------------------------------------------------- the line


def test_a_new_line_is_low_and_has_no_history(line):
    assert line.level is False
    assert line.history() == []


def test_each_write_is_recorded_with_level_stamp_and_writer(line, clock):
    line.write(True)
    clock.at_ns = 2_000
    line.write(True)
    line.write(False, at_ns=9_000_000_000_000_000_000)
    me = os.getpid()
    assert line.history() == [
        LineChange(1_000, True, me),
        LineChange(2_000, True, me),
        LineChange(9_000_000_000_000_000_000, False, me),
    ]


def test_another_holder_sees_the_level_at_once(line, tmp_path):
    other = SimulatedLine(tmp_path / "lamp.line")
    line.write(True)
    assert other.level is True
    other.write(False)
    assert line.level is False
    other.close()


def test_the_level_outlives_a_killed_owner(line, tmp_path):
    owner = run_elsewhere(line.path, "import os; SimulatedLamp(line).on(); os.kill(os.getpid(), 9)")
    assert owner.wait() == -signal.SIGKILL
    assert line.level is True
    assert [(change.level, change.pid) for change in line.history()] == [
        (False, owner.pid),
        (True, owner.pid),
    ]


def test_the_level_outlives_closing_the_line(line, tmp_path):
    line.write(True)
    line.close()
    line.close()
    again = SimulatedLine(tmp_path / "lamp.line")
    assert again.level is True
    again.close()


def test_writers_in_several_processes_never_spoil_each_others_records(line):
    program = "for at_ns in range(2000): line.write(at_ns % 2 == 1, at_ns)"
    writers = [run_elsewhere(line.path, program) for _ in range(3)]
    assert [writer.wait() for writer in writers] == [0, 0, 0]
    for writer in writers:
        own = [change for change in line.history() if change.pid == writer.pid]
        assert [(change.at_ns, change.level) for change in own] == [
            (at_ns, at_ns % 2 == 1) for at_ns in range(2000)
        ]


def test_a_line_in_a_missing_folder_is_refused(tmp_path):
    path = tmp_path / "nowhere" / "lamp.line"
    with pytest.raises(HardwareError, match=r"lamp\.line can't be opened \(No such file"):
        SimulatedLine(path)


def test_a_closed_line_refuses_to_be_used(line):
    line.close()
    for use in (lambda: line.write(True), lambda: line.level, line.history):
        with pytest.raises(HardwareError, match="was closed: open it again before using it"):
            use()


def test_a_damaged_line_is_an_error_and_not_a_level(line):
    line.write(True)
    os.truncate(line.path, 7)
    for use in (lambda: line.level, line.history):
        with pytest.raises(HardwareError, match=r"is damaged .*: delete the file and start again"):
            use()


# ---------------------------------------------------------------- the lamp


def test_the_lamps_life_is_in_the_lines_history(line, clock):
    lamp = SimulatedLamp(line)
    clock.at_ns += 5 * NS_PER_SECOND
    lamp.on()
    clock.at_ns += 8 * NS_PER_SECOND
    lamp.off()
    lamp.close()
    assert [(change.level, change.at_ns) for change in line.history()] == [
        (False, 1_000),
        (True, 5_000_001_000),
        (False, 13_000_001_000),
        (False, 13_000_001_000),
    ]


def test_a_lamp_taken_over_from_a_dead_owner_goes_off(line):
    line.write(True)
    lamp = SimulatedLamp(line)
    assert line.level is False
    lamp.close()


@pytest.mark.parametrize("order", ["on", "off", "close"])
def test_a_lamp_that_was_told_to_fail_changes_nothing(line, order):
    lamp = SimulatedLamp(line)
    lamp.on()
    lamp.fail_writes = True
    with pytest.raises(HardwareError, match="was told to fail"):
        getattr(lamp, order)()
    assert line.level is True


def test_a_lamp_that_was_told_to_fail_can_not_be_opened(line):
    with pytest.raises(HardwareError, match="can't be switched off"):
        SimulatedLamp(line, fail_writes=True)
    assert line.history() == []


def test_a_welded_contact_stays_on_after_off_and_after_close(line):
    lamp = SimulatedLamp(line)
    lamp.on()
    lamp.welded = True
    lamp.off()
    assert lamp.is_on
    lamp.close()
    assert line.level is True


def test_a_contact_welds_only_once_it_is_closed(line):
    lamp = SimulatedLamp(line, welded=True)
    lamp.off()
    assert not lamp.is_on
    lamp.on()
    lamp.off()
    assert lamp.is_on


def test_a_contact_that_was_knocked_free_opens_again(line):
    lamp = SimulatedLamp(line, welded=True)
    lamp.on()
    lamp.welded = False
    lamp.off()
    assert not lamp.is_on


# ---------------------------------------------------------------- the pedal's pipe


@pytest.fixture
def pipe(tmp_path):
    return tmp_path / "pedal.line"


def test_a_foot_in_another_process_is_felt_with_its_own_stamps(pipe):
    with closing(SimulatedPedalWire(pipe)) as wire:
        program = (
            f"import sys; sys.path.insert(0, {str(ROOT)!r})\n"
            "from hardware.simulated import SimulatedFoot\n"
            f"foot = SimulatedFoot({str(pipe)!r})\n"
            "print(foot.press(), foot.lift())\n"
        )
        walked = subprocess.run(
            [sys.executable, "-S", "-c", program], capture_output=True, text=True, check=True
        )
        pressed_ns, lifted_ns = map(int, walked.stdout.split())
        assert wire.read() == [(True, pressed_ns), (False, lifted_ns)]
        # A pipe whose last writer has gone would wake its reader for ever.
        assert select.select([wire], (), (), 0)[0] == []


def test_the_foots_stamps_are_those_of_the_given_clock(pipe, clock):
    with closing(SimulatedPedalWire(pipe)) as wire, closing(SimulatedFoot(pipe, clock)) as foot:
        assert foot.press() == 1_000
        clock.at_ns = 5_000
        assert foot.lift() == 5_000
        assert wire.read() == [(True, 1_000), (False, 5_000)]


def test_a_pedal_is_pressed_by_nobody_before_a_controller_reads_it(pipe):
    with pytest.raises(HardwareError, match=r"can't be pressed \(No such file.*start the contr"):
        SimulatedFoot(pipe)
    SimulatedPedalWire(pipe).close()
    with pytest.raises(HardwareError, match=r"can't be pressed \(No such device.*start the contr"):
        SimulatedFoot(pipe)


def test_a_foot_whose_controller_has_gone_says_so(pipe):
    wire = SimulatedPedalWire(pipe)
    with closing(SimulatedFoot(pipe)) as foot:
        wire.close()
        with pytest.raises(BrokenPipeError):
            foot.press()


def test_a_foot_that_the_reader_leaves_alone_for_too_long_says_so_and_does_not_wait(pipe):
    with closing(SimulatedPedalWire(pipe)) as wire, closing(SimulatedFoot(pipe)) as foot:
        with pytest.raises(BlockingIOError):
            for _ in range(1 << 20):  # more than any pipe holds
                foot.press()
        while wire.read():
            pass
        assert wire.is_down
        lifted_ns = foot.lift()
        assert wire.read() == [(False, lifted_ns)]


def test_a_foot_goes_away_twice(pipe):
    with closing(SimulatedPedalWire(pipe)):
        foot = SimulatedFoot(pipe)
        foot.close()
        foot.close()


def test_a_file_in_the_place_of_the_pipe_is_no_pedal_and_no_foots(pipe):
    pipe.write_bytes(b"notes")
    with pytest.raises(HardwareError, match=r"can't be opened \(it is no named pipe\): give it a"):
        SimulatedPedalWire(pipe)
    with pytest.raises(HardwareError, match=r"can't be pressed \(it is no named pipe\)"):
        SimulatedFoot(pipe)
    assert pipe.read_bytes() == b"notes"


def test_a_pipe_in_a_missing_folder_is_refused(tmp_path):
    with pytest.raises(HardwareError, match=r"can't be opened \(No such file"):
        SimulatedPedalWire(tmp_path / "nowhere" / "pedal.line")


def test_what_no_foot_wrote_is_told_and_not_taken_for_an_edge(pipe):
    with closing(SimulatedPedalWire(pipe)) as wire:
        stranger = os.open(pipe, os.O_WRONLY)
        os.write(stranger, b"down\n")
        with pytest.raises(HardwareError, match=r"something that is no edge: let nothing but"):
            wire.read()
        assert not wire.is_down
        os.write(stranger, b"down\n")
        with pytest.raises(HardwareError, match="something that is no edge"):
            SimulatedPedalWire(pipe)
        os.close(stranger)


# ---------------------------------------------------------------- the sense contact


@pytest.mark.parametrize(
    ("fault", "seen"),
    [
        ("", {False: False, True: True}),
        ("welded\n", {False: True, True: True}),
        ("dead\n", {False: False, True: False}),
    ],
)
def test_the_switch_fails_as_the_file_beside_the_line_says(line, fault, seen):
    with closing(SimulatedSense(line.path)) as sense:
        Path(f"{line.path}.fault").write_text(fault, encoding="ascii")
        for level in (False, True):
            line.write(level)
            assert sense.is_lit is seen[level]
        Path(f"{line.path}.fault").unlink()
        assert sense.is_lit is True


def test_looking_at_the_lamp_writes_nothing_on_its_line(line):
    line.write(True)
    with closing(SimulatedSense(line.path)) as sense:
        assert sense.is_lit
    assert len(line.history()) == 1


def test_a_fault_that_can_not_be_read_is_an_error_and_not_dark(line):
    with closing(SimulatedSense(line.path)) as sense:
        Path(f"{line.path}.fault").mkdir()
        with pytest.raises(HardwareError, match=r"sense contact can't be read .*Is a directory"):
            sense.is_lit  # noqa: B018


# ---------------------------------------------------------------- the others


def test_presses_are_stamped_by_the_given_clock(clock):
    pedal = SimulatedPedal(clock)
    pedal.press()
    clock.at_ns = 5_000
    pedal.lift()
    pedal.press(at_ns=7_000)
    assert [(edge.down, edge.at_ns) for edge in pedal.history] == [
        (True, 1_000),
        (False, 5_000),
        (True, 7_000),
    ]


def test_a_foot_that_does_not_move_makes_no_edge(clock):
    pedal = SimulatedPedal(clock)
    pedal.lift()
    pedal.press()
    pedal.press()
    assert [edge.down for edge in pedal.history] == [True]


@pytest.mark.parametrize("down", [True, False])
def test_a_chattering_contact_ends_as_it_began(clock, down):
    pedal = SimulatedPedal(clock)
    if not down:
        pedal.press(at_ns=0)
        pedal.history.clear()
    pedal.bounce(down, chatters=2, apart_ns=300)
    assert [(edge.down, edge.at_ns) for edge in pedal.history] == [
        (down, 1_000),
        (not down, 1_300),
        (down, 1_600),
        (not down, 1_900),
        (down, 2_200),
    ]
    assert pedal.is_down is down


def test_a_sounder_knows_what_is_heard_at_each_instant(clock):
    sounder = SimulatedSounder(clock)
    notes = [Note(440.0, 1.0), Note(None, 0.5), Note(880.0, 0.25)]
    sounder.play(notes)
    heard = []
    for seconds in (0.0, 0.999, 1.0, 1.499, 1.5, 1.749, 1.75):
        clock.at_ns = 1_000 + round(seconds * NS_PER_SECOND)
        heard.append(sounder.sounding)
    assert heard == [440.0, 440.0, None, None, 880.0, 880.0, None]
    assert sounder.played == [(1_000, tuple(notes))]


def test_a_sounder_records_when_it_was_silenced(clock):
    sounder = SimulatedSounder(clock)
    sounder.silence()
    clock.at_ns = 3_000
    sounder.close()
    assert sounder.silenced == [1_000, 3_000]


def test_a_readout_shows_the_last_lines_and_goes_blank_at_close(clock):
    readout = SimulatedReadout(clock)
    readout.show(["8.0 s", "grade 2"])
    clock.at_ns = 2_000
    readout.show(["11.3 s"])
    assert readout.lines == ("11.3 s",)
    readout.close()
    readout.close()
    assert readout.lines == ()
    assert readout.history == [
        (1_000, ("8.0 s", "grade 2")),
        (2_000, ("11.3 s",)),
        (2_000, ()),
    ]
    with pytest.raises(HardwareError, match="readout was closed"):
        readout.show(["8.0 s"])


def test_a_probe_reads_the_light_that_it_was_given(clock):
    probe = SimulatedLightProbe(4.5, clock)
    assert probe.read_lux() == 4.5
    probe.lux = 2.25
    clock.at_ns = 2_000
    assert probe.read_lux() == 2.25
    assert probe.history == [(1_000, 4.5), (2_000, 2.25)]


def test_a_probe_that_can_not_be_read_says_so(clock):
    probe = SimulatedLightProbe(None, clock)
    with pytest.raises(HardwareError, match="gives no reading"):
        probe.read_lux()
    probe.close()
    probe.close()
    with pytest.raises(HardwareError, match="probe was closed"):
        probe.read_lux()
