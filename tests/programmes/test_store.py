"""The store of programmes: named, versioned, removed and brought back."""

import subprocess
import sys
import unicodedata
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from itertools import count
from pathlib import Path

import pytest

from timer.errors import FormatError, NameClashError, PlanError, StoreError, UnknownNameError
from timer.photo.prints import Burn, Print
from timer.photo.strips import Strip
from timer.programmes.model import Programme, Setup
from timer.programmes.store import ProgrammeStore, StoredProgramme
from timer.programmes.text import to_toml
from timer.storage.database import Database, open_database, writing

OAK = Programme("Oak", print=Print(12.5, burns=(Burn("sky", Fraction(1, 2)),)))
ELM = Programme("Elm", strip=Strip(5, first_seconds=4.0, add_seconds=2.0))


def longer(programme: Programme, base_seconds: float) -> Programme:
    assert programme.print is not None
    return replace(programme, print=programme.print.with_base(base_seconds))


@pytest.fixture
def db(tmp_path: Path) -> Iterator[Database]:
    opened = open_database(tmp_path / "treadle.db")
    yield opened
    opened.close()


@pytest.fixture
def store(db: Database) -> ProgrammeStore:
    days = count(1)
    return ProgrammeStore(db, now=lambda: f"day {next(days)}")


def names(store: ProgrammeStore) -> list[str]:
    return [one.programme.name for one in store.list()]


def test_an_added_programme_is_version_1_and_comes_back_the_same(store: ProgrammeStore) -> None:
    assert store.add(OAK) == StoredProgramme(OAK, 1, "day 1")
    assert store.get("Oak") == StoredProgramme(OAK, 1, "day 1")


def test_what_is_stored_is_the_text_that_a_person_can_read(
    store: ProgrammeStore, db: Database
) -> None:
    store.add(OAK)
    stored = db.connection.execute("SELECT body FROM programme_versions").fetchone()[0]
    assert stored == to_toml(OAK)


def test_a_change_is_a_new_version_and_the_earlier_ones_stay(store: ProgrammeStore) -> None:
    store.add(OAK)
    changed = store.change(longer(OAK, 14.0))
    assert changed == StoredProgramme(longer(OAK, 14.0), 2, "day 2")
    assert store.get("Oak") == changed
    assert store.get("Oak", 1).programme == OAK
    assert [one.version for one in store.versions("Oak")] == [1, 2]


def test_a_change_that_changes_nothing_makes_no_version(store: ProgrammeStore) -> None:
    store.add(OAK)
    assert store.change(OAK) == StoredProgramme(OAK, 1, "day 1")
    assert len(store.versions("Oak")) == 1


def test_going_back_to_an_earlier_state_is_a_version_of_its_own(store: ProgrammeStore) -> None:
    store.add(OAK)
    store.change(longer(OAK, 14.0))
    assert store.change(OAK).version == 3


def test_a_note_alone_is_a_change(store: ProgrammeStore) -> None:
    store.add(OAK)
    assert store.change(replace(OAK, setup=Setup(note="warmer"))).version == 2


def test_programmes_are_listed_by_name_in_their_newest_version(store: ProgrammeStore) -> None:
    assert store.list() == ()
    store.add(OAK)
    store.add(ELM)
    store.add(replace(ELM, name="ash"))
    store.change(longer(OAK, 14.0))
    assert names(store) == ["ash", "Elm", "Oak"]
    assert store.list()[-1].version == 2


@pytest.mark.parametrize(
    ("name", "alike"),
    [
        ("Oak", "oak"),
        ("Bl\u00fcte", "Blu\u0308te"),
        ("BL\u00dcTE", "blu\u0308te"),
        ("Straße", "STRASSE"),
        ("ΣΊΣΥΦΟΣ", "Σίσυφος"),
        ("山\u3000道", "山\u3000道"),
    ],
)
def test_names_that_look_alike_are_one_name(store: ProgrammeStore, name: str, alike: str) -> None:
    """Letter pairs by Unicode's default case folding (its standard, chapter 3.13; from memory)."""
    store.add(replace(OAK, name=name))
    with pytest.raises(NameClashError, match="already; choose another name"):
        store.add(replace(OAK, name=alike))
    assert store.get(alike).programme.name == unicodedata.normalize("NFC", name)


def test_a_change_under_another_spelling_keeps_the_name_as_it_was(store: ProgrammeStore) -> None:
    store.add(OAK)
    assert store.change(replace(OAK, name="OAK")).version == 1
    assert names(store) == ["Oak"]


@pytest.mark.parametrize("use", ["get", "versions", "remove", "restore"])
def test_an_unknown_name_is_told_with_those_that_are_near(store: ProgrammeStore, use: str) -> None:
    store.add(replace(OAK, name="Oak by the lake"))
    if use == "restore":
        store.remove("Oak by the lake")
    with pytest.raises(
        UnknownNameError, match="named 'oak by a lake'; did you mean 'Oak by the lake'"
    ):
        getattr(store, use)("oak by a lake")


def test_an_unknown_name_is_told_where_nothing_is_near(store: ProgrammeStore) -> None:
    with pytest.raises(UnknownNameError, match="there is none at all"):
        store.get("Oak")
    store.add(ELM)
    with pytest.raises(UnknownNameError, match="look at the list"):
        store.change(replace(OAK, name="Quarry in the fog"))


@pytest.mark.parametrize("name", ["", "\0", "O\udc80k", "x" * 1_000_000])
def test_what_can_be_no_name_is_unknown(store: ProgrammeStore, name: str) -> None:
    store.add(OAK)
    with pytest.raises(UnknownNameError) as raised:
        store.get(name)
    assert len(str(raised.value)) < 500


@pytest.mark.parametrize("version", [0, -1, 3, 10**30, -(10**30)])
def test_an_unknown_version_is_told_with_those_that_there_are(
    store: ProgrammeStore, version: int
) -> None:
    store.add(OAK)
    store.change(longer(OAK, 14.0))
    with pytest.raises(UnknownNameError, match="it has versions 1 to 2"):
        store.get("Oak", version)


def test_a_new_name_goes_to_every_version_and_adds_none(store: ProgrammeStore) -> None:
    store.add(OAK)
    store.change(longer(OAK, 14.0))
    renamed = store.rename("oak", "Holm oak")
    assert renamed.programme == replace(longer(OAK, 14.0), name="Holm oak")
    assert store.get("Holm oak") == renamed
    assert [one.programme.name for one in store.versions("Holm oak")] == ["Holm oak"] * 2
    with pytest.raises(UnknownNameError):
        store.get("Oak")
    # The name in the older text is not a change of the programme.
    assert store.change(renamed.programme).version == 2


def test_a_name_may_change_its_case_alone(store: ProgrammeStore) -> None:
    store.add(OAK)
    store.rename("Oak", "OAK")
    assert names(store) == ["OAK"]


def test_a_name_in_use_is_not_given_twice(store: ProgrammeStore) -> None:
    store.add(OAK)
    store.add(ELM)
    with pytest.raises(NameClashError, match="named 'Elm' already"):
        store.rename("Oak", "elm")
    assert names(store) == ["Elm", "Oak"]


def test_a_new_name_that_is_none_changes_nothing(store: ProgrammeStore) -> None:
    store.add(OAK)
    with pytest.raises(PlanError, match="empty"):
        store.rename("Oak", " ")
    assert names(store) == ["Oak"]


def test_a_removed_programme_is_out_of_the_list_and_can_come_back(store: ProgrammeStore) -> None:
    store.add(OAK)
    changed = store.change(longer(OAK, 14.0))
    store.remove("oak")
    assert store.list() == ()
    assert store.removed() == (changed,)
    with pytest.raises(UnknownNameError, match="was removed; restore it"):
        store.get("Oak")
    assert store.restore("oak") == changed
    assert store.removed() == ()
    assert store.get("Oak", 1).programme == OAK


def test_the_name_of_a_removed_programme_is_free(store: ProgrammeStore) -> None:
    store.add(OAK)
    store.remove("Oak")
    assert store.add(longer(OAK, 20.0)).version == 1
    with pytest.raises(NameClashError, match="rename that one first, then restore"):
        store.restore("Oak")
    store.rename("Oak", "Oak, second try")
    assert store.restore("Oak").programme == OAK


def test_of_two_removed_under_one_name_the_last_comes_back_first(store: ProgrammeStore) -> None:
    """However the wall clock stands: a board without a battery clock wakes in the past."""
    for base_seconds in (10.0, 20.0):
        store.add(longer(OAK, base_seconds))
        store.remove("Oak")
    assert [one.programme for one in store.removed()] == [longer(OAK, 20.0), longer(OAK, 10.0)]
    assert store.restore("Oak").programme == longer(OAK, 20.0)
    store.rename("Oak", "Oak 20")
    assert store.restore("Oak").programme == longer(OAK, 10.0)


def test_a_text_spoilt_in_the_database_is_named_and_can_be_replaced(
    store: ProgrammeStore, db: Database
) -> None:
    store.add(OAK)
    with writing(db) as connection:
        connection.execute("UPDATE programme_versions SET body = 'treadle = 1'")
    with pytest.raises(FormatError, match="programme 'Oak', version 1 of the database: "):
        store.get("Oak")
    assert store.change(longer(OAK, 14.0)).version == 2
    assert store.get("Oak").programme == longer(OAK, 14.0)


def test_a_programme_whose_text_is_spoilt_can_be_put_away(
    store: ProgrammeStore, db: Database
) -> None:
    store.add(OAK)
    with writing(db) as connection:
        connection.execute("UPDATE programme_versions SET body = 'treadle = 1'")
    store.remove("Oak")
    assert store.list() == ()


def test_a_closed_database_is_told_in_a_sentence(store: ProgrammeStore, db: Database) -> None:
    db.close()
    with pytest.raises(StoreError, match="open it again"):
        store.add(OAK)


def test_an_acknowledged_change_outlives_a_killed_process(tmp_path: Path) -> None:
    path = tmp_path / "treadle.db"
    script = f"""
import os, signal
from pathlib import Path
from timer.photo.prints import Print
from timer.programmes.model import Programme
from timer.programmes.store import ProgrammeStore
from timer.storage.database import open_database
store = ProgrammeStore(open_database(Path({str(path)!r})))
print(store.add(Programme("Oak", print=Print(5.0))).version, flush=True)
print(store.change(Programme("Oak", print=Print(6.0))).version, flush=True)
os.kill(os.getpid(), signal.SIGKILL)
"""
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=False
    )
    assert done.returncode == -9, done.stderr
    assert done.stdout.split() == ["1", "2"]
    db = open_database(path)
    assert [one.programme.print for one in ProgrammeStore(db).versions("Oak")] == [
        Print(5.0),
        Print(6.0),
    ]
    db.close()
