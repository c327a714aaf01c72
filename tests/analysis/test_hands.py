"""Hands in a part: what it reads meanwhile judges nothing, its findings rest; then a way left open is told."""

from __future__ import annotations

import datetime as dt
from contextlib import closing
from pathlib import Path

import pytest

from analysis import assess as assessing
from analysis import hands
from analysis.assess import assess
from analysis.results import Finding
from analysis.results_reading import Results
from analysis.rules import array_dead
from fixtures.lapwing.history import history_csv
from fixtures.lapwing.kit import settings_text
from fixtures.lapwing.story import Story
from fixtures.lapwing.vessel import sail
from logger import hands_on, schema
from logger.hands_on import HandsOn
from logger.importing import bring_in, choose
from logger.settings import Located
from logger.settings_file import plan, read
from logger.store import open_reader, open_writer, transaction
from tests.analysis import frames
from tests.analysis.test_array_dead import day
from tests.analysis.test_findings import history

HOUR_MS = 3_600_000
NOW = 1_790_000_000_000  # after the story
SETTINGS = frames.settings()


@pytest.mark.parametrize(
    ("subject", "reached"),
    [
        ("array.a", {"array.a", "cable.run"}),
        ("cable.run", {"cable.run", "array.a"}),
        ("cable.feed", {"cable.feed", "controller.c", "array.a", "cable.run"}),
        ("controller.c", {"controller.c", "array.a", "cable.run", "cable.feed"}),
        ("bank.house", {"bank.house", "controller.c", "array.a", "cable.run", "cable.feed"}),
        ("enclosure.box", {"enclosure.box", "fan.box"}),
        ("fan.box", {"fan.box"}),
    ],
)
def test_what_hangs_on_a_part_rests_with_it(subject: str, reached: set[str]) -> None:
    """A run with what it carries, an array with its controller, all with the bank, a fan with its box; not upwards."""
    assert hands.reach(subject, SETTINGS) == reached


def test_a_source_rests_where_all_that_it_says_does() -> None:
    """One that speaks of the array alone goes; one that speaks of the bank too stays."""

    def source(name: str, *channels: str) -> dict[str, object]:
        said = [{"field": i + 1, "channel": c} for i, c in enumerate(channels)]
        return {"name": name, "kind": "serial", "port": "/dev/ttyUSB0", "channel": said}

    settings = frames.settings(
        source=[
            source("own", "array.a.voltage", "irradiance.a.plane"),
            source("both", "array.a.current", "bank.house.voltage"),
        ]
    )
    assert "source.own" in hands.reach("array.a", settings)
    assert "source.both" not in hands.reach("array.a", settings)


def finding(since: int, until: int | None = None, subject: str = "array.a") -> Finding:
    state = "unacknowledged" if until is None else "returned"
    return Finding("array-dead", subject, state, "high", since, until, "", {}, ())


def test_findings_rest_while_hands_are_in_and_speak_again_afterwards() -> None:
    """In it: out of service, the box's stands. After it: as before. What came and went meanwhile was the work."""
    at = frames.START + 10 * HOUR_MS
    work = [HandsOn("controller.c", at, at + 2 * HOUR_MS)]
    open_ones = [finding(at - HOUR_MS), finding(at - HOUR_MS, subject="enclosure.box")]
    states = [f.state for f in hands.at_rest(open_ones, work, SETTINGS, at + HOUR_MS)]
    assert states == ["out-of-service", "unacknowledged"]
    assert hands.at_rest(open_ones, work, SETTINGS, at + 3 * HOUR_MS) == open_ones
    passing = finding(at + 60_000, at + 2 * HOUR_MS + 60_000)
    assert hands.at_rest([passing], work, SETTINGS, at + 3 * HOUR_MS) == []
    later = finding(at + 60_000, at + 4 * HOUR_MS)
    assert hands.at_rest([later], work, SETTINGS, at + 5 * HOUR_MS) == [later]


def test_an_array_that_stays_dark_after_the_work_is_told_so() -> None:
    """A way may still be open; a dead array that nobody touched says nothing of hands."""
    dead = day(1, minutes=120.0)
    since = dead.features["standstill"]["start"]
    (touched,) = array_dead.found(
        history(array_days=[dead], work=[HandsOn("cable.run", since - 3 * HOUR_MS, since - HOUR_MS)])
    )
    assert "a way may still be open" in touched.summary
    for work in ([], [HandsOn("fan.box", since - 3 * HOUR_MS, since - HOUR_MS)]):
        (alone,) = array_dead.found(history(array_days=[dead], work=work))
        assert "hands" not in alone.summary
        assert "hands_before" not in alone.evidence


@pytest.fixture
def located(tmp_path: Path) -> Located:
    """Three days of Lapwing, judged."""
    story = Story.told(3, healthy=True)
    (tmp_path / "noonmark.toml").write_text(settings_text("full"), encoding="utf-8")
    (tmp_path / "history.csv").write_text(history_csv(story, sail(story)), encoding="utf-8")
    located = read(tmp_path / "noonmark.toml")
    schema.prepare(located.store_path)
    ours = plan(located)
    with closing(open_writer(located.store_path)) as connection:
        for file, source in choose(ours, [tmp_path / "history.csv"], "history"):
            list(bring_in(connection, ours, [(file, source)], NOW))
    assess(located)
    return located


def test_nothing_of_the_work_is_judged(located: Located) -> None:
    """Two hours at noon: no state but "unknown, hands in it", no watt-hour of the array counted, the other untouched;
    ended early, the hours behind are judged again."""
    with closing(open_reader(located.store_path)) as reader:
        sun = Results(reader).days()[1]
        before = {d.array: d for d in Results(reader).array_days(sun.day, sun.day)}
        start, stop = sun.noon - HOUR_MS, sun.noon + HOUR_MS
        minutes = Results(reader).expected("gantry", start - 60_000, stop)
    with closing(open_writer(located.store_path)) as writer, transaction(writer):
        hands_on.begin(writer, "array.gantry", start, stop)
    assert assess(located) == [sun.day]
    with closing(open_reader(located.store_path)) as reader:
        after = {d.array: d for d in Results(reader).array_days(sun.day, sun.day)}
        runs = [r for r in Results(reader).states("gantry", sun.start, sun.stop) if r.state == "unknown"]
    assert [r.evidence for r in runs] == ["hands in it"]
    assert (runs[0].start, runs[0].stop) == pytest.approx((start, stop), abs=60_000)
    assert after["gantry"].known_min == pytest.approx(before["gantry"].known_min - 120, abs=2)
    less = (before["gantry"].measured_wh or 0.0) - (after["gantry"].measured_wh or 0.0)
    assert less == pytest.approx(minutes["measured_w"].sum() / 60, rel=0.02)
    assert after["cabin"] == before["cabin"]

    with closing(open_writer(located.store_path)) as writer, transaction(writer):
        hands_on.end(writer, "array.gantry", start + 60_000)
    assess(located)
    with closing(open_reader(located.store_path)) as reader:
        again = next(d for d in Results(reader).array_days(sun.day, sun.day) if d.array == "gantry")
    assert again.known_min == pytest.approx(before["gantry"].known_min, abs=3)


def test_a_finding_that_rested_is_in_force_again(located: Located, monkeypatch: pytest.MonkeyPatch) -> None:
    """Out of service in the store while hands are in its part, unacknowledged when they are out."""
    now = round(dt.datetime.now(dt.UTC).timestamp() * 1000)
    monkeypatch.setattr(assessing, "RULES", (lambda _: [finding(NOW, subject="array.gantry")],))

    def state() -> str:
        assess(located)
        with closing(open_reader(located.store_path)) as reader:
            return Results(reader).findings()[0].state

    assert state() == "unacknowledged"
    with closing(open_writer(located.store_path)) as writer, transaction(writer):
        hands_on.begin(writer, "array.gantry", now - HOUR_MS, now + HOUR_MS)
    assert state() == "out-of-service"
    with closing(open_writer(located.store_path)) as writer, transaction(writer):
        hands_on.end(writer, "array.gantry", now)
    assert state() == "unacknowledged"
