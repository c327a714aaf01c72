"""The demo through the real path: lines, logger, store, analysis; what it finds against what was planted."""

from __future__ import annotations

import datetime as dt
import json
import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.terminal


def played(folder: Path, *words: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """What ``demo --no-serve --json`` prints, and the truth that it leaves."""
    done = subprocess.run(
        [sys.executable, "-m", "dashboard", "demo", "--folder", str(folder), "--no-serve", "--json", *words],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONUTF8": "1"},
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout), json.loads((folder / "truth.json").read_text())


def moment(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text)


def size_at(entry: dict[str, Any], when: str) -> float:
    """The planted size at a moment, between its hourly values [the entry's unit]."""
    times = [moment(t).timestamp() for t, _ in entry["size"]]
    at = moment(when).timestamp()
    after = next(i for i, t in enumerate(times) if t >= at)
    before = max(after - 1, 0)
    span = times[after] - times[before] or 1
    share = (at - times[before]) / span
    return float(entry["size"][before][1] * (1 - share) + entry["size"][after][1] * share)


def test_demo_finds_exactly_what_was_planted(tmp_path: Path) -> None:
    """Three faults, right subjects and first causes, each dated within two days, the joint within 5 % or 5 mΩ."""
    said, truth = played(tmp_path / "demo")
    planted = {(p["rule"], p["subject"]): p for p in truth["planted"]}
    found = {(f["rule"], f["subject"]): f for f in said["findings"]}
    assert found.keys() == planted.keys()
    for key, finding in found.items():
        late = moment(finding["since"]) - moment(planted[key]["onset"])
        assert abs(late) <= dt.timedelta(days=2), key
        assert finding["causes"][0]["cause"] == planted[key]["cause"]
    run = next(w for w in said["wiring"] if w["name"] == "gantry home run")
    true = size_at(planted["loop-resistance", "cable.gantry home run"], run["at"])
    assert abs(run["ohm"] - true) <= max(0.05 * true, 0.005)
    assert all(e["peak_c"] < e["limit_c"] for e in said["enclosures"])
    assert (said["from"], said["to"]) == (truth["from"], truth["to"])


@pytest.mark.parametrize("days", [14, 60])
def test_healthy_demo_finds_nothing(days: int, tmp_path: Path) -> None:
    """No finding in a fortnight or in sixty days, and at most a fifth of the days cannot be told."""
    said, truth = played(tmp_path / "demo", "--healthy", "--days", str(days))
    assert truth["planted"] == []
    assert said["findings"] == []
    for array in said["arrays"]:
        verdicts = [day["verdict"] for day in array["days"]]
        assert len(verdicts) == days
        assert "shortfall" not in verdicts
        assert "covered" not in verdicts
        assert verdicts.count("cannot tell") <= days / 5


def test_bare_kit_gives_no_wrong_verdict(tmp_path: Path) -> None:
    """Without light, box and module end a finding is either one that was planted or none at all."""
    said, truth = played(tmp_path / "demo", "--kit", "bare")
    planted = {(p["rule"], p["subject"]) for p in truth["planted"]}
    assert {(f["rule"], f["subject"]) for f in said["findings"]} <= planted
    assert all(e["thermal_resistance_k_per_w"] is None for e in said["enclosures"])
    for array in said["arrays"]:
        if array["name"] == "gantry":
            assert array["verdict"] in ("cannot tell", "healthy", "limited")


def test_live_minutes_reach_the_store_on_the_storys_time(tmp_path: Path) -> None:
    """Over the lines come readings of every channel, in the last ten minutes before noon's end, none twice."""
    _, truth = played(tmp_path / "demo", "--days", "1", "--healthy")
    with closing(sqlite3.connect(tmp_path / "demo" / "lapwing.db")) as store:
        channels = [name for (name,) in store.execute("SELECT name FROM channel")]
        end = moment(f"{truth['to']}T12:37:00+00:00").timestamp() * 1000
        heard = dict(
            store.execute(
                "SELECT c.name, count(*) FROM sample s JOIN channel c ON c.id = s.channel WHERE s.t >= ? GROUP BY 1",
                (end - 600_000,),
            )
        )
        rejects = store.execute("SELECT source, reason FROM reject").fetchall()
    assert sorted(heard) == sorted(channels)
    assert min(heard.values()) >= 90
    assert {reason for _, reason in rejects} == {"first line after opening"}
