"""The pages without a browser: what each holds, what it says when something is missing, and what leaves the machine."""

from __future__ import annotations

import datetime as dt
import json
import math
import re
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from plotly.utils import PlotlyJSONEncoder

from analysis.results_reading import Results
from analysis.results_writing import write_findings
from dashboard import app
from dashboard.cli import main
from dashboard.commands.showing import PortTaken, free_port, listening
from logger import hands_on
from logger.schema import prepare
from logger.store import open_reader, open_writer, transaction
from tests.dashboard import story

PATHS = [page.PATH for page in app.PAGES]
NOW = app.story_ms(story.NOW)


def words(piece: Any) -> str:
    """All that a page says, in its order."""
    if isinstance(piece, dict):
        if piece.get("type") == "Store":
            return ""
        return words(piece.get("props", {}).get("children"))
    if isinstance(piece, list):
        return " ".join(filter(None, (words(item) for item in piece)))
    return "" if piece is None else str(piece).replace("\u00a0", " ")


def shown(store: Path, settings: Path, path: str, search: str = "", now: int | None = NOW) -> str:
    page = json.loads(json.dumps(app.page(store, settings, path, search, now), cls=PlotlyJSONEncoder))
    return " ".join(words(page).split())


def figures(store: Path, settings: Path, path: str) -> list[dict[str, Any]]:
    """The figures of a page, in its order."""
    page = json.loads(json.dumps(app.page(store, settings, path, "", NOW), cls=PlotlyJSONEncoder))
    return list(_figures(page))


def _figures(piece: Any) -> Iterator[dict[str, Any]]:
    if isinstance(piece, list):
        for item in piece:
            yield from _figures(item)
    elif isinstance(piece, dict) and piece.get("type") == "Store":
        yield piece["props"]["data"]
    elif isinstance(piece, dict):
        yield from _figures(piece.get("props", {}).get("children"))


# -- what stands on them --------------------------------------------------------------------------------------


def test_now_tells_danger_verdict_acts_and_light_in_this_order(told: story.Story) -> None:
    """The ten-second answer: nothing below the fold comes before what is above it."""
    text = shown(told.store, told.settings, "/")
    order = [
        "Not the weather: the cabin array has given 78 %",
        "Before you touch anything",
        "Fire risk: isolate this run before you leave.",
        "What to do first",
        "Feel each plug of the gantry home run",
        "Array wires are live in any light.",
        "Hold a tissue at the outlet",
        "Look between 15:00 and 19:00",
        "Last light 18 June 22:03, first light again about 06:20.",
        "How low did the bank go? 24.4 V, 10 June 06:12. It was last full 9 June 15:00.",
        "Which array is weak? The cabin array.",
    ]
    places = [text.index(part) for part in order]
    assert places == sorted(places)


def test_harvest_says_where_the_light_went(told: story.Story) -> None:
    """For each array a plain list, read from the top: from the cloudless sky to what reached the bank."""
    said = shown(told.store, told.settings, "/harvest")
    for array in ("cabin", "gantry"):
        _, found, rest = said.partition(f"Where the light of the {array} array went")
        assert found
        assert "of a cloudless sky. Cloud took" in rest
        assert "reached the bank." in rest


def test_the_almanac_has_one_row_a_solar_day(told: story.Story) -> None:
    """Light, noon, could have, got, what held back, and a verdict, for every day and array."""
    text = shown(told.store, told.settings, "/harvest")
    assert "Mon 8 06:20 14:12 22:03 cabin 4,860 Wh 3,181 Wh bank full, 1,646 Wh limited" in text
    assert "snow, 229 Wh covered" in text
    assert text.count("14:12") >= story.DAYS


def test_notes_stand_in_the_margin_of_their_day(told: story.Story) -> None:
    """A notice is named on the day on which it was raised, and on the one on which it ended."""
    text = shown(told.store, told.settings, "/harvest")
    day = text[text.index("Sat 13") : text.index("Sun 14")]
    assert "Gantry home run: bad joint or thin cable, +433 mΩ. notice 2" in day
    assert "Source history: cancelled, notice 1" in text[text.index("Fri 12") : text.index("Sat 13")]


def test_a_run_of_cable_is_read_from_top_to_bottom(told: story.Story) -> None:
    """Stations in the order of the current, milliohms between them."""
    text = shown(told.store, told.settings, "/wiring")
    run = text[text.index("From the gantry array to the bank") :]
    order = ["Gantry array, modules' end", "gantry home run", "546 mΩ measured (538 to 554)", "118 mΩ as drawn",
             "41 W lost at its full 8.7 A", "Gantry controller, array side", "Gantry controller, bank side",
             "no cable drawn in the settings", "House bank"]  # fmt: skip
    places = [run.index(part) for part in order]
    assert places == sorted(places)
    assert (
        "cannot tell: controller.cabin.output_voltage, controller.cabin.output_current and bank.house.voltage" in text
    )


def test_the_box_is_told_with_fan_and_without(told: story.Story) -> None:
    """Peak against limit, K/W both ways, and the trend as figures."""
    text = shown(told.store, told.settings, "/enclosure")
    assert "The fan of the electrics box has made no difference since 14 June." in text
    assert "hottest 45.8 °C of 50 °C, 17 June 16:12" in text
    assert "fan told to run 0.97 K/W (0.93 to 1.01), 18 June" in text
    assert "fan stopped 1.01 K/W (0.97 to 1.05), 18 June" in text
    assert len(figures(told.store, told.settings, "/enclosure")) == 2


def test_findings_are_numbered_notices(told: story.Story) -> None:
    """Number, place, date, what to do, ranked causes with their next check; over means cancelled."""
    text = shown(told.store, told.settings, "/findings")
    notice = text[text.index("No. 3") : text.index("No. 4")]
    for part in (
        "Fan of the electrics box: fan makes no difference, 0.97 K/W, was 0.52",
        "In force since 14 June. See to it soon.",
        "62 % Fan stopped",
        "27 % No supply to the fan",
        "Measure the volts at the fan's plug",
        "explains also: electrics box, box too hot",
    ):
        assert part in notice
    assert text.index("Cancelled and laid aside") < text.index("No. 1")
    assert "Cancelled 12 June 17:24, raised 12 June 15:12." in text


@pytest.mark.parametrize("path", PATHS)
def test_no_page_shows_what_is_not_a_word(told: story.Story, path: str) -> None:
    """No None, no nan, no key of the store in the place of a word."""
    text = shown(told.store, told.settings, path)
    for slip in ("None", "nan", "unacknowledged", "yield-shortfall", "bank-limited", "{", "series-resistance"):
        assert slip not in text


@pytest.mark.parametrize("path", PATHS)
def test_every_figure_keeps_within_its_points(told: story.Story, path: str) -> None:
    """At most 2,000 points a trace."""
    for figure in figures(told.store, told.settings, path):
        assert all(len(trace["y"]) <= 2000 for trace in figure["data"])


def test_an_earlier_span_can_be_turned_to(told: story.Story) -> None:
    """Days before and after are a link away; a date that is none shows the newest."""
    early = shown(told.store, told.settings, "/harvest", "?until=2026-06-08")
    assert "In four days she got" in early
    assert "later days" in early
    assert "later days" not in shown(told.store, told.settings, "/harvest")
    assert shown(told.store, told.settings, "/harvest", "?until=gestern") == shown(
        told.store, told.settings, "/harvest"
    )


def test_the_demo_says_whose_time_it_shows(told: story.Story) -> None:
    """The story's pages say so on each; others never do."""
    assert "These pages show the story's time: it is 18 June 19:05 in them." in shown(
        told.store, told.settings, "/wiring"
    )
    assert "story" not in shown(told.store, told.settings, "/wiring", now=None)
    with pytest.raises(ValueError, match="give its zone"):
        app.create_app(told.store, told.settings, "2026-06-18T12:00")


def test_a_finding_newer_than_the_last_judged_day_is_shown(told: story.Story, tmp_path: Path) -> None:
    """What was raised tonight stands on the page tonight."""
    store = tmp_path / "lapwing.db"
    shutil.copy(told.store, store)
    late = story.sun_day(story.DAYS - 1).stop + story.HOUR
    found = [
        *story.findings(),
        story.Finding("bank-low", "bank.house", "unacknowledged", "high", late, None, "Low.", {}, ()),
    ]
    connection = open_writer(store)
    with transaction(connection):
        write_findings(connection, found, story.METHOD)
    connection.close()
    assert "House bank: bank low" in shown(store, told.settings, "/findings")
    assert "House bank: bank low" not in shown(store, told.settings, "/findings", "?until=2026-06-17")


# -- what is missing ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", PATHS)
def test_without_settings_each_page_says_how_to_write_them(tmp_path: Path, path: str) -> None:
    """No settings file: where it was looked for, and what to do."""
    text = shown(tmp_path / "no.db", tmp_path / "noonmark.toml", path)
    assert text.startswith("There is no settings file yet.")
    assert f"{tmp_path / 'noonmark.toml'}" in text
    assert "noonmark new" in text


@pytest.mark.parametrize("path", PATHS)
def test_wrong_settings_are_listed(tmp_path: Path, path: str) -> None:
    """Every mistake of the file stands on the page."""
    settings = tmp_path / "noonmark.toml"
    settings.write_text(story.SETTINGS.replace("tilt = 3", "tilt = 300").replace('moored = "swinging"', ""), "utf-8")
    text = shown(tmp_path / "no.db", settings, path)
    assert "The settings file holds two mistakes." in text
    assert "tilt" in text
    assert "moored" in text


@pytest.mark.parametrize("path", PATHS)
def test_without_a_store_each_page_says_how_to_begin_one(told: story.Story, tmp_path: Path, path: str) -> None:
    """No store: record or import."""
    text = shown(tmp_path / "no.db", told.settings, path)
    assert text.startswith("There is no record yet.")
    assert "noonmark import" in text


@pytest.mark.parametrize("path", PATHS)
def test_an_empty_store_is_told_from_one_not_judged(told: story.Story, tmp_path: Path, path: str) -> None:
    """Nothing heard, and heard but not judged, are two things with two cures."""
    store = tmp_path / "empty.db"
    prepare(store)
    assert shown(store, told.settings, path).startswith("The record is empty.")
    connection = open_writer(store)
    connection.execute("INSERT INTO channel VALUES (1, 'bank.house.voltage', 'V')")
    connection.execute("INSERT INTO sample VALUES (?, 1, 25.1)", (story.sun_day(2).noon,))
    connection.close()
    text = shown(store, told.settings, path)
    assert text.startswith("Nothing has been judged yet. There is a record until 7 June 14:12")
    assert "noonmark assess" in text


@pytest.mark.parametrize("path", PATHS)
def test_a_damaged_store_is_told_plainly(told: story.Story, tmp_path: Path, path: str) -> None:
    """A file that is no store: no trace of a stack, a plain sentence."""
    store = tmp_path / "bad.db"
    store.write_bytes(b"this is not a database at all" * 400)
    text = shown(store, told.settings, path)
    assert text.startswith("The record cannot be read.")


def test_a_record_of_an_earlier_noonmark_is_not_called_broken(told: story.Story, tmp_path: Path) -> None:
    """A table that a later Noonmark added is not there yet: what brings it up to date is said."""
    store = tmp_path / "older.db"
    shutil.copy(told.store, store)
    with closing(open_writer(store)) as connection:
        connection.execute("DROP TABLE hands_on")
    text = shown(store, told.settings, "/")
    assert text.startswith("An earlier Noonmark wrote this record.")
    assert "noonmark assess" in text


def test_hands_in_a_part_are_told(told: story.Story, tmp_path: Path) -> None:
    """On the first page, with the time at which they come out; none once that is over."""
    store = tmp_path / "worked.db"
    shutil.copy(told.store, store)
    with closing(open_writer(store)) as connection, transaction(connection):
        hands_on.begin(connection, "array.gantry", NOW - 3_600_000, NOW + 3_600_000)
        hands_on.begin(connection, "bank.house", NOW - 7_200_000, NOW - 3_600_000)
    text = shown(store, told.settings, "/")
    assert "Hands are in the gantry array until " in text
    assert "Hands are in the house bank" not in text


def test_the_light_of_a_day_months_later_is_that_days(told: story.Story) -> None:
    """A record of June looked at on 25 November at 47.58° N: the sun sets before five by mean solar time.

    Source: sunset equation with the sun's declination of -20.9° (Astronomical Almanac's low-precision formulae).
    """
    november = round(dt.datetime(2026, 11, 25, 10, 0, tzinfo=dt.UTC).timestamp() * 1000)
    said = shown(told.store, told.settings, "/", now=november)
    half = math.degrees(math.acos(-math.tan(math.radians(story.LATITUDE)) * math.tan(math.radians(-20.9)))) / 15.0
    noon = 12.0 - story.LONGITUDE / 15.0 - 13.1 / 60.0 + 1.0  # equation of time; Paris is an hour ahead
    hour, minute = re.search(r"Last light about 25 November (\d\d):(\d\d)", said).groups()  # type: ignore[union-attr]
    # Refraction and the sun's radius add some six minutes at this latitude.
    assert int(hour) + int(minute) / 60 == pytest.approx(noon + half + 0.1, abs=0.07)


def test_an_unknown_page_keeps_its_manners(told: story.Story) -> None:
    """A mistyped address is no error of the machine's."""
    assert "There is no such page." in shown(told.store, told.settings, "/frobnicate")


def test_a_page_that_fails_takes_no_other_with_it(
    told: story.Story, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A fault is told on the page and logged; nothing hangs."""

    def broken(_self: Results) -> list[str]:
        raise ArithmeticError("a stray result")

    monkeypatch.setattr(Results, "loops", lambda *_: broken(_[0]))
    text = shown(told.store, told.settings, "/wiring")
    assert "This page could not be drawn. ArithmeticError: a stray result." in text
    assert "could not be drawn" in caplog.text
    assert "Three notices are in force" in shown(told.store, told.settings, "/findings")


def test_a_page_never_writes(told: story.Story) -> None:
    """The store stays byte for byte what it was."""
    before = told.store.read_bytes()
    for path in PATHS:
        shown(told.store, told.settings, path)
    assert told.store.read_bytes() == before
    connection = open_reader(told.store)
    try:
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            connection.execute("DELETE FROM finding")
    finally:
        connection.close()


# -- what a browser may load ----------------------------------------------------------------------------------


def test_a_browser_is_told_to_load_nothing_from_elsewhere(told: story.Story) -> None:
    """Each answer carries the policy, and the page names no other machine."""
    client = app.create_app(told.store, told.settings).server.test_client()
    answer = client.get("/")
    policy = answer.headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "http" not in policy
    assert "unsafe-eval" not in policy
    assert "'unsafe-inline'" not in policy.split("style-src")[0]
    assert b"//cdn" not in answer.data
    assert b"https://" not in answer.data
    with client.get("/assets/noonmark.css") as sheet:
        assert "Content-Security-Policy" in sheet.headers


def test_two_apps_in_one_process_do_not_mix(told: story.Story, tmp_path: Path) -> None:
    """Each app shows its own store."""
    bodies = []
    for settings in (told.settings, tmp_path / "none.toml"):
        client = app.create_app(told.store, settings, story.NOW).server.test_client()
        asked = {
            "output": "..page.children...words.children..",
            "outputs": [{"id": "page", "property": "children"}, {"id": "words", "property": "children"}],
            "inputs": [
                {"id": "where", "property": "pathname", "value": "/findings"},
                {"id": "where", "property": "search", "value": ""},
            ],
            "changedPropIds": ["where.pathname"],
        }
        answer = client.post("/_dash-update-component", json=asked)
        assert answer.status_code == 200
        bodies.append(answer.get_data(as_text=True))
    assert "Three notices are in force" in bodies[0]
    assert "There is no settings file yet" in bodies[1]


# -- serving --------------------------------------------------------------------------------------------------


def test_a_taken_port_is_told_with_what_to_do(told: story.Story) -> None:
    """The message names the port and another one; the next free port is found for the demo."""
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        with pytest.raises(PortTaken, match=rf"port {port} on 127\.0\.0\.1 is taken .* --port {port + 1}"):
            listening(app.create_app(told.store, told.settings), port=port)
        assert free_port(port) > port
        ran = CliRunner().invoke(main, ["pages", "--settings", str(told.settings), "--port", str(port)])
    assert ran.exit_code == 1
    assert "is taken by another program" in ran.stderr


def test_the_command_serves_until_told_to_stop(told: story.Story) -> None:
    """The real process says its address, answers there, and ends cleanly at SIGTERM."""
    port = free_port(18_150)
    command = [sys.executable, "-m", "dashboard", "pages", "--settings", str(told.settings), "--port", str(port)]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as process:
        try:
            assert process.stderr is not None
            assert f"http://127.0.0.1:{port}/" in process.stderr.readline()
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=30) as answer:
                assert answer.status == 200
                assert "script-src 'self'" in answer.headers["Content-Security-Policy"]
        finally:
            process.send_signal(signal.SIGTERM)
        assert process.wait(30) == 0
        assert process.stderr.read() == ""


def test_pages_without_settings_are_wrong_usage(tmp_path: Path) -> None:
    """The command needs its settings file, and says how to get one."""
    ran = CliRunner().invoke(main, ["pages", "--settings", str(tmp_path / "none.toml")])
    assert ran.exit_code == 2
    assert "noonmark new" in ran.stderr
