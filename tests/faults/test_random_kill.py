"""Daemon, keeper or both are killed at random instants of a working day, over and over.

``TREADLE_KILLS`` is the number of kills, ``TREADLE_KILLS_SEED`` what chance begins with; both are
printed. What happens at an instant is the machine's own affair, so a seed repeats what is tried
and not what it meets.
"""

import os
import random
import signal
import sqlite3
import sys
import threading
import time
from collections import Counter
from contextlib import closing, suppress

import pytest

from ..service.conftest import until
from .troubled import MOMENT_NS, NS, darkroom_of_tests_own
from .working_day import NOBODY, DaemonDiedError, WorkingDay

darkroom = pytest.fixture(darkroom_of_tests_own)

KILLS = int(os.environ.get("TREADLE_KILLS", "40"))
SEED = int(os.environ.get("TREADLE_KILLS_SEED", "0")) or random.SystemRandom().randrange(1, 10**9)
VICTIMS = ("daemon", "daemon", "keeper", "both", "daemon at its start")
# A daemon that forces the line off stamps this afterwards, when the machine lets it.
FORCED_NS = 2 * NS


def say(sentence):
    """Tell what is under way; pytest shows it where the test fails, or with -s at once."""
    # Past what takes the output of the commands.
    sys.__stdout__.write(sentence + "\n")
    sys.__stdout__.flush()


def is_gone(pid):
    try:
        with open(f"/proc/{pid}/stat", encoding="ascii") as file:  # noqa: PTH123 -- as short
            return file.read().rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True


class Killer:
    """Kills ``victim`` after ``seconds``, beside the working printer."""

    def __init__(self, victim, seconds, daemon, keeper, chance):
        self.has_killed = threading.Event()
        self._victim, self._pids = victim, {"daemon": daemon, "keeper": keeper}
        self._keeper_first = chance.random() < 0.5
        self._timer = threading.Timer(seconds, self._kill)
        self._timer.start()

    def _kill(self):
        order = ("keeper", "daemon") if self._keeper_first else ("daemon", "keeper")
        for name in order:
            if self._victim in (name, "both"):
                # The keeper may have ended between the two, for its daemon had.
                with suppress(ProcessLookupError):
                    os.kill(self._pids[name], signal.SIGKILL)
        self.has_killed.set()

    def join(self):
        self._timer.join()


class Test:
    """One run of the test: its day, its lives, what was found."""

    __test__ = False

    def __init__(self, darkroom, kills, seed):
        self.darkroom = darkroom
        self.kills = kills
        self.chance = random.Random(seed)
        self.day = WorkingDay(darkroom, self.chance)
        self.counts = Counter()
        self.daemon = None
        self.keeper = 0
        # From the beginning of a life whose keeper was killed until a daemon answered after it.
        self.unsure = []
        self.life_began_ns = 0
        self.widest_ns = 0
        self.moments = set()  # orders at which the keeper died
        self.failures = {}

    @property
    def told(self):
        counts = ", ".join(f"{what}: {number}" for what, number in sorted(self.counts.items()))
        return (
            f"{counts}; keepers killed at the very order: {len(self.moments)};"
            f" widest bounds of a sheet: {self.widest_ns / 1e6:.0f} ms;"
            f" failures: {len(self.failures)}"
        )

    def fail(self, what, sheet):
        """Note a failure with what was asked for last and the latest light, in their order."""
        causes = [(at_ns, f"for {what}") for at_ns, what in self.day.ledger.causes[-20:]]
        light = [(one.at_ns, one.level, one.pid) for one in self.darkroom.history()[-40:]]
        story = sorted(causes + light, key=lambda one: one[0])
        # The work goes on: the rest may tell more.
        self.failures.setdefault(what, "\n".join(str(one) for one in (what, sheet, *story)))

    # Lives.

    def start(self):
        self.day.ledger.cause(NOBODY)
        self.life_began_ns = time.monotonic_ns()
        self.daemon = self.darkroom.start()
        self.keeper = self.darkroom.keeper_pid
        self.counts["starts"] += 1
        status = self.day.status()
        assert status["state"] in ("dark", "paper out", "held"), status
        assert status["on_since_ns"] is None
        assert not self.darkroom.lit()
        self.counts[f"found {status['state']}"] += 1
        return status

    def killed_at_start(self):
        self.day.ledger.cause(NOBODY)
        daemon = self.darkroom.serve()
        time.sleep(self.chance.uniform(0, 0.6))
        self.darkroom.end(daemon, signal.SIGKILL)
        self.counts["killed: daemon at its start"] += 1

    def live(self):
        """Work until a kill, and return when the lamp is off and a daemon answers again."""
        victim, began_ns = self.chance.choice(VICTIMS), self.life_began_ns
        if victim == "daemon at its start":
            self.darkroom.end(self.daemon)
            self.killed_at_start()
            self.start()
            return
        killer = Killer(
            victim, self.chance.uniform(0, 1.4), self.daemon.pid, self.keeper, self.chance
        )
        try:
            while not killer.has_killed.is_set():
                self.day.work()
        except DaemonDiedError:
            assert victim != "keeper"
        killer.join()
        self.counts[f"killed: {victim}"] += 1
        self.counts[f"while {self.day.state}"] += 1
        if victim == "keeper":
            self._another_keeper()
        else:
            self.daemon.wait()
            if victim == "daemon":
                until(lambda: is_gone(self.keeper), "the keeper has ended")
                assert not self.darkroom.lit()
            elif self.darkroom.lit():
                self.counts["line left on"] += 1
            self.start()
        if victim != "daemon":
            self.unsure.append((began_ns, time.monotonic_ns()))

    def _another_keeper(self):
        def is_well():
            health = self.day.ask("GET", "/health")[1]
            return health["well"] and health["keeper_pid"] not in (None, self.keeper) and health

        self.keeper = until(is_well, "another keeper is up")["keeper_pid"]
        self.day.ledger.cause(NOBODY)

        def is_cleared():
            if self.day.status()["state"] != "fault":
                return True  # the printer may have been as fast
            self.day.ask("POST", "/clear")
            return False

        until(is_cleared, "the fault is cleared")
        assert self.day.state in ("dark", "paper out", "waiting", "held"), self.day.state
        assert not self.darkroom.lit()
        if self.chance.random() < 0.5:
            assert self.darkroom.end(self.daemon) == 0
            self.start()

    # What must be true when a daemon answers and nobody has asked for light.

    def check(self, sheets=20):
        ledger = self.day.ledger
        with closing(sqlite3.connect(self.darkroom.config.database)) as database:
            assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        status, shown = self.day.ask("GET", f"/record?limit={sheets}")
        assert status == 200, shown
        assert max(ledger.sheets, default=0) <= max((one["sheet"] for one in shown), default=0)
        periods = self.darkroom.periods()
        assert not self.darkroom.lit()
        by_cause = {}
        for on_ns, off_ns in periods:
            by_cause.setdefault(ledger.cause_of(on_ns), []).append((on_ns, off_ns))
        assert NOBODY not in by_cause, "the lamp went on and nobody had asked for it"
        for sheet in shown:
            self.check_sheet(sheet, by_cause.get(sheet["sheet"], []))
        self.check_programmes()

    def check_sheet(self, sheet, line):
        """Compare what the record says of a sheet with what the line did for it."""
        told = sorted(
            (period["on_ns"], period["off_ns"])
            for one in sheet["passes"]
            for period in one["periods"]
        )
        left, forced_ns = list(line), 0
        for on_ns, off_ns in told:
            found = [one for one in left if abs(one[0] - on_ns) < MOMENT_NS]
            if not found:
                # A keeper that died at the very order may have had no time for it; its daemon
                # then counts from the order until it has forced the line off.
                if off_ns - on_ns > MOMENT_NS or not self.ends_of(on_ns):
                    self.fail(f"{on_ns} to {off_ns} was never lit", sheet)
                self.moments.add(on_ns)
                forced_ns += off_ns - on_ns
                continue
            late_ns = off_ns - found[0][1]
            if not -MOMENT_NS < late_ns < (FORCED_NS if self.ends_of(on_ns) else MOMENT_NS):
                self.fail(f"{on_ns} to {off_ns} ended {late_ns} earlier", sheet)
            forced_ns += max(0, late_ns)
            left.remove(found[0])
        # What is not measured is bounded, and only where no keeper lived to measure it.
        slack_ns = 0
        for on_ns, off_ns in left:
            ends = self.ends_of(on_ns)
            if not ends:
                self.fail(f"{on_ns} to {off_ns} was forgotten", sheet)
                continue
            slack_ns += ends[0] - off_ns
        least_ns = most_ns = 0
        for one in sheet["passes"]:
            if one["received_least_ns"] is not None:
                least_ns += one["received_least_ns"]
                most_ns += one["received_most_ns"]
            else:
                measured_ns = sum(p["off_ns"] - p["on_ns"] for p in one["periods"])
                least_ns, most_ns = least_ns + measured_ns, most_ns + measured_ns
        lit_ns = sum(off_ns - on_ns for on_ns, off_ns in line)
        moments_ns = MOMENT_NS * (1 + len(line)) + forced_ns
        if least_ns > lit_ns + moments_ns or most_ns < lit_ns - moments_ns:
            self.fail(f"lit for {lit_ns}, told as {least_ns} to {most_ns}", sheet)
        if most_ns > lit_ns + moments_ns + slack_ns:
            self.fail(f"lit for {lit_ns}, and {most_ns} may have been, is told", sheet)
        if left:
            self.counts["bounded sheets seen"] += 1
            self.widest_ns = max(self.widest_ns, most_ns - least_ns)

    def ends_of(self, at_ns):
        """When it was over that nobody could measure a light that went on at an instant."""
        return [ends_ns for began_ns, ends_ns in self.unsure if began_ns <= at_ns <= ends_ns]

    def check_programmes(self):
        status, shown = self.day.ask("GET", "/programmes")
        assert status == 200, shown
        there = {one["name"]: one["programme"] for one in shown}
        ledger = self.day.ledger
        assert ledger.kept.keys() <= there.keys() <= ledger.asked
        for name, text in ledger.kept.items():
            # A version that was asked for when the daemon died may have been kept.
            if there[name] != text:
                self.counts["versions kept but not acknowledged"] += 1
                ledger.kept[name] = there[name]

    def run(self):
        self.start()
        for number in range(self.kills):
            self.live()
            self.check()
            if (number + 1) % 50 == 0:
                say(f"{number + 1} kills: {self.told}")
        assert self.darkroom.end(self.daemon) == 0
        self.start()
        self.check(1000)
        self.darkroom.no_traceback()
        if self.failures:
            pytest.fail("\n\n".join(self.failures.values()))


@pytest.mark.timeout(120 + 10 * KILLS)
@pytest.mark.fault(
    "processes",
    "Daemon, keeper or both are killed at random instants of a working day",
    happens="After each start the database is sound, the record says what the lamp did, exactly or"
    " within its bounds, kept programmes are there, and nothing starts by itself.",
    guard="keeper: the channel closed; daemon: the keeper is gone; or the next start",
    within="20 ms where the keeper lives, 50 ms where the daemon does",
    annex_h=("program counter",),
)
def test_kills_at_random_instants_of_a_working_day(darkroom):
    say(f"TREADLE_KILLS={KILLS} TREADLE_KILLS_SEED={SEED}")
    one = Test(darkroom, KILLS, SEED)
    try:
        one.run()
    finally:
        say(one.told)
