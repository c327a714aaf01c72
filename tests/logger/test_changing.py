"""A change opens a new dated entry, keeps what was typed, and is written with its line in the logbook or not at all."""

from __future__ import annotations

import datetime as dt
import difflib
import tomllib
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fixtures.lapwing.kit import settings_text
from logger import changing
from logger.changing import Change, changed_text, make, told
from logger.errors import NoonmarkError, SettingsError, UsageError
from logger.schema import prepare
from logger.settings import Located
from logger.settings_file import parse, read
from logger.store import keep_settings, open_reader, open_writer

SAMPLE = (Path(__file__).parents[2] / "fixtures" / "settings" / "sample.toml").read_text(encoding="utf-8")
DAY = dt.date(2026, 6, 20)
NOW = 1_782_000_000_000
BEFORE = dt.date(2026, 6, 19)


def entries(text: str, kind: str, name: str) -> list[dict[str, Any]]:
    return [entry for entry in tomllib.loads(text)[kind] if entry["name"] == name]


def test_the_old_entry_ends_and_a_new_one_begins() -> None:
    """The day before is the last of the old, all keys but those that differ are the same."""
    text = changed_text(SAMPLE, Change("cable", "cabin home run", DAY, {"area": 10.0}))
    old, new = entries(text, "cable", "cabin home run")
    (was,) = entries(SAMPLE, "cable", "cabin home run")
    assert old == was | {"until": BEFORE}
    assert new == was | {"from": DAY, "area": 10.0}


@pytest.mark.parametrize("kind", changing.KINDS)
def test_nothing_that_was_typed_goes(kind: str) -> None:
    """Every line of the file is there afterwards, in its order, comments and headings once each as before."""
    for entry in tomllib.loads(SAMPLE)[kind]:
        text = changed_text(SAMPLE, Change(kind, entry["name"], DAY))
        steps = list(difflib.ndiff(SAMPLE.splitlines(), text.splitlines()))
        assert [line for line in steps if line.startswith("- ")] == []
        added = [line[2:] for line in steps if line.startswith("+ ")]
        assert not any(line.startswith("# --") for line in added)
        parse(text)


def test_a_key_in_a_table_and_a_key_that_goes() -> None:
    change = Change("array", "gantry", DAY, {"module.power": 170, "module.imp": 8.4, "mounting": None})
    _, new = entries(changed_text(SAMPLE, change), "array", "gantry")
    assert (new["module"]["power"], new["module"]["imp"], "mounting" in new) == (170, 8.4, False)


def test_a_second_change_on_the_same_day_is_made_in_place() -> None:
    """An entry cannot end before it begins."""
    once = changed_text(SAMPLE, Change("fan", "electrics", DAY, {"watts": 2.0}))
    twice = changed_text(once, Change("fan", "electrics", DAY, {"watts": 2.5}))
    assert [entry.get("watts") for entry in entries(twice, "fan", "electrics")] == [1.6, 2.5]


def test_a_change_before_a_later_one_keeps_the_later() -> None:
    """Three entries of one name, which follow one another."""
    later = changed_text(SAMPLE, Change("cable", "gantry home run", dt.date(2026, 7, 1), {"area": 6.0}))
    text = changed_text(later, Change("cable", "gantry home run", DAY, {"length": 12.0}))
    spans = [(e.get("from"), e.get("until"), e["length"], e["area"]) for e in entries(text, "cable", "gantry home run")]
    assert spans == [
        (None, BEFORE, 9.0, 4.0),
        (DAY, dt.date(2026, 6, 30), 12.0, 4.0),
        (dt.date(2026, 7, 1), None, 9.0, 6.0),
    ]


@settings(max_examples=15)
@given(st.lists(st.tuples(st.integers(0, 60), st.floats(0.5, 100)), min_size=1, max_size=5))
def test_any_order_of_changes_leaves_entries_that_follow_one_another(changes: list[tuple[int, float]]) -> None:
    """Each day has exactly one entry, and the last change that was made for a day's stretch stands on its first day."""
    text = SAMPLE
    for days, area in changes:
        day = DAY + dt.timedelta(days)
        text = changed_text(text, Change("cable", "gantry home run", day, {"area": area}))
        raw = tomllib.loads(text)
        assert raw["cable"][changing.standing(raw, "cable", "gantry home run", day)]["area"] == area
    checked = parse(text)
    for n in range(-1, 62):
        standing = [c for c in checked.on(DAY + dt.timedelta(n)).cable if c.name == "gantry home run"]
        assert len(standing) == 1


def test_a_part_that_is_not_there_is_said() -> None:
    with pytest.raises(
        UsageError, match=r"array\.gntry: no entry of that name .*; there are: array\.cabin, array\.gan"
    ):
        changed_text(SAMPLE, Change("array", "gntry", DAY))


def test_nonsense_is_told_like_any_mistake_in_the_settings() -> None:
    with pytest.raises(SettingsError, match=r"cable 'gantry home run', area = -4: must be at least 0\.05"):
        changed_text(SAMPLE, Change("cable", "gantry home run", DAY, {"area": -4}))


@pytest.mark.parametrize(
    "layout",
    [
        "cable = [{ name = 'x', carries = 'array.a', length = 1, area = 2 }]\n",
        "[[cable]]\nname = 'x'\n[[fan]]\nname = 'f'\n[[cable]]\nname = 'y'\n",
    ],
)
def test_a_file_that_cannot_be_kept_as_it_is_is_left_alone(layout: str) -> None:
    """Rather than moving what a person laid out."""
    with pytest.raises(UsageError, match=r"the \[\[cable\]\] tables do not follow one another .* change by hand"):
        changed_text(layout, Change("cable", "x", DAY))


def test_what_differs_is_told_for_the_logbook() -> None:
    raw = tomllib.loads(SAMPLE)
    change = Change("array", "gantry", DAY, {"modules_in_series": 1, "module.power": None})
    assert told(raw, change) == "modules_in_series 3 -> 1, module.power 175 -> none"


# -- in one act -----------------------------------------------------------------------------------------------------


@pytest.fixture
def located(tmp_path: Path) -> Located:
    (tmp_path / "noonmark.toml").write_text(settings_text("full"), encoding="utf-8")
    found = read(tmp_path / "noonmark.toml")
    prepare(found.store_path)
    with closing(open_writer(found.store_path)) as connection:
        keep_settings(connection, 1_000, found.hash, found.text)
    return found


def state(located: Located) -> tuple[bytes, list[Any], list[Any]]:
    with closing(open_reader(located.store_path)) as reader:
        kept = reader.execute("SELECT start, stop, hash, text FROM settings ORDER BY id").fetchall()
        return located.path.read_bytes(), kept, reader.execute("SELECT t, author, text, tags FROM logbook").fetchall()


FAN = Change("fan", "electrics", DAY, {"watts": 2.5})


def test_file_store_and_logbook_change_together(located: Located) -> None:
    """From now on: the kept file ends, the new one begins, and what was kept of the past stays as it was."""
    new = make(located, FAN, None, NOW, "mate", "fan.electrics: a new fan")
    file, kept, logbook = state(located)
    assert file.decode() == new.text
    assert kept == [(1_000, NOW, located.hash, located.text), (NOW, None, new.hash, new.text)]
    assert logbook == [(NOW, "mate", "fan.electrics: a new fan", "change,fan.electrics")]


def test_a_change_in_the_past_corrects_what_was_kept_since(located: Located) -> None:
    """The file of that time gets the same dates; one that ended before stays as it was."""
    with closing(open_writer(located.store_path)) as connection:
        connection.execute("INSERT INTO settings (start, stop, hash, text) VALUES (0, 1000, 'older', 'older')")
    new = make(located, FAN, 500_000, NOW, "mate", "")
    _, kept, _ = state(located)
    assert kept == [(1_000, None, new.hash, new.text), (0, 1_000, "older", "older")]


def test_a_file_that_cannot_be_written_leaves_all_as_it_was(located: Located, monkeypatch: pytest.MonkeyPatch) -> None:
    before = state(located)

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(changing.tempfile, "mkstemp", full)
    with pytest.raises(NoonmarkError, match=r"cannot be written \(No space left on device\); nothing was changed"):
        make(located, FAN, None, NOW, "mate", "")
    assert state(located) == before


def test_a_commit_that_fails_puts_the_old_file_back(located: Located, monkeypatch: pytest.MonkeyPatch) -> None:
    """The file is replaced last before the commit; a constraint that only the commit checks plays the full disk."""
    before = state(located)
    real = changing._replace

    def late(path: Path, data: bytes) -> None:
        real(path, data)
        if data != before[0]:
            raise changing.sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(changing, "_replace", late)
    with pytest.raises(NoonmarkError, match="database or disk is full; nothing was changed"):
        make(located, FAN, None, NOW, "mate", "")
    assert state(located) == before


def test_a_file_that_changed_meanwhile_is_not_written_over(located: Located) -> None:
    located.path.write_text(located.text + "# by hand\n", encoding="utf-8")
    before = state(located)
    with pytest.raises(NoonmarkError, match="changed meanwhile by someone else; do it again"):
        make(located, FAN, None, NOW, "mate", "")
    assert state(located) == before


def test_line_ends_and_rights_stay(located: Located) -> None:
    """A file from another system keeps its line ends and its mark; its rights are not widened."""
    located.path.write_bytes(b"\xef\xbb\xbf" + located.text.replace("\n", "\r\n").encode())
    located.path.chmod(0o640)
    new = make(read(located.path), FAN, None, NOW, "mate", "")
    data = located.path.read_bytes()
    assert data.startswith(b"\xef\xbb\xbf# ")
    assert data.count(b"\n") == data.count(b"\r\n") == new.text.count("\n")
    assert located.path.stat().st_mode & 0o777 == 0o640
