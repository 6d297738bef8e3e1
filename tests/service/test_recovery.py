"""After a crash: what the record and the keeper's journal tell together, and where to go on."""

import pytest

from timer.keeper.journal import KeptPeriod
from timer.programmes.passes import passes_of
from timer.programmes.text import from_toml
from timer.record.store import Record
from timer.service.recovery import recover
from timer.storage.database import open_database

NS = 1_000_000_000
BOOT, NOW_NS = "this boot", 1000 * NS
PRINT = from_toml(
    'treadle = 1\nname = "Boat shed"\n[print]\nbase_s = 10\nburn = [{ label = "sky", stops = "1" }]'
)


class Bench:
    """A record on the disk, with one sheet of two passes: a base and a burn of 10 s each."""

    def __init__(self, path):
        self.database = open_database(path)
        self.record = Record(self.database)
        self.sheet = 0

    def open(self):
        self.sheet = self.record.open_sheet(PRINT, 3, passes_of(PRINT))

    def begin(self, number, order, at_ns, boot=BOOT):
        self.record.begin_pass(self.sheet, number, order, boot, at_ns)

    def complete(self, number, order, at_ns):
        self.begin(number, order, at_ns)
        self.record.add_period(self.sheet, number, at_ns, at_ns + 10 * NS)
        self.record.end_pass(self.sheet, number, "complete")

    def recover(self, *kept, boot=BOOT, now_ns=NOW_NS):
        return recover(self.record, kept, boot, now_ns)

    def passes(self):
        return self.record.sheet(self.sheet).latest


@pytest.fixture
def bench(tmp_path):
    one = Bench(tmp_path / "treadle.sqlite3")
    yield one
    one.database.close()


def held(recovered, number, received_ns):
    """Whether the run stands held at pass ``number`` with ``received_ns``."""
    run = recovered.run
    assert not recovered.paper_is_out
    assert (run.present.number, run.version) == (number, 3)
    return run.received_ns == received_ns


def test_nothing_was_open(bench):
    found = bench.recover(KeptPeriod(7, 1 * NS, 2 * NS))
    assert (found.run, found.paper_is_out, found.text) == (None, False, None)


def test_a_sheet_on_which_no_light_fell_is_closed(bench):
    bench.open()
    found = bench.recover()
    assert found.paper_is_out
    assert "sheet 1 was open; it is closed now" in found.text
    assert bench.record.sheet(1).outcome == "interrupted"
    assert bench.record.unfinished() is None


def test_a_sheet_with_all_its_passes_made_is_closed_as_complete(bench):
    bench.open()
    bench.complete(1, 7, 100 * NS)
    bench.complete(2, 8, 200 * NS)
    found = bench.recover()
    assert found.paper_is_out
    assert bench.record.sheet(1).outcome == "complete"


def test_between_two_passes_the_second_is_held_with_nothing_received(bench):
    bench.open()
    bench.complete(1, 7, 100 * NS)
    found = bench.recover(KeptPeriod(7, 100 * NS, 110 * NS))
    assert held(found, 2, 0)
    assert not found.run.begun
    assert "goes on with pass 2, which had not begun" in found.text
    assert [one.state for one in bench.passes()] == ["complete", "planned"]


def test_a_held_pass_stays_held_with_its_measure(bench):
    bench.open()
    bench.begin(1, 7, 100 * NS)
    bench.record.add_period(1, 1, 100 * NS, 104 * NS)
    found = bench.recover(KeptPeriod(7, 100 * NS, 104 * NS))
    assert held(found, 1, 4 * NS)
    assert found.run.begun
    assert "it had received 4.000 s of 10.000 s; tap to give the rest" in found.text
    assert len(bench.passes()[0].periods) == 1


def test_the_journal_measures_what_the_record_has_only_as_begun(bench):
    bench.open()
    bench.begin(1, 7, 100 * NS)
    bench.record.mark(1, 1, 3 * NS)
    found = bench.recover(KeptPeriod(7, 100 * NS, 104 * NS))
    assert held(found, 1, 4 * NS)
    (period,) = bench.passes()[0].periods
    assert (period.on_ns, period.off_ns) == (100 * NS, 104 * NS)


def test_the_journal_adds_to_what_was_measured_before(bench):
    bench.open()
    bench.begin(1, 7, 100 * NS)
    bench.record.add_period(1, 1, 100 * NS, 104 * NS)
    bench.begin(1, 8, 200 * NS)
    found = bench.recover(KeptPeriod(7, 100 * NS, 104 * NS), KeptPeriod(8, 200 * NS, 203 * NS))
    assert held(found, 1, 7 * NS)


def test_a_pass_that_the_keeper_alone_saw_to_its_end_is_complete(bench):
    bench.open()
    bench.begin(1, 7, 100 * NS)
    found = bench.recover(KeptPeriod(7, 100 * NS, 110 * NS))
    assert held(found, 2, 0)
    assert bench.passes()[0].received.exact_ns == 10 * NS


def test_a_pass_that_only_the_keeper_knows_to_have_begun_is_written(bench):
    bench.open()
    found = bench.recover(KeptPeriod(7, 100 * NS, 104 * NS))
    assert held(found, 1, 4 * NS)
    assert found.run.exposed
    one = bench.passes()[0]
    assert (one.state, one.order_id, one.begun_ns) == ("begun", 7, 100 * NS)


def test_the_last_pass_finished_by_the_keeper_closes_the_sheet(bench):
    bench.open()
    bench.complete(1, 7, 100 * NS)
    bench.begin(2, 8, 200 * NS)
    found = bench.recover(KeptPeriod(8, 200 * NS, 210 * NS))
    assert found.paper_is_out
    assert bench.record.sheet(1).outcome == "complete"


def test_light_that_the_sheets_before_have_had_is_not_given_to_this_one(bench):
    """The keeper's journal tells of all the sheets since the daemon was started."""
    bench.open()
    bench.complete(1, 7, 100 * NS)
    bench.complete(2, 8, 200 * NS)
    bench.record.close_sheet(bench.sheet, "complete")
    bench.open()
    earlier = (KeptPeriod(7, 100 * NS, 110 * NS), KeptPeriod(8, 200 * NS, 210 * NS))
    found = bench.recover(*earlier)
    assert found.paper_is_out
    assert bench.record.sheet(2).outcome == "interrupted"
    assert all(not one.periods for one in bench.passes())

    bench.open()
    found = bench.recover(*earlier, KeptPeriod(9, 300 * NS, 304 * NS))
    assert held(found, 1, 4 * NS)
    assert len(bench.passes()[0].periods) == 1


def test_an_old_order_in_the_journal_is_not_counted_again(bench):
    bench.open()
    bench.complete(1, 7, 100 * NS)
    bench.begin(2, 9, 200 * NS)
    bench.record.add_period(1, 2, 200 * NS, 203 * NS)
    kept = (KeptPeriod(7, 100 * NS, 110 * NS), KeptPeriod(8, 150 * NS, 151 * NS))
    found = bench.recover(*kept, KeptPeriod(9, 200 * NS, 203 * NS))
    assert held(found, 2, 3 * NS)


@pytest.mark.parametrize("kept", [(), (KeptPeriod(7, 990 * NS, None),)])
def test_without_an_end_it_lies_between_the_last_mark_and_now(bench, kept):
    bench.open()
    bench.begin(1, 7, 990 * NS)
    bench.record.mark(1, 1, 3 * NS)
    found = bench.recover(*kept)
    assert held(found, 1, (3 + 10) * NS // 2)
    assert "it had received between 3.000 and 10.000 s of 10.000 s" in found.text
    received = bench.passes()[0].received
    assert (received.least_ns, received.most_ns) == (3 * NS, 10 * NS)


def test_a_line_that_stayed_on_may_have_given_more_than_was_intended(bench):
    bench.open()
    bench.begin(1, 7, 900 * NS)
    found = bench.recover(KeptPeriod(7, 900 * NS, None))
    assert bench.passes()[0].received.most_ns == 100 * NS
    assert found.run.left_ns == 0


@pytest.mark.fault(
    "disk",
    "The power fails in mid-exposure, and the keeper's notes in memory are gone",
    happens="The pass is held, with what it received told as between the last mark and all of it.",
    guard="none needed: without power there is no light",
    within="",
    annex_h=(),
)
def test_after_a_power_cut_it_lies_between_the_last_mark_and_what_was_intended(bench):
    bench.open()
    bench.begin(1, 7, 5 * NS, boot="the boot before")
    bench.record.mark(1, 1, 3 * NS)
    found = bench.recover(boot="another boot", now_ns=2 * NS)
    assert held(found, 1, (3 + 10) * NS // 2)
    received = bench.passes()[0].received
    assert (received.least_ns, received.most_ns) == (3 * NS, 10 * NS)


def test_a_repeated_pass_that_had_begun_is_the_one_to_go_on_with(bench):
    bench.open()
    bench.complete(1, 7, 100 * NS)
    bench.record.repeat_pass(1, 1)
    bench.begin(1, 8, 200 * NS)
    found = bench.recover(KeptPeriod(7, 100 * NS, 110 * NS), KeptPeriod(8, 200 * NS, 202 * NS))
    assert held(found, 1, 2 * NS)
    assert [one.attempt for one in bench.passes()] == [2, 1]


def test_recovering_twice_tells_the_same(bench):
    bench.open()
    bench.begin(1, 7, 990 * NS)
    bench.record.mark(1, 1, 3 * NS)
    first = bench.recover()
    again = bench.recover()
    assert again.run.received_ns == first.run.received_ns
    assert again.text == first.text


def test_a_start_long_after_another_adds_nothing_to_what_was_received(bench):
    """The lamp was off from the first start on, whenever the next one comes."""
    bench.open()
    bench.begin(1, 7, 995 * NS)
    bench.record.mark(1, 1, 3 * NS)
    first = bench.recover(KeptPeriod(7, 995 * NS, None))
    again = bench.recover(now_ns=NOW_NS + 600 * NS)
    assert again.run.received_ns == first.run.received_ns
    assert again.text == first.text
    received = bench.passes()[0].received
    assert (received.least_ns, received.most_ns) == (3 * NS, 5 * NS)


def test_a_start_that_was_cut_off_before_it_forgot_the_journal_adds_nothing(bench):
    bench.open()
    bench.begin(1, 7, 990 * NS)
    kept = KeptPeriod(7, 990 * NS, None)
    first = bench.recover(kept)
    again = bench.recover(kept, now_ns=NOW_NS + 600 * NS)
    assert again.run.received_ns == first.run.received_ns
    assert bench.passes()[0].received.most_ns == 10 * NS


def test_a_second_interruption_adds_to_the_bounds_of_the_first(bench):
    """After a power cut the rest was begun, and that was interrupted too."""
    bench.open()
    bench.begin(1, 7, 5 * NS, boot="the boot before")
    bench.record.mark(1, 1, 4 * NS)
    bench.recover(boot="the second boot", now_ns=2 * NS)
    bench.begin(1, 8, 50 * NS, boot="the second boot")
    found = bench.recover(KeptPeriod(8, 50 * NS, 51 * NS), boot="the second boot", now_ns=60 * NS)
    # 4 to 10 s from the first, 1 s measured of the second.
    assert held(found, 1, (4 + 10) * NS // 2 + NS)
    received = bench.passes()[0].received
    assert (received.least_ns, received.most_ns) == (5 * NS, 11 * NS)
