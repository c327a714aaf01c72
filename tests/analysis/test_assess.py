"""What is new is judged once; judging in steps, again or late comes to the same results."""

from __future__ import annotations

import fcntl
import itertools
import json
import re
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from analysis import trends
from analysis.assess import assess
from analysis.report import verdict
from analysis.results_reading import Results
from fixtures.lapwing.history import history_csv
from fixtures.lapwing.kit import settings_text
from fixtures.lapwing.story import Story
from fixtures.lapwing.vessel import sail
from logger import schema
from logger.archive import Archive
from logger.errors import StoreError
from logger.importing import bring_in, choose
from logger.sealed import DAY_MS, at_work
from logger.settings import Located
from logger.settings_file import plan, read
from logger.store import HOUR_MS, open_reader, open_writer, touch_hours, transaction

NOW = 1_790_000_000_000  # after the story


@pytest.fixture(scope="module")
def lines() -> list[str]:
    """Five days of Lapwing's history: header and rows."""
    story = Story.told(5, healthy=False)
    return history_csv(story, sail(story)).splitlines(keepends=True)


@pytest.fixture
def located(tmp_path: Path) -> Located:
    (tmp_path / "noonmark.toml").write_text(settings_text("full"), encoding="utf-8")
    located = read(tmp_path / "noonmark.toml")
    schema.prepare(located.store_path)
    return located


def bring(located: Located, lines: list[str], name: str = "history.csv") -> None:
    path = located.path.parent / name
    path.write_text("".join(lines), encoding="utf-8")
    ours = plan(located)
    with closing(open_writer(located.store_path)) as connection:
        for file, source in choose(ours, [path], "history"):
            list(bring_in(connection, ours, [(file, source)], NOW))


def results(located: Located) -> dict[str, list[Any]]:
    """Every row of every result table."""
    tables = (
        "assessed", "yield_day", "expected", "state", "loop_resistance", "enclosure_model", "bank_state", "twin_day",
        "storage_day", "ladder",
    )  # fmt: skip
    with closing(open_reader(located.store_path)) as connection:
        found = {t: connection.execute(f"SELECT * FROM {t} ORDER BY 1, 2, 3").fetchall() for t in tables}
        found["finding"] = connection.execute(
            "SELECT rule, subject, state, since, until, evidence FROM finding ORDER BY 1, 2, 4"
        ).fetchall()
    return found


def told(located: Located) -> dict[str, Any]:
    with closing(open_reader(located.store_path)) as connection:
        return verdict(Results(connection), located.settings)


def test_judging_in_steps_comes_to_what_judging_at_once_does(
    located: Located, lines: list[str], tmp_path: Path
) -> None:
    """Import and assess a day and a half at a time, out of order, against one import and one assessment."""
    header, rows = lines[0], lines[1:]
    cuts = [0, 2000, 4100, len(rows)]
    parts = [[header, *rows[a:b]] for a, b in itertools.pairwise(cuts)]
    for i in (0, 2, 1):
        bring(located, parts[i], f"part{i}.csv")
        assess(located)
    (tmp_path / "whole").mkdir()
    (tmp_path / "whole" / "noonmark.toml").write_text(settings_text("full"), encoding="utf-8")
    whole = read(tmp_path / "whole" / "noonmark.toml")
    schema.prepare(whole.store_path)
    bring(whole, lines)
    assess(whole)
    assert results(located) == results(whole)


def test_nothing_new_is_nothing_to_do(located: Located, lines: list[str]) -> None:
    bring(located, lines)
    assert len(assess(located)) == 5
    before = results(located)
    assert assess(located) == []
    assert results(located) == before


def test_late_rows_are_judged_on_their_own_days_alone(located: Located, lines: list[str]) -> None:
    """A missing hour that comes in later touches its day and no other."""
    header, rows = lines[0], lines[1:]
    bring(located, [header, *rows[:2160], *rows[2220:]])
    assess(located)
    bring(located, [header, *rows[2160:2220]], "late.csv")
    assert [day.isoformat() for day in assess(located)] == ["2026-06-07"]


def test_corrected_settings_judge_a_record_of_files_anew(located: Located, lines: list[str]) -> None:
    """Nothing was recorded live, so the file as it stands judges all: a corrected nameplate corrects every day."""
    bring(located, lines)
    assess(located)
    before = told(located)["arrays"][0]
    text = located.text.replace("power = 175", "power = 160").replace("imp = 8.67", "imp = 7.93")
    assert text != located.text
    located.path.write_text(text, encoding="utf-8")
    again = read(located.path)
    assert len(assess(again)) == 5
    after = told(again)["arrays"][0]
    assert after["expected_wh"] == pytest.approx(before["expected_wh"] * 160 / 175, rel=0.005)


def test_a_second_assessment_leaves_with_a_message(located: Located) -> None:
    lock = located.store_path.with_name(located.store_path.name + ".assess")
    with lock.open("w") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        with pytest.raises(StoreError, match="another assessment is at work"):
            assess(located)


def test_a_store_that_is_not_there_is_said_so(tmp_path: Path) -> None:
    (tmp_path / "noonmark.toml").write_text(settings_text("full"), encoding="utf-8")
    with pytest.raises(StoreError, match="there is none yet"):
        assess(read(tmp_path / "noonmark.toml"))


def test_an_empty_record_has_an_empty_verdict(located: Located) -> None:
    """Absent knowledge is null, never 0."""
    assert assess(located) == []
    found = told(located)
    assert (found["from"], found["to"], found["arrays"], found["bank"]) == (None, None, [], None)


def test_a_persons_acknowledgement_outlives_the_next_assessment(located: Located, lines: list[str]) -> None:
    bring(located, lines)
    assess(located)
    with closing(open_writer(located.store_path)) as connection:
        connection.execute("UPDATE finding SET state = 'acknowledged' WHERE state = 'unacknowledged'")
        connection.execute("INSERT INTO stale SELECT max(t) / 3600000 * 3600000, 1 FROM minute")
    assess(located)
    with closing(open_reader(located.store_path)) as connection:
        states = {row[0] for row in connection.execute("SELECT state FROM finding")}
    assert states == {"acknowledged"}


@pytest.fixture
def answer(located: Located, lines: list[str]) -> dict[str, Any]:
    bring(located, lines)
    assess(located)
    return told(located)


def test_the_verdict_holds_the_contracts_keys(answer: dict[str, Any]) -> None:
    """The keys of the contract, days with the same fields, times with Z, and no NaN anywhere."""
    assert set(answer) >= {"site", "from", "to", "method", "arrays", "wiring", "enclosures", "bank", "findings"}
    fields = {
        "measured_wh", "expected_wh", "expected_low_wh", "expected_high_wh", "judged_ratio", "judged_ratio_low",
        "judged_ratio_high", "curtailed_wh", "covered_wh", "performance_ratio", "completeness", "verdict",
    }  # fmt: skip
    for array in answer["arrays"]:
        assert set(array) >= fields | {"name", "days", "ladder"}
        rungs = list(array["ladder"].values())
        assert rungs[0] - sum(rungs[1:-1]) == pytest.approx(rungs[-1], rel=1e-3)
        for day in array["days"]:
            assert set(day) >= fields | {"date", "states"}
            assert sum(day["states"].values()) <= 1440.1
        assert set(array["iec_61724"]) == {"span", "days", "weeks", "months", "seasons"}
        assert array["trend"]["verdict"] == "cannot tell"
        assert 0.0 < array["clear_day_index"] <= 1.1
        # The days' yields are the span's.
        final = array["iec_61724"]["span"]["final_yield_h"]
        assert sum(d["final_yield_h"] for d in array["iec_61724"]["days"].values()) == pytest.approx(final, rel=1e-3)
    storage = answer["storage"]["span"]
    assert storage["net_to_storage_wh"] * storage["net_from_storage_wh"] == 0.0
    assert storage["final_yield_h"] + storage["balance_loss_h"] == pytest.approx(storage["array_yield_h"], abs=1e-3)
    for run in answer["wiring"]:
        assert set(run) >= {"name", "at", "ohm", "ohm_low", "ohm_high", "design_ohm", "loss_wh", "drop_percent"}
        assert run["at"].endswith("Z")
    for box in answer["enclosures"]:
        assert set(box) >= {"name", "peak_c", "limit_c", "thermal_resistance_k_per_w", "fan_gain"}
    for finding in answer["findings"]:
        assert set(finding) >= {
            "rule",
            "subject",
            "state",
            "priority",
            "since",
            "until",
            "summary",
            "evidence",
            "causes",
        }
        assert all(set(c) == {"cause", "probability", "next_check"} for c in finding["causes"])
    json.dumps(answer, allow_nan=False)


def test_results_carry_the_version_of_the_method(located: Located, lines: list[str]) -> None:
    """Rows of another method are judged anew."""
    bring(located, lines)
    assess(located)
    with closing(sqlite3.connect(located.store_path)) as connection, connection:
        connection.execute("UPDATE assessed SET method = 'older' WHERE day = '2026-06-08'")
    assert [day.isoformat() for day in assess(located)] == ["2026-06-08"]


@pytest.mark.parametrize("quarters", [False, True])
def test_the_verdict_is_the_same_after_sealing(located: Located, lines: list[str], quarters: bool) -> None:
    """Judged again from files alone, samples and minutes sealed, every result is what it was, of long means too."""
    if quarters:
        text = located.text.replace("interval_s = 60", "interval_s = 900")
        assert text != located.text
        located.path.write_text(text, encoding="utf-8")
        located = read(located.path)
        lines = [lines[0], *lines[1::15]]
    bring(located, lines)
    assess(located)
    before, verdict_before = results(located), told(located)
    with closing(open_writer(located.store_path)) as connection:
        with at_work(located.store_path):
            done = Archive(connection).seal(14, NOW + 500 * DAY_MS)
        assert len(done.days) >= 5
        assert connection.execute(
            "SELECT (SELECT count(*) FROM sample) + (SELECT count(*) FROM minute)"
        ).fetchone() == (0,)
        with transaction(connection):
            for table in before:
                connection.execute(f"DELETE FROM {table}")
            connection.execute("INSERT INTO stale (hour, seq) SELECT DISTINCT t, 1 FROM hour")
    assess(located)
    assert told(located) == verdict_before
    assert results(located) == before


def test_where_nobody_vouches_for_the_clock_no_array_is_judged(located: Located, lines: list[str]) -> None:
    """The sun is not where it seems to be: such days cannot be told, and count again once the clock is known."""
    bring(located, lines)
    assess(located)
    day = told(located)["arrays"][0]["days"][2]
    assert day["verdict"] != "cannot tell"
    with closing(open_reader(located.store_path)) as connection:
        start, stop = connection.execute("SELECT start, stop FROM assessed WHERE day = ?", (day["date"],)).fetchone()
    with closing(open_writer(located.store_path)) as connection:
        row = ("elsewhere", start, stop, 0, "unknown")
        connection.execute(
            "INSERT INTO session (boot_id, started, stopped, monotonic_ns, clock) VALUES (?, ?, ?, ?, ?)", row
        )
        touch_hours(connection, range(start, stop, HOUR_MS))
    assess(located)
    flagged = told(located)["arrays"][0]["days"]
    assert flagged[2]["verdict"] == "cannot tell"
    assert flagged[2]["measured_wh"] is None
    assert flagged[3]["verdict"] != "cannot tell"
    with closing(open_writer(located.store_path)) as connection:
        connection.execute("UPDATE session SET clock = 'person'")
        touch_hours(connection, range(start, stop, HOUR_MS))
    assess(located)
    assert told(located)["arrays"][0]["days"][2]["verdict"] == day["verdict"]


def test_a_changed_array_begins_a_new_baseline_in_the_store(located: Located, lines: list[str]) -> None:
    """The cabin array was tilted anew on the fourth day: pages and the verdict know it, and its trend begins there."""
    text = located.path.read_text(encoding="utf-8")
    cabin = re.search(r'\[\[array\]\]\nname = "cabin".*?(?=\n\[\[)', text, re.DOTALL)
    assert cabin
    before = cabin[0].replace('name = "cabin"', 'name = "cabin"\nuntil = 2026-06-08')
    after = re.sub(
        r"\ntilt = .*", "\ntilt = 4", cabin[0].replace('name = "cabin"', 'name = "cabin"\nfrom = 2026-06-09')
    )
    located.path.write_text(text.replace(cabin[0], before + "\n" + after), encoding="utf-8")
    changed = read(located.path)
    bring(changed, lines)
    assess(changed)
    with closing(open_reader(changed.store_path)) as connection:
        found = Results(connection)
        (start,) = found.changes()["array.cabin"]
        assert [day.day.isoformat() for day in found.days() if day.start == start] == ["2026-06-09"]
        trend = trends.of_results(found, found.days()[-1].day)["cabin"]
    assert all(point.day.isoformat() >= "2026-06-09" for point in trend.points)
