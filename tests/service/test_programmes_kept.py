"""Named programmes by command: kept in versions, exchanged as text, never lost by mistake."""

import pytest

BOAT = "print --base 12.5 --dodge face=1/2 --burn sky=2/3@5"


def names(told):
    return [one["name"] for one in told]


def test_every_version_of_a_programme_can_be_had_again(darkroom):
    darkroom.start()
    assert darkroom.save("Boat shed", BOAT)["version"] == 1
    darkroom.treadle("programme save", "Boat shed", "--change", "print", "--base", "14")
    assert [one["version"] for one in darkroom.tell("programme versions", "Boat shed")] == [1, 2]
    assert "12.5" in darkroom.tell("programme show", "Boat shed", "--version", "1")["programme"]
    assert "14" in darkroom.tell("programme show", "Boat shed")["programme"]
    armed = darkroom.arm("Boat shed", "--version", "1")
    assert (armed["version"], armed["intended_ns"]) == (1, 12_500_000_000)
    told = darkroom.treadle("programme show", "Boat shed", "--version", "3")
    assert told.code == 3
    assert "versions 1 to 2" in told.sentence


def test_a_change_that_changes_nothing_is_no_version(darkroom):
    darkroom.start()
    darkroom.save("Boat shed", BOAT)
    told = darkroom.treadle("programme save", "Boat shed", "--change", *BOAT.split())
    assert told.code == 0
    assert "version 1" in told.out


def test_a_name_is_changed_removed_and_restored_with_all_versions(darkroom):
    darkroom.start()
    darkroom.save("Boat shed", BOAT)
    darkroom.treadle("programme save", "Boat shed", "--change", "print", "--base", "14")
    assert darkroom.tell("programme rename", "Boat shed", "Slipway")["name"] == "Slipway"
    darkroom.tell("programme remove", "Slipway")
    assert darkroom.tell("programme list") == []
    assert names(darkroom.tell("programme removed")) == ["Slipway"]
    gone = darkroom.treadle("arm", "Slipway")
    assert gone.code == 3
    assert "was removed; restore it" in gone.sentence
    darkroom.tell("programme restore", "Slipway")
    assert [one["version"] for one in darkroom.tell("programme versions", "Slipway")] == [1, 2]


def test_what_was_exported_is_imported_word_for_word(darkroom):
    darkroom.start()
    darkroom.tell(
        "programme save",
        *("--paper", "grade 2", "--note", "tide out", "Boat shed"),
        *BOAT.split(),
    )
    told = darkroom.treadle("programme export", "Boat shed")
    file = darkroom.folder / "boat shed.toml"
    assert darkroom.treadle("programme export", "Boat shed", "--output", str(file)).code == 0
    assert file.read_text(encoding="utf-8") == told.out
    darkroom.tell("programme remove", "Boat shed")
    assert darkroom.tell("programme import", str(file))["version"] == 1
    assert darkroom.treadle("programme export", "Boat shed").out == told.out
    # A file that is there may be the only copy of something.
    again = darkroom.treadle("programme export", "Boat shed", "--output", str(file))
    assert again.code != 0
    assert "there already" in again.sentence


def test_an_import_may_be_the_next_version(darkroom):
    darkroom.start()
    darkroom.save("Boat shed", BOAT)
    text = darkroom.treadle("programme export", "Boat shed").out
    file = darkroom.folder / "boat shed.toml"
    file.write_text(text.replace("12.5", "13.5"), encoding="utf-8")
    clash = darkroom.treadle("programme import", str(file))
    assert clash.code == 3
    assert "a programme is named 'Boat shed' already" in clash.sentence
    assert darkroom.tell("programme import", str(file), "--change")["version"] == 2


def test_a_taken_name_is_not_given_twice(darkroom):
    darkroom.start()
    darkroom.save("Boat shed", BOAT)
    darkroom.save("Slipway", BOAT)
    clash = darkroom.treadle("programme save", "boat SHED", *BOAT.split())
    assert clash.code == 3
    assert "'Boat shed'" in clash.sentence
    assert darkroom.treadle("programme rename", "Slipway", "Boat shed").code == 3
    assert names(darkroom.tell("programme list")) == ["Boat shed", "Slipway"]


def test_a_mistyped_name_brings_the_one_that_was_meant(darkroom):
    darkroom.start()
    darkroom.save("Boat shed doors", BOAT)
    for command in ("arm", "programme show", "programme remove", "programme versions"):
        told = darkroom.treadle(command, "Boat shed dors")
        assert told.code == 3
        assert "did you mean 'Boat shed doors'?" in told.sentence


def test_a_file_that_was_cut_short_is_refused_whole(darkroom):
    darkroom.start()
    darkroom.save("Boat shed", BOAT)
    text = darkroom.treadle("programme export", "Boat shed").out
    darkroom.tell("programme remove", "Boat shed")
    file = darkroom.folder / "cut.toml"
    for kept in (0.2, 0.5, 0.8, 0.95):
        file.write_text(text[: int(len(text) * kept)].rstrip("\n"), encoding="utf-8")
        told = darkroom.treadle("programme import", str(file))
        assert told.code == 2
        assert told.sentence.startswith(str(file))
    assert darkroom.tell("programme list") == []


def test_names_in_every_script(darkroom):
    darkroom.start()
    scripts = (
        "Морской сарай",
        "船小屋",
        "سقيفة القارب",
        "Bootshaus am Fluß",
        "⛵ 11",
        "a/b?c=d&e#f%",
    )
    for name in scripts:
        darkroom.save(name, BOAT)
        assert darkroom.arm(name)["programme"] == name
        assert darkroom.tell("record", "list")[0]["programme"] == name
        assert name in darkroom.treadle("status").out
    assert sorted(names(darkroom.tell("programme list"))) == sorted(scripts)


@pytest.mark.parametrize("name", ["", " ", "a\nb", "x" * 121, "\x1b[2J"])
def test_names_that_can_not_be_read_out_are_refused(treadle, name):
    told = treadle("programme save", name, *BOAT.split())
    assert told.code == 2
    assert told.sentence.startswith("name: ")
    assert told.sentence.isprintable()


def test_a_file_that_is_not_there_or_is_no_text_is_refused(darkroom):
    picture = darkroom.folder / "negative.raw"
    picture.write_bytes(b"\xff\xd8\xff\x00")
    for path in (str(picture), str(darkroom.folder), str(darkroom.folder / "nothing.toml")):
        told = darkroom.treadle("programme import", path)
        assert told.code == 1
        assert told.sentence.startswith(path)
