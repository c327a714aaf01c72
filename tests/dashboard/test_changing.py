"""`change` and `note` write the logbook; a change asks for what differs and shows what it makes of the drawing."""

from __future__ import annotations

import datetime as dt
import tomllib
from contextlib import closing
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from dashboard.cli import main
from dashboard.questions import Interview
from fixtures.lapwing.kit import settings_text
from logger.store import open_reader


@pytest.fixture
def settings(tmp_path: Path) -> Path:
    path = tmp_path / "noonmark.toml"
    path.write_text(settings_text("full"), encoding="utf-8")
    return path


def noonmark(settings: Path, *words: str) -> Result:
    return CliRunner().invoke(main, [*words, "--settings", str(settings)])


def logbook(settings: Path) -> list[tuple[str, str, str]]:
    with closing(open_reader(settings.parent / "lapwing.db")) as reader:
        return reader.execute("SELECT author, text, tags FROM logbook ORDER BY id").fetchall()


def test_a_change_is_written_from_today_on(settings: Path) -> None:
    """Values as a person types them; the caution stands beside the work."""
    done = noonmark(settings, "change", "array.gantry", "fewer in the row", "--set", "modules_in_series=2",
                    "--set", "tilt=12,5", "--set", "mounting=glued", "--author", "mate")  # fmt: skip
    assert done.exit_code == 0, done.stderr
    assert "Array wires are live in any light" in done.stderr
    old, new = (a for a in tomllib.loads(settings.read_text(encoding="utf-8"))["array"] if a["name"] == "gantry")
    assert (new["modules_in_series"], new["tilt"], new["mounting"]) == (2, 12.5, "glued")
    assert new["from"] - old["until"] == dt.timedelta(1)
    ((author, text, tags),) = logbook(settings)
    assert author == "mate"
    assert text.startswith(f"array.gantry from {new['from']}: modules_in_series 3 -> 2, tilt ")
    assert text.endswith(". fewer in the row")
    assert tags == "change,array.gantry"


def test_what_a_change_makes_dangerous_is_shown(settings: Path) -> None:
    """Four modules in series beyond the controller's input in the cold: the hazard, in words."""
    done = noonmark(settings, "change", "array.gantry", "--set", "modules_in_series=6", "--at", "2026-06-10")
    assert done.exit_code == 0, done.stderr
    assert "open circuit on the coldest morning" in done.stderr


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["change", "bank.house", "--yes"], "no part that can change; write for instance array.cabin"),
        (["change", "array.nowhere", "--yes"], "no entry of that name stands on"),
        (["change", "array.cabin"], "asks questions and needs a terminal; without one, say what differs with --set"),
        (["change", "array.cabin", "--set", "tilt"], "write KEY=VALUE, for instance area=6"),
        (["change", "array.cabin", "--set", "name=bow"], "name is not for change to set; --at says from when on"),
        (["change", "array.cabin", "--set", "tilt=steep"], "array 'cabin', tilt"),
        (["change", "array.cabin", "--set", "tlt=3"], "did you mean 'tilt'?"),
        (["change", "array.cabin", "--yes", "--at", "soon"], "'soon' is no date"),
        (["note", "  "], "an entry needs words"),
        (["note", "plug dried", "--tag", "a,b"], "without a comma"),
    ],
)
def test_nonsense_changes_nothing(settings: Path, words: list[str], said: str) -> None:
    """Exit 2, a sentence that says what to do, no store made, no byte of the file touched."""
    before = settings.read_bytes()
    done = noonmark(settings, *words)
    assert done.exit_code == 2, done.output
    assert said in done.stderr
    assert settings.read_bytes() == before
    assert [f.name for f in settings.parent.iterdir()] == ["noonmark.toml"]


def test_a_note_is_kept_with_its_tags(settings: Path) -> None:
    done = noonmark(settings, "note", "plug dried", "--tag", "array.cabin", "--tag", "salt", "--author", "mate")
    assert done.exit_code == 0
    assert logbook(settings) == [("mate", "plug dried", "array.cabin,salt")]


def test_the_questions_of_a_change_have_what_stands_for_their_answers(settings: Path) -> None:
    """Enter leaves a value; only what differs comes back; nonsense is asked again."""
    cable = tomllib.loads(settings.read_text(encoding="utf-8"))["cable"][0]
    found: dict[str, object] = {}

    @click.command()
    def ask() -> None:
        found.update(Interview().differing("cable", cable))

    done = CliRunner().invoke(ask, input="\nthick\n10 mm²\n\n")
    assert done.exit_code == 0, done.output
    assert found == {"area": 10.0}
