"""A history file whose times cannot be read is answered with the line that lets them be read."""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from pathlib import Path

import pytest

from logger.errors import ImportFault, UsageError
from logger.importing import bring_in, choose
from logger.schema import prepare
from logger.settings_file import plan, read
from logger.store import open_writer

from .test_import import SITE, source

FIELD = '{ field = "time", zone = "UTC-7", label = "start", interval_s = 900 }'
CHANNELS = {'"volts"': "array.cabin.voltage"}
NOW = 1_790_000_000_000


def brought(folder: Path, time: str, file: Path) -> int:
    """Rows that an import finds with this line in the settings."""
    (folder / "noonmark.toml").write_text(SITE + source("old", time, CHANNELS), encoding="utf-8")
    ours = plan(read(folder / "noonmark.toml"))
    prepare(folder / "lapwing.db")
    connection = open_writer(folder / "lapwing.db")
    try:
        (one,) = bring_in(connection, ours, choose(ours, [file]), NOW)
    finally:
        connection.close()
    if one.fault:
        raise ImportFault(one.fault)
    return one.kept.new


def two_days(pattern: str) -> str:
    start = dt.datetime(2026, 6, 5)  # noqa: DTZ001
    stamps = [(start + dt.timedelta(minutes=15 * i)).strftime(pattern) for i in range(192)]
    return "time,volts\n" + "".join(f"{stamp},12.6\n" for stamp in stamps)


@pytest.mark.parametrize("pattern", ["%d/%m/%y %H:%M", "%Y%m%d%H%M%S", "%d-%b-%Y %H:%M"])
def test_the_line_that_is_proposed_brings_the_file_in(tmp_path: Path, pattern: str) -> None:
    """Refused with the reason, the first stamp and the whole line; with that line in the settings every row comes."""
    file = tmp_path / "old.csv"
    file.write_text(two_days(pattern), encoding="utf-8")
    with pytest.raises(UsageError, match=r"line 2: time not understood; '.+' can be read with time = ") as told:
        brought(tmp_path, FIELD, file)
    line = re.search(r"time = (\{.*?\})", str(told.value))
    assert line is not None
    assert tomllib.loads(line[0])["time"]["interval_s"] == 900
    assert brought(tmp_path, line[1], file) == 192


@pytest.mark.parametrize("pattern", ["%d/%m/%Y %H:%M", "%m/%d/%Y %I:%M:%S %p"])
def test_dates_of_two_meanings_come_in_where_a_midnight_tells(tmp_path: Path, pattern: str) -> None:
    """Two days of quarter hours need no format: under the other order they would leap by a month."""
    file = tmp_path / "old.csv"
    file.write_text(two_days(pattern), encoding="utf-8")
    assert brought(tmp_path, FIELD, file) == 192


def test_a_few_hours_of_two_meanings_are_refused_with_both_lines(tmp_path: Path) -> None:
    """Nothing is guessed: both lines are proposed, for the person to choose."""
    file = tmp_path / "old.csv"
    file.write_text("time,volts\n05/06/2026 10:00,12.6\n05/06/2026 10:15,12.6\n", encoding="utf-8")
    with pytest.raises(ImportFault, match=r"may be day-first or month-first.*%d/%m/%Y %H:%M.* or .*%m/%d/%Y %H:%M"):
        brought(tmp_path, FIELD, file)
