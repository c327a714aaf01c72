"""`new` asks until the answers make sense and writes what `check` accepts; `check` tells hazards by weight."""

from __future__ import annotations

import json
import os
import pty
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from io import FileIO
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

import fixtures
from dashboard.cli import main
from dashboard.draft import text
from dashboard.questions import Interview
from dashboard.setting_notes import NOTES
from logger.settings import Array, Bank, Cable, Controller, Enclosure, Fan, Module, Site, Store
from logger.settings_file import parse, read

SAMPLE = Path(fixtures.__file__).parent / "settings" / "sample.toml"
MODELS = {
    "site": Site,
    "store": Store,
    "array": Array,
    "module": Module,
    "cable": Cable,
    "controller": Controller,
    "bank": Bank,
    "enclosure": Enclosure,
    "fan": Fan,
}


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Result]:
    monkeypatch.chdir(tmp_path)
    return lambda *words: CliRunner().invoke(main, list(words))


# -- new --------------------------------------------------------------------------------------------------------

# One answer a line, as a person types them: nonsense first where a second try must follow.
ANSWERS = {
    "name": ["Lapwing"],
    "latitude": ["somewhere", "97", "47 34,8 N"],
    "longitude": ["2 54 W"],
    "timezone": ["Paris", "Europe/Paris"],
    "moored": ["floating", "swinging"],
    "coldest_c": ["-8 °C"],
    "hottest_c": ["34"],
    "Is there a battery bank": ["y"],
    "chemistry": ["agm"],
    "nominal_voltage": ["24 V"],
    "capacity_ah": [""],
    "closed box": ["y"],
    "temperature_limit": [""],
    "surroundings": ["cabin", "air.cabin"],
    "Has it a fan": ["y"],
    "watts": ["1,6"],
    "How many arrays": ["2"],
    "power": ["minus", "175"],
    "voc": ["24,3"],
    "isc": ["9.2"],
    "vmp": ["30", "20.2"],
    "imp": ["8.67"],
    "temp_coeff_power": ["0.36", "-0.36"],
    "temp_coeff_voc": ["-0.28"],
    "temp_coeff_isc": [""],
    "cells_in_series": ["36"],
    "substrings": ["1.5", "2"],
    "input_voltage_limit": ["100"],
    "output_current_limit": ["30"],
    "absorption_v": [""],
    "float_v": [""],
    "modules_in_series": ["0", "2", "2"],
    "strings_in_parallel": ["1", "2"],
    "Is that what hangs there": ["n", "y"],
    "tilt": ["3"],
    "azimuth": ["180"],
    "mounting": ["gap"],
    "Do you know the cable": ["y", "n", "n", "n"],
    "length": ["6,5"],
    "area": ["", "6"],
    "conductor": ["aluminium", "class 5 tinned copper"],
    "The same modules": ["y"],
}


def _talk(command: list[str], folder: Path) -> tuple[int, str]:
    """Answer the questions of a real process on a real terminal, each as it is asked; Enter takes a default."""
    left = {question: list(answers) for question, answers in ANSWERS.items()}
    leader, follower = pty.openpty()
    environment = {**os.environ, "TERM": "xterm", "LC_ALL": "C.UTF-8"}
    with os.fdopen(leader, "r+b", buffering=0) as terminal:
        process = subprocess.Popen(
            command, cwd=folder, env=environment, stdin=follower, stdout=follower, stderr=follower
        )
        os.close(follower)
        try:
            said = "".join(_answered(terminal, left))
            return process.wait(), said
        finally:
            process.kill()  # where a question was not understood
            process.wait()


def _answered(terminal: FileIO, left: dict[str, list[str]]) -> Iterator[str]:
    """What the process says, while each of its questions gets its next answer."""
    asked = ""
    while True:
        try:
            piece = terminal.read(1000).decode("utf-8", "replace")
        except OSError:  # the other end is closed
            return
        yield piece
        asked += piece
        question = re.search(r"(?:^|\n)([^\n]*)(?:\]:|:) $", asked)
        if question:
            key = next((k for k in left if left[k] and _asks(question[1], k)), None)
            terminal.write(((left[key].pop(0) if key else "") + "\n").encode())
            asked = ""


def _asks(question: str, key: str) -> bool:
    return question.startswith(key) if key[0].isupper() or " " in key else question.split()[:1] == [key]


@pytest.mark.terminal
def test_a_conversation_ends_in_a_file_that_passes_check(tmp_path: Path) -> None:
    """Nonsense is asked again with its reason, modules that do not fit too; the file holds what was said."""
    status, said = _talk([sys.executable, "-m", "dashboard", "new"], tmp_path)
    assert status == 0, said
    settings = read(tmp_path / "noonmark.toml").settings
    assert (settings.site.latitude, settings.site.longitude) == (47.58, -2.9)
    assert (settings.site.timezone, settings.site.moored, settings.site.coldest_c) == ("Europe/Paris", "swinging", -8)
    assert settings.store.path == "lapwing.db"
    assert [a.name for a in settings.array] == ["cabin", "gantry"]
    assert settings.array[0].module == settings.array[1].module
    assert settings.array[0].module.vmp == 20.2
    assert (settings.array[0].modules_in_series, settings.array[0].strings_in_parallel) == (2, 2)
    assert [(c.carries, c.area) for c in settings.cable] == [("array.cabin", 6)]
    assert settings.controller[0].enclosure == settings.enclosure[0].name == settings.fan[0].enclosure == "electrics"
    assert settings.fan[0].watts == 1.6
    for sentence in (
        "'somewhere' is no position",
        "must be at most 90",
        "did you mean 'Europe/Paris'?",
        'should be "fixed", "swinging" or "under way"',
        'should be "air.PLACE"',
        "'minus' is not a number",
        "That does not fit together: vmp must lie below voc.",
        "must be at most 0",
        "should be a whole number",
        "must be at least 1",
        "In full sun that is 8.7",
        "write class 1, 2, 5 or 6 (IEC 60228)",
    ):
        assert sentence in said.replace("\r\n", "\n"), sentence
    assert [p.name for p in tmp_path.iterdir()] == ["noonmark.toml"]


@pytest.mark.terminal
def test_an_existing_file_is_asked_about_first(tmp_path: Path) -> None:
    """Enter means no, nothing else is asked, and the file stays."""
    (tmp_path / "noonmark.toml").write_text("mine", encoding="utf-8")
    status, said = _talk([sys.executable, "-m", "dashboard", "new"], tmp_path)
    assert status == 2
    assert "exists and is left as it is" in said
    assert (tmp_path / "noonmark.toml").read_text(encoding="utf-8") == "mine"


def test_without_a_terminal_it_says_what_it_needs(run: Callable[..., Result], tmp_path: Path) -> None:
    """Never a question that nobody can answer: exit 2 at once."""
    result = run("new")
    assert result.exit_code == 2
    assert "new asks questions and needs a terminal; without one, --yes writes placeholders" in result.output
    assert list(tmp_path.iterdir()) == []


def test_yes_writes_placeholders_that_pass(run: Callable[..., Result], tmp_path: Path) -> None:
    """The file says that nobody was asked, and is right in form."""
    assert run("new", "--yes", "her.toml").exit_code == 0
    written = (tmp_path / "her.toml").read_text(encoding="utf-8")
    assert "every value below is a placeholder" in written
    assert run("check", "--settings", "her.toml").exit_code == 0
    assert (tmp_path / "her.toml").stat().st_mode & 0o777 == 0o644


def test_yes_never_writes_over_a_file(run: Callable[..., Result], tmp_path: Path) -> None:
    """What is there is left, and the message says what to do."""
    (tmp_path / "noonmark.toml").write_text("mine", encoding="utf-8")
    result = run("new", "--yes")
    assert result.exit_code == 2
    assert "noonmark.toml exists and is left as it is; name another place, or move it aside" in result.output
    assert (tmp_path / "noonmark.toml").read_text(encoding="utf-8") == "mine"


def test_a_folder_that_is_not_there(run: Callable[..., Result]) -> None:
    """Before the first question, not after the last."""
    result = run("new", "--yes", "nowhere/her.toml")
    assert result.exit_code == 2
    assert "there is no folder nowhere" in result.output


@pytest.mark.parametrize("table", MODELS)
def test_every_key_has_its_note(table: str) -> None:
    """Each key of a table is written or shown in a new file with one line of meaning."""
    dated = {"from_", "until"}
    assert set(NOTES[table]) == set(MODELS[table].model_fields) - dated - {"module"}


def test_a_new_file_holds_every_key() -> None:
    """Answered keys stand, all others are comments that show an example."""
    written = text(Interview(placeholders=True).run(), placeholders=True)
    for keys in NOTES.values():
        for key in keys:
            assert re.search(rf"^(# )?{key} = ", written, re.MULTILINE), key
    parse(written)


def test_commented_examples_may_be_uncommented() -> None:
    """Every example in a new file is right when its mark is taken away, the sources too."""
    written = text(Interview(placeholders=True).run())
    parse(re.sub(r"^# ((?:[a-z_]+ = |\[\[).*)$", r"\1", written, flags=re.MULTILINE))


# -- check ------------------------------------------------------------------------------------------------------


def test_check_tells_the_drawing_in_words(run: Callable[..., Result]) -> None:
    """The sample: both sides of each circuit, numbered hazards with what to do, the last line."""
    result = run("check", "--settings", str(SAMPLE))
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert lines[0] == "Lapwing: the settings are in form (two arrays and ten sources); nothing to mend, some to know."
    assert "    array side    17.3 A at 40.4 V; open circuit 48.6 V, short circuit 18.4 A" in lines
    assert "    battery side  28.3 A at 24 V" in lines
    assert " 1. Low. Cabin home run: 0.91 V lost at 17.3 A, 2.3 % of Vmp at Imp (copper at" in lines
    assert "    10 mm² keeps the aim." in lines
    assert lines[-1] == "Local codes and licensed practice come first."
    assert max(map(len, lines[2:])) <= 80


def test_what_no_datasheet_told_is_said_once(run: Callable[..., Result], tmp_path: Path) -> None:
    """With the watts of its modules alone nothing is known of an array's volts and amps."""
    sheet = re.compile(r"^(voc|isc|vmp|imp|temp_coeff_\w+|cells_in_series|substrings) = .*\n", re.MULTILINE)
    bare = tmp_path / "bare.toml"
    bare.write_text(sheet.sub("", SAMPLE.read_text(encoding="utf-8")), encoding="utf-8")
    assert "    array side    not known" in run("check", "--settings", str(bare)).stdout.splitlines()


def _overvolted(folder: Path) -> Path:
    path = folder / "cold.toml"
    path.write_text(
        SAMPLE.read_text(encoding="utf-8").replace("input_voltage_limit = 100", "input_voltage_limit = 80"),
        encoding="utf-8",
    )
    return path


def test_a_danger_stands_first_with_its_caution(run: Callable[..., Result], tmp_path: Path) -> None:
    """Three of 24.3 V at -13 °C pass 80 V: high, number one, never connect."""
    result = run("check", "--settings", str(_overvolted(tmp_path)))
    said = " ".join(result.stdout.split())
    assert result.exit_code == 0
    assert re.search(r"1\. High\. Gantry array: 80\.7 V open circuit on the coldest morning", said)
    assert (
        "Put fewer modules in series, or take a controller with a higher input limit. Do not connect this array" in said
    )


@pytest.mark.parametrize(("priority", "status"), [("high", 3), ("medium", 3), ("low", 3)])
def test_fail_on_ends_with_three(priority: str, status: int, run: Callable[..., Result], tmp_path: Path) -> None:
    """A hazard of that priority or a higher one."""
    assert run("check", "--settings", str(_overvolted(tmp_path)), "--fail-on", priority).exit_code == status


def test_fail_on_lets_lesser_hazards_pass(run: Callable[..., Result]) -> None:
    """The sample has hazards of priority low alone."""
    assert run("check", "--settings", str(SAMPLE), "--fail-on", "medium").exit_code == 0


def test_check_prints_json(run: Callable[..., Result], tmp_path: Path) -> None:
    """The same in a form for programs, numbered alike."""
    result = run("check", "--settings", str(_overvolted(tmp_path)), "--json")
    told = json.loads(result.stdout)
    first = told["hazards"][0]
    assert (first["number"], first["rule"], first["subject"], first["priority"]) == (
        1,
        "string-volts",
        "array.gantry",
        "high",
    )
    assert first["evidence"]["string_v"] == pytest.approx(3 * 24.3 * (1 + 0.0028 * 38))
    assert first["caution"].startswith("Do not connect")
    assert [c["array"] for c in told["circuits"]] == ["cabin", "gantry"]


def test_mistakes_of_form_end_with_two(run: Callable[..., Result], tmp_path: Path) -> None:
    """All of them, on standard error, and nothing on standard output."""
    (tmp_path / "noonmark.toml").write_text('[site]\nname = 3\n[store]\npath = ""\n', encoding="utf-8")
    result = run("check")
    assert result.exit_code == 2
    assert result.stdout == ""
    assert "6 mistakes in the settings" in result.stderr
    assert '6. store, path = "": must not be empty' in result.stderr


def test_a_missing_file_says_what_to_do(run: Callable[..., Result]) -> None:
    """The first thing a new user meets."""
    result = run("check")
    assert result.exit_code == 2
    assert "there is no such file; write one with 'noonmark new', or name it with --settings PATH" in result.stderr
