"""The commands `archive` and `export`: what they say, write and refuse."""

from __future__ import annotations

import csv
import io
import json
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from dashboard.cli import main
from fixtures.long_record import Made, make
from logger.clock import SystemClock
from logger.record import Record
from logger.schema import prepare
from logger.sealed import DAY_MS, at_work
from logger.store import open_reader, open_writer, transaction


@pytest.fixture
def made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Made:
    """Five days of two channels, a minute apart, all in the store, a month ago."""
    found = make(tmp_path, 5 / 365.25, 2, 60_000, hot_days=10)
    monkeypatch.setattr(SystemClock, "now_ms", lambda clock: found.stop + 30 * DAY_MS)
    return found


def run(made: Made, *arguments: str) -> Result:
    return CliRunner().invoke(main, [arguments[0], "--settings", str(made.settings), *arguments[1:]])


def samples(made: Made) -> dict[str, tuple[list[int], list[float]]]:
    with closing(open_reader(made.store)) as connection:
        return Record(connection).samples(made.channels, 0, 1 << 52)


def test_archive_says_what_it_sealed(made: Made) -> None:
    """How many days and samples; a second run has nothing to do; the record reads the same."""
    before = samples(made)
    first = run(made, "archive")
    assert first.exit_code == 0
    assert first.output.startswith("Sealed 5 days of samples (14,400) in 0.")
    assert samples(made) == before
    assert run(made, "archive").output == "Nothing to seal: samples of the last 14 days stay in the store.\n"


def test_assess_takes_in_what_came_late_and_what_the_store_lost(made: Made) -> None:
    """A late row of a sealed day is in its hour at once; of a store that is gone the archive's half is there again."""
    run(made, "archive")
    at = made.start + DAY_MS
    with closing(open_writer(made.store)) as connection, transaction(connection):
        connection.execute("INSERT INTO sample SELECT ?, id, 999.0 FROM channel ORDER BY id LIMIT 1", (at + 30_000,))
    assert run(made, "assess").exit_code == 0
    with closing(open_reader(made.store)) as connection:
        assert connection.execute("SELECT max(high) FROM hour WHERE t = ?", (at,)).fetchone() == (999.0,)
    run(made, "archive")
    before = samples(made)
    made.store.unlink()
    prepare(made.store)
    assert run(made, "assess").exit_code == 0
    assert samples(made) == before


def test_assess_refuses_a_span_that_runs_backwards_and_names_an_empty_one(made: Made) -> None:
    """Not "nothing has been judged": other days were."""
    found = run(made, "assess", "--from", "2026-06-19", "--to", "2026-06-18")
    assert found.exit_code == 2
    assert "--to 2026-06-18 lies before --from 2026-06-19" in found.stderr
    assert "No day of that span holds anything to judge" in run(made, "assess", "--from", "2027-01-01").stdout


def test_archive_in_json(made: Made) -> None:
    """Days, months, rows and bytes."""
    told = json.loads(run(made, "archive", "--json").stdout)
    assert told["days"][0] == "2026-06-17"
    assert len(told["days"]) == 5
    assert (told["months"], told["reopened"], told["samples"], told["minutes"]) == ([], [], 14_400, 0)
    assert told["bytes"] == sum(path.stat().st_size for path in (made.store.parent / "archive").iterdir())


def test_archive_without_a_store(made: Made) -> None:
    """It says that there is none, and makes none."""
    made.store.unlink()
    found = run(made, "archive")
    assert found.exit_code == 1
    assert "there is none yet; record or import something first" in found.stderr
    assert not made.store.exists()


def test_a_second_archive_leaves_with_a_message(made: Made) -> None:
    """Exit status 1 and what to do, while another one is at work."""
    with at_work(made.store):
        found = run(made, "archive")
    assert found.exit_code == 1
    assert "at work already; wait for it" in found.stderr


def test_export_of_solar_days(made: Made, tmp_path: Path) -> None:
    """Both days are included, and they are solar days: at 2.9° west they begin 11.6 minutes after UTC's."""
    found = run(made, "export", str(tmp_path / "out.csv"), "--from", "2026-06-18", "--to", "2026-06-19")
    assert found.exit_code == 0, found.output
    assert found.stdout == f"{tmp_path / 'out.csv'}: 2,880 rows\n"
    rows = list(csv.reader((tmp_path / "out.csv").read_text(encoding="utf-8").splitlines()))
    assert rows[0] == ["time [UTC]", "array.side0.current [A]", "array.side0.voltage [V]"]
    assert rows[1][0] == "2026-06-18T00:12:00.000Z"
    assert rows[-1][0] == "2026-06-20T00:11:00.000Z"


def test_export_to_standard_output(made: Made) -> None:
    """A dash writes CSV and nothing else; a moment with its zone ends the span."""
    found = run(
        made, "export", "-", "--channel", "*.voltage", "--resolution", "hour",
        "--from", "2026-06-18T02:00+02:00", "--to", "2026-06-18T03:00Z",
    )  # fmt: skip
    rows = list(csv.reader(io.StringIO(found.stdout)))
    assert [row[0] for row in rows] == ["time [UTC]", *(f"2026-06-18T0{hour}:00:00.000Z" for hour in range(3))]
    assert rows[0][1:] == [
        "array.side0.voltage mean [V]",
        "array.side0.voltage low [V]",
        "array.side0.voltage high [V]",
        "array.side0.voltage n [count]",
    ]
    assert {row[4] for row in rows[1:]} == {"60"}


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("out.csv", "--channel", "bank.*"), "no channel 'bank.*'; it holds array.side0.current, array.side0.voltage"),
        (("out.csv", "--from", "yesterday"), "'yesterday' is no date"),
        (("out.csv", "--to", "2026-06-18T02:00"), "lacks its zone"),
        (("out.csv", "--from", "2026-06-19", "--to", "2026-06-18"), "does not lie after --from 2026-06-19"),
        (("out.csv", "--to", "9999-12-31"), "the record holds no day before 1980 or after 2037"),
        (("out.csv", "--from", "0001-01-01T00:00Z"), "the record holds no day before 1980"),
        (("out.ods",), "say what it is to be by its end: .csv or .parquet"),
        (("there.csv",), "is there already; name another file"),
    ],
)
def test_what_export_refuses(
    made: Made, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...], message: str
) -> None:
    """Exit status 2, a sentence, and no file."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "there.csv").write_text("mine", encoding="utf-8")
    found = run(made, "export", *arguments)
    assert found.exit_code == 2
    assert message in found.stderr
    assert (tmp_path / "there.csv").read_text(encoding="utf-8") == "mine"
    assert not [path for path in tmp_path.glob("out*") if path.suffix != ".db"]


def test_export_and_import_by_command(made: Made, tmp_path: Path) -> None:
    """What `export` wrote `import` takes, though no source in the settings fits it."""
    assert run(made, "export", str(tmp_path / "out.parquet")).exit_code == 0
    before = samples(made)
    for path in (made.store, *made.store.parent.glob("lapwing.db-*")):
        path.unlink()
    found = run(made, "import", str(tmp_path / "out.parquet"))
    assert found.exit_code == 0, found.output
    assert "14400 samples new, 0 unchanged" in found.stdout
    assert samples(made) == before
    assert [len(t) for t, _ in before.values()] == [7200, 7200]
