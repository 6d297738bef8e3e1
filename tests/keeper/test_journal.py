"""What the keeper noted, read after a crash."""

from timer.keeper.journal import KeptPeriod, note_forced_off, read_journal, set_journal_aside


def read(tmp_path, text):
    (tmp_path / "journal").write_text(text)
    return read_journal(tmp_path / "journal")


def test_no_journal_tells_nothing(tmp_path):
    assert read_journal(tmp_path / "journal") == {}


def test_each_exposure_has_its_on_and_its_off(tmp_path):
    kept = read(tmp_path, "on 5 100 0 NONE\noff 5 100 900 COMPLETE\non 6 2000 0 NONE\n")
    assert kept == {5: KeptPeriod(5, 100, 900), 6: KeptPeriod(6, 2000, None)}


def test_a_torn_last_line_is_left_out(tmp_path):
    whole = "on 5 100 0 NONE\n"
    for torn in ("o", "off", "off 5", "off 5 100", "off 5 100 9"):
        assert read(tmp_path, whole + torn) == {5: KeptPeriod(5, 100, None)}, torn


def test_lines_that_make_no_sense_are_left_out(tmp_path):
    text = (
        "on 5 100 0 NONE\noff 5 100 -9 COMPLETE\non x 1 0 NONE\n\nsomething else\noff 5 1 2 3 4\n"
    )
    assert read(tmp_path, text) == {5: KeptPeriod(5, 100, None)}


def test_a_line_forced_off_ends_what_was_still_on_and_nothing_else(tmp_path):
    kept = read(tmp_path, "on 5 100 0 NONE\noff 5 100 900 COMPLETE\non 6 2000 0 NONE\n")
    assert kept[6].off_ns is None
    note_forced_off(tmp_path / "journal", 3000)
    assert read_journal(tmp_path / "journal") == {
        5: KeptPeriod(5, 100, 900),
        6: KeptPeriod(6, 2000, 3000),
    }


def test_where_there_is_no_journal_none_is_made(tmp_path):
    note_forced_off(tmp_path / "journal", 3000)
    assert not (tmp_path / "journal").exists()


def test_a_torn_last_line_spoils_nothing_that_is_noted_behind_it(tmp_path):
    """A keeper that is killed in the middle of a line, or has no room for all of it."""
    for torn in ("", "off", "off 5 100 9"):
        read(tmp_path, "on 5 100 0 NONE\n" + torn)
        note_forced_off(tmp_path / "journal", 3000)
        assert read_journal(tmp_path / "journal") == {5: KeptPeriod(5, 100, 3000)}, torn


def test_what_was_set_aside_twice_is_told_whole_behind_a_torn_line(tmp_path):
    for order, text in ((5, "on 5 100 0 NONE\non 6 2"), (7, "on 7 4000 0 NONE\n")):
        read(tmp_path, text)
        kept = read_journal(set_journal_aside(tmp_path / "journal"))
        assert order in kept
        assert not (tmp_path / "journal").exists()
    assert kept == {5: KeptPeriod(5, 100, None), 7: KeptPeriod(7, 4000, None)}
