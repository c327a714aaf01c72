"""A file whose stamps nobody can read without being told is answered with the line that tells it."""

from __future__ import annotations

import datetime as dt
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.decoders.csv_dates import StampReader
from logger.decoders.csv_proposals import advice, line, proposed
from logger.plan import TimePlan

PLAIN = TimePlan("time", None, None, "UTC-7", None, "instant", None, None)


def quarters(pattern: str, start: dt.datetime = dt.datetime(2026, 6, 5), n: int = 200) -> list[str]:  # noqa: DTZ001
    return [(start + dt.timedelta(minutes=15 * i)).strftime(pattern) for i in range(n)]


@pytest.mark.parametrize(
    "pattern",
    [
        "%d/%m/%y %H:%M", "%m/%d/%y %I:%M:%S %p", "%Y/%j/%H%M", "%d-%b-%Y %H:%M", "%Y%m%d%H%M%S", "%B %d, %Y %H:%M",
        "%d/%b/%Y:%H:%M:%S +0200", "%Y%j%H%M", "%d.%m.%y %H.%M",
    ],
)  # fmt: skip
def test_what_is_proposed_reads_every_stamp_as_it_was_written(pattern: str) -> None:
    """Two days of quarter hours: whatever is proposed gives back the moments that were written."""
    texts = quarters(pattern)
    (found,) = proposed(texts)
    read = [dt.datetime.strptime(text, found).replace(tzinfo=None) for text in texts]  # noqa: DTZ007
    assert read == [dt.datetime(2026, 6, 5) + dt.timedelta(minutes=15 * i) for i in range(200)]  # noqa: DTZ001


@pytest.mark.parametrize(("scale", "name"), [(1, "epoch s"), (1000, "epoch ms")])
def test_counts_since_1970_are_known_by_their_size(scale: int, name: str) -> None:
    """POSIX time in seconds or milliseconds; a plain small number is no time."""
    assert proposed([str(1_780_617_600 * scale + 900 * i * scale) for i in range(5)]) == [name]
    assert proposed(["12", "13"]) == []


def test_both_orders_are_proposed_where_no_midnight_tells() -> None:
    """A few hours of 05/06/26 may be June or May: the person chooses."""
    assert proposed(quarters("%d/%m/%y %H:%M", n=20)) == ["%d/%m/%y %H:%M", "%m/%d/%y %H:%M"]


def test_the_proposed_line_is_toml_and_keeps_what_the_settings_said() -> None:
    """It can be copied into the settings whole."""
    means = TimePlan(None, 1, 'cl"ock', "Europe/Berlin", None, "end", 900_000, 2026)
    assert tomllib.loads(line(means, "%d/%m/%y %H:%M"))["time"] == {
        "date": 1, "clock": 'cl"ock', "format": "%d/%m/%y %H:%M", "zone": "Europe/Berlin", "label": "end",
        "interval_s": 900, "year": 2026,
    }  # fmt: skip


def test_words_that_are_no_time_get_no_line_but_the_way_to_one() -> None:
    assert "strptime" in advice(PLAIN, ["yesterday", "today"])
    assert advice(PLAIN, []) == ""


@given(st.dates(dt.date(2000, 1, 1), dt.date(2036, 12, 30)), st.sampled_from([1, 5, 10, 15, 30, 60]), st.booleans())
def test_a_midnight_tells_day_from_month(day: dt.date, minutes: int, day_first: bool) -> None:
    """Two days of even steps leave one order alone possible, whatever the date; and it is the right one.

    Where day and month are the same number on both sides no order matters to the reading of the first day, so the
    second day decides.
    """
    start = dt.datetime.combine(day, dt.time())
    pattern = "%d/%m/%Y %H:%M" if day_first else "%m/%d/%Y %H:%M"
    moments = [start + dt.timedelta(minutes=minutes * i) for i in range(2 * 1440 // minutes)]
    reader = StampReader(PLAIN)
    texts = [moment.strftime(pattern) for moment in moments]
    assert reader.settles(texts)
    epoch = dt.datetime(1970, 1, 1)  # noqa: DTZ001
    assert [reader.local(text)[0] for text in texts] == [(m - epoch) // dt.timedelta(milliseconds=1) for m in moments]


def test_readings_once_a_month_are_not_taken_for_days() -> None:
    """Two readings on each first of the month: a month or a day may lie between, so the settings must say."""
    texts = [f"01/{month:02}/2026 {clock}" for month in range(1, 6) for clock in ("09:00", "09:30")]
    assert not StampReader(PLAIN).settles(texts)
