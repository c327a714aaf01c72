"""`hands-on` says where hands are, for how long, what to mind, and writes it into the logbook."""

from __future__ import annotations

import datetime as dt
import json
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from analysis.assess import METHOD
from analysis.results import Finding
from analysis.results_writing import write_findings
from dashboard.cli import main
from fixtures.lapwing.kit import settings_text
from logger.store import open_reader, open_writer, transaction


@pytest.fixture
def settings(tmp_path: Path) -> Path:
    path = tmp_path / "noonmark.toml"
    path.write_text(settings_text("full"), encoding="utf-8")
    return path


def noonmark(settings: Path, *words: str) -> Result:
    return CliRunner().invoke(main, ["hands-on", *words, "--settings", str(settings)])


def standing(settings: Path) -> list[dict[str, str]]:
    found: list[dict[str, str]] = json.loads(noonmark(settings, "--json").stdout)
    return found


@pytest.mark.parametrize(
    ("length", "hours"), [("90min", 1.5), ("2h", 2), ("1h 30m", 1.5), ("1d2h", 26), ("0,5 h", 0.5), (" 45 M ", 0.75)]
)
def test_it_lasts_as_long_as_was_said(settings: Path, length: str, hours: float) -> None:
    done = noonmark(settings, "array.gantry", "--for", length)
    assert done.exit_code == 0, done.stderr
    (one,) = standing(settings)
    start, stop = (dt.datetime.fromisoformat(one[key]) for key in ("start", "stop"))
    assert (stop - start).total_seconds() == pytest.approx(hours * 3600, abs=1)


def test_the_cautions_stand_beside_it_and_the_logbook_knows(settings: Path) -> None:
    done = noonmark(settings, "array.gantry", "cleaning the plug", "--author", "mate")
    assert "Array wires are live in any light" in done.stderr
    assert "Local codes" in done.stderr
    with closing(open_reader(settings.parent / "lapwing.db")) as reader:
        ((author, text, tags),) = reader.execute("SELECT author, text, tags FROM logbook").fetchall()
    assert (author, tags) == ("mate", "hands-on,array.gantry")
    assert text.startswith("array.gantry: hands in it until ")
    assert text.endswith(". cleaning the plug")


def test_a_danger_of_what_hangs_on_it_is_said(settings: Path) -> None:
    """Hands in the array: the joint in its run that may burn comes first, and again when asked again."""
    noonmark(settings, "fan.electrics")
    heat = {"watts_at_full_current": 9.0}
    joint = Finding("loop-resistance", "cable.gantry home run", "unacknowledged", "high", 1, None, "", heat, ())
    with closing(open_writer(settings.parent / "lapwing.db")) as writer, transaction(writer):
        write_findings(writer, [joint], METHOD)
    assert "Fire risk" in noonmark(settings, "array.gantry").stderr
    with closing(open_writer(settings.parent / "lapwing.db")) as writer, transaction(writer):
        write_findings(writer, [replace(joint, state="out-of-service")], METHOD)
    assert "Fire risk" in noonmark(settings, "array.gantry").stderr
    assert "Fire risk" not in noonmark(settings, "array.cabin").stderr


def test_asked_again_it_goes_on_and_it_ends_early(settings: Path) -> None:
    """One stretch, not two; then none, and what was perhaps changed is asked for."""
    noonmark(settings, "bank.house", "--for", "1h")
    noonmark(settings, "bank.house", "--for", "3h")
    (one,) = standing(settings)
    start, stop = (dt.datetime.fromisoformat(one[key]) for key in ("start", "stop"))
    assert (stop - start).total_seconds() == pytest.approx(3 * 3600, abs=60)
    done = noonmark(settings, "bank.house", "--end")
    assert done.exit_code == 0
    assert "every isolator as it was" in done.stderr
    assert standing(settings) == []
    assert noonmark(settings).stdout == "No hands are in any part.\n"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["array.nowhere"], "the settings have no array of that name; there is: cabin, gantry"),
        (["gantry"], "'gantry' is no part of the settings; write for instance array.cabin"),
        (["array.gantry", "--for", "a while"], "write how long, as 2h, 90min or 1d"),
        (["array.gantry", "--for", "0h"], "write how long, as 2h, 90min or 1d"),
        (["array.gantry", "--for", "8d"], "seven days at most"),
        (["array.gantry", "--end"], "no hands are in array.gantry"),
        (["--end"], "--end needs the part"),
    ],
)
def test_nonsense_puts_no_hands_anywhere(settings: Path, words: list[str], said: str) -> None:
    done = noonmark(settings, *words)
    assert done.exit_code == 2, done.output
    assert said in done.stderr
    noonmark(settings, "fan.electrics")
    assert [one["subject"] for one in standing(settings)] == ["fan.electrics"]
