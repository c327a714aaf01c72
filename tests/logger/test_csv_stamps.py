"""Time stamps of history files: published examples, zones, doubled and skipped hours, typical years."""

from __future__ import annotations

import datetime as dt
import zoneinfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.decoders.csv_stamps import Stamps
from logger.readings import AMBIGUOUS, NON_EXISTENT
from logger.zones import zone
from tests.logger.histories import time


def ms(text: str) -> int:
    return round(dt.datetime.fromisoformat(text).timestamp() * 1000)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # RFC 3339 section 5.8, its examples.
        ("1985-04-12T23:20:50.52Z", 482196050520),
        ("1996-12-19T16:39:57-08:00", 851042397000),
        ("1937-01-01T12:00:27.87+00:20", -1041337172130),
        ("1990-12-31T23:59:60Z", 662688000000),  # a leap second; POSIX time calls it the next midnight
        # RFC 3339 section 5.6: t and z may be lower case; a blank may stand for T.
        ("1985-04-12t23:20:50.52z", 482196050520),
        ("1985-04-12 23:20:50.52+00:00", 482196050520),
        # ISO 8601: week and ordinal dates, basic format, 24:00.
        ("2020-W53-5", ms("2021-01-01T00:00Z")),
        ("2000-060", ms("2000-02-29T00:00Z")),
        ("20240601T120000Z", ms("2024-06-01T12:00Z")),
        ("1997-01-01 24:00", ms("1997-01-02T00:00Z")),
        ("2024-06-01T12:00:00,5", ms("2024-06-01T12:00:00.5Z")),
        # Common practice, no source.
        ("2024/6/1 7:05", ms("2024-06-01T07:05Z")),
        ("01.06.2024 12:00", ms("2024-06-01T12:00Z")),
        ("2024-06-01 12:00 AM", ms("2024-06-01T00:00Z")),
        ("2024-06-01 1:05:00 pm", ms("2024-06-01T13:05Z")),
        ("2024-06-01 12:00:00 UTC", ms("2024-06-01T12:00Z")),
        ("2024-06-01", ms("2024-06-01T00:00Z")),
    ],
)
def test_stamps_as_published(text: str, expected: int) -> None:
    """Each form of stamp means the one moment that its standard says."""
    assert Stamps(time()).resolve([text], last=True).times == [expected]


@pytest.mark.parametrize(
    "text",
    ["", "noon", "2024-13-01 00:00", "2024-02-30 00:00", "2024-06-01 25:00", "2024-06-01 24:01", "2024-06-01 12:60",
     "2024-06-01 12:00:61", "2024-06-01 13:00 PM", "2001-366", "2024-06-01 12:00 nonsense", "1717243200"],
)  # fmt: skip
def test_what_is_no_time_is_a_fault_never_now(text: str) -> None:
    """A stamp that is not understood has no time at all."""
    found = Stamps(time()).resolve([text], last=True)
    assert found.times == [None]
    assert found.faults == {0: "time not understood"}


def test_day_and_month_are_never_guessed() -> None:
    """10/11/1996 has two meanings, so it has none until a day after the twelfth decides for the whole file."""
    stamps = Stamps(time())
    assert not stamps.reader.settles(["10/11/1996", "11/11/1996"])
    assert stamps.resolve(["10/11/1996"]).faults == {0: "date may be day-first or month-first; give format"}
    assert stamps.reader.settles(["10/11/1996", "13/11/1996"])
    assert stamps.resolve(["10/11/1996"]).times == [ms("1996-11-10T00:00Z")]
    american = Stamps(time())
    assert american.reader.settles(["10/11/1996", "10/13/1996"])
    assert american.resolve(["10/11/1996"]).times == [ms("1996-10-11T00:00Z")]
    assert american.resolve(["13/11/1996"]).times == [None]


@pytest.mark.parametrize(
    ("pattern", "text", "expected"),
    [
        ("%d/%m/%Y %H:%M", "10/11/1996 06:30", "1996-11-10T06:30Z"),
        ("%m/%d/%Y %H:%M", "10/11/1996 24:00", "1996-10-12T00:00Z"),
        ("%d-%b-%y %H:%M:%S", "01-Jun-24 12:00:05", "2024-06-01T12:00:05Z"),
        ("%Y%m%d%H%M", "202406011205", "2024-06-01T12:05Z"),
        ("%H:%M %d/%m/%Y", "06:30 10/11/1996", "1996-11-10T06:30Z"),
        ("%Y-%m-%dT%H:%M:%S%z", "2024-06-01T12:00:00-0700", "2024-06-01T19:00Z"),
        ("epoch s", "1717243200.25", "2024-06-01T12:00:00.25Z"),
        ("epoch ms", "1717243200250", "2024-06-01T12:00:00.25Z"),
    ],
)
def test_a_given_format_is_obeyed(pattern: str, text: str, expected: str) -> None:
    """The format of the settings reads the stamp, and numbers count from 1970 only when it says so."""
    assert Stamps(time(format=pattern)).resolve([text], last=True).times == [ms(expected)]


NIGHT = [f"2024-10-27 {c}" for c in ("01:45", "02:00", "02:15", "02:30", "02:45")] + [
    f"2024-10-27 {c}" for c in ("02:00", "02:15", "02:30", "02:45", "03:00")
]


def one_by_one(stamps: Stamps, rows: list[str]) -> tuple[list[int | None], list[str]]:
    """Resolve a file that grows by a row at a time; times, and what is still waiting."""
    times: list[int | None] = []
    waiting: list[str] = []
    for row in rows:
        waiting.append(row)
        found = stamps.resolve(waiting)
        times += found.times
        waiting = waiting[found.done :]
    return times, waiting


def test_the_doubled_hour_is_told_by_the_order_of_the_rows() -> None:
    """Ten rows across the autumn change become ten quarter hours, in one piece or row by row, forwards or backwards."""
    expected = [ms("2024-10-26T23:45Z") + k * 900_000 for k in range(10)]
    plan = time(zone="Europe/Berlin")
    found = Stamps(plan).resolve(NIGHT, last=True)
    assert (found.times, found.marks) == (expected, {})
    assert one_by_one(Stamps(plan), NIGHT) == (expected, [])
    backwards = ["2024-10-27 03:30", "2024-10-27 03:15", *reversed(NIGHT)]
    assert Stamps(plan).resolve(backwards, last=True).times[2:] == expected[::-1]
    assert zoneinfo.ZoneInfo("Europe/Berlin").utcoffset(dt.datetime(2024, 10, 28)) == dt.timedelta(hours=1)  # noqa: DTZ001


@pytest.mark.parametrize(
    ("name", "first", "step_min"),
    [
        # The clock goes back by an hour at 02:00, at midnight and at 01:00, and by half an hour at 02:00.
        ("America/New_York", "2024-11-03T04:30Z", 30), ("America/New_York", "2024-11-03T05:00Z", 15),
        ("America/Santiago", "2024-04-07T01:30Z", 30), ("America/Santiago", "2024-04-07T02:15Z", 15),
        ("Australia/Lord_Howe", "2024-04-06T14:15Z", 10), ("America/Havana", "2024-11-03T03:50Z", 5),
    ],
)  # fmt: skip
def test_a_doubled_hour_in_a_file_that_begins_with_its_newest_row(name: str, first: str, step_min: int) -> None:
    """Wherever such a file begins, after the doubled hour or within it, no row gets a wrong moment without a mark."""
    moments = [ms(first) + k * step_min * 60_000 for k in range(30)]
    utc = [dt.datetime.fromtimestamp(t / 1000, dt.UTC) for t in moments]
    clocks = [moment.astimezone(zoneinfo.ZoneInfo(name)).strftime("%Y-%m-%d %H:%M") for moment in utc]
    told = 0
    for count in range(2, 31):
        found = Stamps(time(zone=name)).resolve(clocks[:count][::-1], last=True)
        if not found.marks:
            assert found.times == moments[:count][::-1]
            told += 1
    assert told > 15


def test_hourly_rows_double_too() -> None:
    """Of hourly rows the doubled hour stands twice with the same stamp."""
    rows = [f"2024-10-27 {c}" for c in ("00:00", "01:00", "02:00", "02:00", "03:00")]
    times = Stamps(time(zone="Europe/Berlin")).resolve(rows, last=True).times
    assert times == [ms("2024-10-26T22:00Z") + k * 3_600_000 for k in range(5)]


def test_a_lone_ambiguous_time_is_kept_and_marked() -> None:
    """Where the logger was off for one pass, the earlier reading is kept and the rows are marked."""
    rows = [f"2024-10-27 {c}" for c in ("01:45", "02:00", "02:15", "03:15", "03:30")]
    found = Stamps(time(zone="Europe/Berlin")).resolve(rows, last=True)
    utc = ["2024-10-26T23:45Z", "2024-10-27T00:00Z", "2024-10-27T00:15Z", "2024-10-27T02:15Z", "2024-10-27T02:30Z"]
    assert found.times == [ms(t) for t in utc]
    assert found.marks == {1: AMBIGUOUS, 2: AMBIGUOUS}


def test_a_doubled_hour_waits_for_its_end() -> None:
    """While a growing file may still show the second pass, the rows wait; the end of the file settles them."""
    stamps = Stamps(time(zone="Europe/Berlin"))
    assert stamps.resolve(NIGHT[:4]).times == [ms("2024-10-26T23:45Z")]
    found = stamps.resolve(NIGHT[1:4], last=True)
    assert found.marks == dict.fromkeys(range(3), AMBIGUOUS)


def test_a_skipped_time_is_kept_and_marked() -> None:
    """02:30 of the spring night is what a clock that was not put on shows; it is 03:30."""
    found = Stamps(time(zone="Europe/Berlin")).resolve(["2024-03-31 02:30"], last=True)
    assert (found.times, found.marks) == ([ms("2024-03-31T03:30+02:00")], {0: NON_EXISTENT})


@given(
    name=st.sampled_from(
        ["Europe/Berlin", "America/Denver", "Australia/Lord_Howe", "America/Havana", "Asia/Beirut", "UTC"]
    ),
    start=st.integers(0, 3 * 366 * 24).map(lambda h: 1_640_995_200_000 + h * 3_600_000),
    step=st.sampled_from([1, 5, 10, 15, 30]),
    cuts=st.lists(st.integers(1, 300), max_size=4),
)
def test_local_stamps_come_back(name: str, start: int, step: int, cuts: list[int]) -> None:
    """Unbroken local stamps give back the moments they were made of, across every change, in any pieces.

    Checked against the standard library's zoneinfo, which writes the local time of each moment.
    """
    moments = [start + k * step * 60_000 for k in range(600)]
    here = zoneinfo.ZoneInfo(name)
    rows = [dt.datetime.fromtimestamp(t / 1000, here).strftime("%Y-%m-%d %H:%M") for t in moments]
    lead = [t for t in moments if dt.datetime.fromtimestamp(t / 1000, here).fold]
    if lead and lead[0] - moments[0] < 3_600_000:  # the first pass was not seen whole: no order could tell
        return
    stamps, times, waiting = Stamps(time(zone=name)), [], []
    for begin, end in zip([0, *sorted(cuts)], [*sorted(cuts), len(rows)], strict=True):
        waiting += rows[begin:end]
        found = stamps.resolve(waiting)
        times += found.times
        waiting = waiting[found.done :]
    times += stamps.resolve(waiting, last=True).times
    assert times == moments


@given(st.lists(st.datetimes(dt.datetime(2024, 6, 1), dt.datetime(2024, 6, 2)), max_size=40), st.booleans())  # noqa: DTZ001
def test_what_was_read_before_does_not_matter(moments: list[dt.datetime], halves: bool) -> None:
    """Rows a second apart, with and without AM and PM, mean what each would mean alone."""
    pattern = "%Y-%m-%d %I:%M:%S %p" if halves else "%Y-%m-%d %H:%M:%S"
    stamps = Stamps(time())
    for _ in range(2):
        found = stamps.resolve([moment.strftime(pattern) for moment in moments])
        assert found.times == [ms(moment.strftime("%Y-%m-%dT%H:%M:%SZ")) for moment in moments]


@pytest.mark.parametrize("name", ["UTC-7", "-07:00", "GMT-07:00", "Etc/GMT+7"])
def test_fixed_offsets(name: str) -> None:
    """A fixed offset may be written east of Greenwich, as a sign and hours, or as the IANA list has it."""
    assert Stamps(time(zone=name)).resolve(["2022-01-02 00:01:00"]).times == [ms("2022-01-02T07:01Z")]


@pytest.mark.parametrize("name", ["Berlin", "UTC+25", "+7 h", "", "../etc/passwd"])
def test_no_such_zone(name: str) -> None:
    """What is no zone is refused, with what would be one."""
    with pytest.raises(ValueError, match="IANA"):
        zone(name)


def test_a_typical_year_lies_on_the_year_that_is_given() -> None:
    """Days keep their date in the given year; 29 February of a year without one is a fault."""
    stamps = Stamps(time(year=2026))
    found = stamps.resolve(["1997-03-01 12:00", "1996-02-29 12:00", "1988-12-31 23:00"], last=True)
    assert found.times == [ms("2026-03-01T12:00Z"), None, ms("2026-12-31T23:00Z")]
    assert found.faults == {1: "29 February, which 2026 has not"}
    assert Stamps(time(year=2028)).resolve(["1996-02-29 12:00"]).times == [ms("2028-02-29T12:00Z")]


@given(st.lists(st.datetimes(dt.datetime(1990, 1, 1), dt.datetime(2060, 1, 1)), min_size=1, max_size=30))  # noqa: DTZ001
def test_utc_stamps_keep_their_order(moments: list[dt.datetime]) -> None:
    """UTC stamps of equal precision sort as their times do (RFC 3339 section 5.1)."""
    texts = sorted(moment.strftime("%Y-%m-%dT%H:%M:%S.%fZ") for moment in moments)
    times = [t for t in Stamps(time()).resolve(texts).times if t is not None]
    assert times == sorted(times)
    assert len(times) == len(texts)
