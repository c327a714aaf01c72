"""A time that stands in several columns: year, month, day, and as far as they are there hour, minute and second."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.decoders.csv_proposals import advice
from logger.errors import ImportFault, SettingsError
from logger.plan import Plan
from logger.settings_file import plan, read
from tests.logger.histories import VOLTS, decode, history, time

PARTS = ("Year", "Month", "Day", "Hour", "Minute", "Second")
HOUR_MS = 3_600_000


@given(st.integers(315_619_200, 2_145_830_400), st.integers(3, 6), st.booleans())
def test_the_parts_are_put_together(second: int, many: int, padded: bool) -> None:
    """Every moment, with and without zeros before small numbers, as far as the columns go."""
    moment = dt.datetime.fromtimestamp(second, dt.UTC)
    pattern = "{:02d}" if padded else "{:d}"
    cells = [pattern.format(part) for part in moment.timetuple()[:6]]
    text = ",".join([*PARTS, "v"]) + "\n" + ",".join([*cells, "12.5"]) + "\n"
    told = dt.datetime(*moment.timetuple()[:many], tzinfo=dt.UTC)  # type: ignore[misc]
    found = decode(history(time(PARTS[:many]), VOLTS), text.encode())
    assert found.times == [round(told.timestamp() * 1000)]
    assert found.columns == [[12.5]]


def test_a_typical_year_without_headers_and_with_hours_that_end_at_24() -> None:
    """Weather files of the kind that building programs read: lines of words first, then columns by position, each hour
    stamped at its end, months from several years."""
    rows = "PLACE,A,B\nDATA,1\n1997,1,1,1,60,13\n1997,1,1,24,60,14\n1988,12,31,24,60,15\n"
    when = time((1, 2, 3, 4), zone="-07:00", label="end", interval_ms=HOUR_MS, year=2026)
    volts = history(when, replace(VOLTS, field=6), skip_rows=2)
    begin = 1_767_250_800_000  # 2026-01-01T00:00-07:00
    found = decode(volts, rows.encode())
    assert found.times == [begin, begin + 23 * HOUR_MS, begin + (365 * 24 - 1) * HOUR_MS]
    assert found.columns == [[13.0, 14.0, 15.0]]


def test_a_part_that_is_no_number_is_a_reject_with_its_line() -> None:
    text = "Year,Month,Day,Hour,v\n2024,6,1,12,13.1\n2024,June,1,13,13.2\n2024,6,31,14,13.3\n,,,,\n"
    found = decode(history(time(PARTS[:4]), VOLTS), text.encode())
    assert found.columns == [[13.1]]
    assert [line for line, _ in found.reasons] == [3, 4]
    assert "year, month, day" in advice(time(PARTS[:4]), ["2024-June-01 13:00"])


def test_a_missing_column_of_the_time_is_named() -> None:
    with pytest.raises(ImportFault, match="has no column 'Hour'"):
        decode(history(time(PARTS[:4]), VOLTS), b"Year,Month,Day,v\n2024,6,1,13.1\n")


SETTINGS = """
[site]
name = "Lapwing"
latitude = 47.58
longitude = -2.9
timezone = "Europe/Paris"
moored = "fixed"
[store]
path = "lapwing.db"
[[source]]
name = "weather"
kind = "csv"
path = "weather.csv"
time = { TIME }
[[source.channel]]
field = "GHI"
channel = "irradiance.weather.global"
"""


def test_the_settings_take_a_list_and_hand_it_on(tmp_path: Path) -> None:
    """Through the plan's JSON, which the logger reads."""
    path = tmp_path / "noonmark.toml"
    path.write_text(SETTINGS.replace("TIME", 'field = ["Year", "Month", "Day", "Hour"]'), encoding="utf-8")
    told = plan(read(path))
    again = Plan.from_json(told.to_json())
    assert again == told
    (source,) = again.sources
    assert source.time is not None
    assert source.time.field == PARTS[:4]
    assert json.loads(told.to_json())["sources"][0]["time"]["field"] == list(PARTS[:4])


@pytest.mark.parametrize("told", ['field = ["Year", "Month"]', 'field = ["Y", "M", "D"], format = "%Y %m %d"'])
def test_a_list_that_is_no_date_is_refused(told: str, tmp_path: Path) -> None:
    path = tmp_path / "noonmark.toml"
    path.write_text(SETTINGS.replace("TIME", told), encoding="utf-8")
    with pytest.raises(SettingsError, match=r"names the columns of year, month, day, .* without format"):
        read(path)
