"""History files as they are met: RFC 4180, spreadsheets, power cuts, units rows, headers again, wrong columns."""

from __future__ import annotations

import csv
import gzip
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.decoders.csv_columns import OUT_OF_RANGE
from logger.decoders.csv_records import why_no_text
from logger.decoders.csv_table import CsvTable
from logger.errors import ImportFault
from logger.plan import SourcePlan
from logger.readings import AMBIGUOUS
from tests.logger.histories import AMPS, VOLTS, decode, history, time
from tests.logger.plans import channel

T0 = 1_717_243_200_000  # 2024-06-01T12:00Z
PLAN = history(time(), VOLTS, AMPS)
WORD = channel("w", "controller.cabin.stage", is_text=True)


# -- RFC 4180 section 2, its rules by number ------------------------------------------------------------------


def rfc(text: str) -> list[list[float | str | None]]:
    """Three text columns, the time in a first one."""
    words = [channel(k, f"controller.c{k}.version", is_text=True) for k in (2, 3, 4)]
    rows = "".join(f"2024-06-01T12:0{k}Z,{row}" for k, row in enumerate(text.split("|")))
    return decode(history(time(1), *words, missing=()), rows.encode()).columns


def test_rfc_4180_examples() -> None:
    """The examples of RFC 4180 section 2 read as it says: line breaks, quotes, doubled quotes, empty fields."""
    assert rfc("aaa,bbb,ccc\r\n|zzz,yyy,xxx\r\n") == [["aaa", "zzz"], ["bbb", "yyy"], ["ccc", "xxx"]]
    assert rfc('"aaa","bbb","ccc"\r\n|zzz,yyy,xxx\r\n') == [["aaa", "zzz"], ["bbb", "yyy"], ["ccc", "xxx"]]
    assert rfc('"aaa","b\r\nbb","ccc"\r\n|zzz,yyy,xxx\r\n') == [["aaa", "zzz"], ["b\nbb", "yyy"], ["ccc", "xxx"]]
    assert rfc('"aaa","b""bb","ccc"\r\n') == [["aaa"], ['b"bb'], ["ccc"]]
    assert rfc("a,,c\r\n") == [["a"], [""], ["c"]]


def test_the_last_record_may_lack_its_line_end_where_it_is_surely_whole() -> None:
    """Without a line end a number may be half written; a closing quote or a further separator proves that it is not."""
    head = b"time,v,i,note\n2024-06-01T12:00:00Z,13.1,4.2,a\n"
    assert decode(PLAN, head + b"2024-06-01T12:01:00Z,13.2,4.3,b").columns == [[13.1, 13.2], [4.2, 4.3]]
    last = history(time(), channel("v"), AMPS)
    quoted = decode(last, b'time,v,i\n2024-06-01T12:00:00Z,"13.1","4.2"')
    assert quoted.columns == [[13.1], [4.2]]
    open_end = decode(last, b"time,v,i\n2024-06-01T12:00:00Z,13.1,4")
    assert (open_end.times, open_end.held_back) == ([], b"2024-06-01T12:00:00Z,13.1,4")


# -- cases from the field -------------------------------------------------------------------------------------

SPREADSHEET = (
    "\ufeffZeit;U_bat;I_pv;P_pv\r\n01.06.2024 12:00;13,42;5,10;1.068,4\r\n01.06.2024 12:01;13,44;5,2;1.070,0\r\n"
)


def spreadsheet(**more: object) -> SourcePlan:
    power = channel("P_pv", "array.cabin.power", unit="W", low=-100.0, high=500_000.0)
    current = channel("I_pv", "array.cabin.current", unit="A", low=-5.0, high=1000.0)
    return history(time("Zeit"), channel("U_bat", low=0.0, high=70.0), current, power, **more)


@pytest.mark.parametrize("steps", [(), (1,) * 120, (2, 1, 30, 1, 1)])
def test_a_spreadsheet_export(steps: tuple[int, ...]) -> None:
    """Byte-order mark, semicolons, decimal comma, thousands dot, dotted dates: day first, the right numbers."""
    found = decode(spreadsheet(decimal=","), SPREADSHEET.encode(), steps)
    assert found.columns == [[13.42, 13.44], [5.10, 5.2], [1068.4, 1070.0]]
    assert found.times == [T0, T0 + 60_000]
    assert found.rejects == []


def test_a_wrong_decimal_mark_makes_no_number() -> None:
    """13,42 read with a decimal point is no number, and never 1342."""
    found = decode(spreadsheet(), SPREADSHEET.encode())
    assert found.columns[0] == [None, None]
    assert (2, "not a number for bank.house.voltage") in found.reasons


@pytest.mark.parametrize(
    ("cell", "expected"),
    [("1.068,4", 1068.4), ("1 068,4", 1068.4), ("1\u202f068,4", 1068.4), ("12.345.678", 12345678.0), ("-5,25", -5.25),
     ("1,2E-3", 0.0012), ("1.0", None), ("1.06,4", None), ("1,2,3", None), ("1_0", None)],
)  # fmt: skip
def test_thousands_stand_in_groups_of_three(cell: str, expected: float | None) -> None:
    """With a decimal comma, dots and blanks are thousands marks only where groups of three follow: 1.0 is not ten."""
    power = channel(2, "array.cabin.power", unit="W", low=-1e9, high=1e9)
    found = decode(history(time(1), power, decimal=",", separator=";"), f"2024-06-01T12:00Z;{cell};x\n".encode())
    assert found.columns == [[expected]]
    assert len(found.rejects) == (expected is None)


POWER_CUT = b"time,v,i\n2024-06-01T12:00:00Z,13.1,4.2\n%s2024-06-01T12:02:00Z,13.2,4.3\n2024-06-01T12:03:00Z,13.3,4"


@pytest.mark.parametrize("block", [b"\0" * 16, b"\0" * 16 + b"\n", b"\0" * 300_000, b"\0" * 300_000 + b"\n"])
@pytest.mark.parametrize("steps", [(), (1,) * 100, (50, 7)])
def test_a_power_cut(block: bytes, steps: tuple[int, ...]) -> None:
    """NUL bytes are one reject, the rows around them stay, the open line waits and then comes in once, as 4.4 A."""
    data = POWER_CUT % block
    found = decode(PLAN, data, steps)
    assert (found.times, found.columns) == ([T0, T0 + 120_000], [[13.1, 13.2], [4.2, 4.3]])
    assert [reason for _, reason in found.reasons] == ["NUL bytes"]
    assert found.held_back == b"2024-06-01T12:03:00Z,13.3,4"
    later = decode(PLAN, data + b".4\n", [len(data)])
    assert (later.times[-1], later.columns[1]) == (T0 + 180_000, [4.2, 4.3, 4.4])


def test_nul_inside_a_row_spoils_it() -> None:
    """A row with NUL bytes inside or behind may have lost digits, so none of it is kept."""
    found = decode(PLAN, b"time,v,i\n2024-06-01T12:00:00Z,13.1,4\0\0\n2024-06-01T12:01:00Z,1\x00.1,4\n")
    assert found.times == []
    assert found.reasons == [(2, "NUL bytes"), (3, "NUL bytes")]


def test_a_doubled_hour_reaches_the_marks() -> None:
    """A lone ambiguous time marks each value of its row."""
    data = b"time,v,i\n2024-10-27 02:15,13.1,\n2024-10-27 03:15,13.2,4\n"
    found = decode(history(time(zone="Europe/Berlin"), VOLTS, AMPS), data)
    assert found.marks == {(0, 0): (AMBIGUOUS,)}


# -- dialects -------------------------------------------------------------------------------------------------

ROWS = [("time", "v", "i"), ("2024-06-01T12:00:00Z", "13.1", "4.2"), ("2024-06-01T12:01:00Z", "13.2", "-0.5")]


@pytest.mark.parametrize("separator", [",", ";", "\t", "  ", " \t "])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_separators_line_ends_and_encodings_as_found(separator: str, end: str, encoding: str) -> None:
    """Comma, semicolon, tab and blanks are found, with any line end and the encoding that is given."""
    data = "".join(separator.join(row) + end for row in ROWS).encode(encoding)
    for steps in ((), (1,) * len(data)):
        found = decode(history(time(), VOLTS, AMPS, encoding=encoding), data, steps)
        assert (found.times, found.columns) == ([T0, T0 + 60_000], [[13.1, 13.2], [4.2, -0.5]])


def test_rows_above_the_header_units_below_it_and_the_header_again() -> None:
    """Skipped rows, a row of units and a header that stands again in the middle are no data and no rejects."""
    head = "time,v,i\n,V,A\n"
    data = "logger 7,,\n" + head + "2024-06-01T12:00:00Z,13.1,4.2\n" + head + "2024-06-01T12:01:00Z,13.2,4.3\n\n,,\n"
    found = decode(history(time(), VOLTS, AMPS, skip_rows=1), data.encode())
    assert (found.columns, found.rejects, found.rows) == ([[13.1, 13.2], [4.2, 4.3]], [], 2)


def test_a_new_header_in_the_middle_moves_the_columns() -> None:
    """After an update a device may write other columns: the new header is obeyed from its row on."""
    data = b"time,v,i\n2024-06-01T12:00:00Z,13.1,4.2\nid,i,time,v\n7,4.3,2024-06-01T12:01:00Z,13.2\n"
    for steps in ((), (1,) * len(data)):
        found = decode(PLAN, data, steps)
        assert (found.times, found.columns) == ([T0, T0 + 60_000], [[13.1, 13.2], [4.2, 4.3]])


def test_positions_work_without_a_header_and_with_an_empty_header_cell() -> None:
    """Columns counted from 1 need no header; one that stands there is not data."""
    plan = history(time(1), channel(2), channel(3, "bank.house.current"))
    rows = b"2024-06-01T12:00:00Z,13.1,4.2\n"
    assert decode(plan, rows).columns == decode(plan, b",v,i\n" + rows).columns == [[13.1], [4.2]]


def test_records_of_the_wrong_length_are_reported_not_padded() -> None:
    """A short or long record is a reject with its line; empty cells at the end are no length."""
    data = (
        b"time,v,i\n2024-06-01T12:00:00Z,13.1\n2024-06-01T12:01:00Z,13,2,4,3\n"
        b"2024-06-01T12:02:00Z,13.2,4.3,,\n2024-06-01T12:03:00Z,13.2,4.3\n"
    )
    found = decode(PLAN, data)
    assert found.reasons == [(2, "record too short"), (3, "record too long")]
    assert found.times == [T0 + 120_000, T0 + 180_000]


def test_a_cell_that_is_no_number_costs_only_itself() -> None:
    """The other values of the row are kept, and the reject names channel and line."""
    found = decode(PLAN, b"time,v,i\n2024-06-01T12:00:00Z,oops,4.2\n2024-06-01T12:01:00Z,inf,4.3\nnever,1,2\n")
    assert found.columns == [[None, None], [4.2, 4.3]]
    reason = "not a number for bank.house.voltage"
    assert found.reasons == [(4, "time not understood"), (2, reason), (3, reason)]


def test_missing_words_are_no_values() -> None:
    """The missing words leave a hole without a reject, as text or as the number they are."""
    data = b"time,v,i\n2024-06-01T12:00:00Z,-99.0,\n2024-06-01T12:01:00Z, NaN ,-99\n2024-06-01T12:02:00Z,13.1,1\n"
    found = decode(history(time(), VOLTS, AMPS, missing=("", "NaN", "-99")), data)
    assert (found.columns, found.rejects) == ([[None, None, 13.1], [None, None, 1.0]], [])


def test_units_means_words_and_ranges() -> None:
    """Values are scaled; several fields give the mean of their numbers; words are mapped; odd values are marked."""
    mean = channel(("a", "b", "c"), "bank.house.voltage", scale=0.001, low=0.0, high=70.0)
    stage = channel("w", "controller.cabin.stage", is_text=True, words={"3": "bulk", "5": "float"})
    data = b"time,a,b,c,w\n2024-06-01T12:00Z,12000,,13000,3\n2024-06-01T12:01Z,,,,5\n2024-06-01T12:02Z,71000,,,9\n"
    found = decode(history(time(), mean, stage), data)
    assert found.columns == [[12.5, None, 71.0], ["bulk", "float", None]]
    assert found.marks == {(2, 0): (OUT_OF_RANGE,)}
    assert found.reasons == [(4, "word not known for controller.cabin.stage")]


def test_end_labels_move_to_the_start_and_a_typical_year_stays_on_its_year() -> None:
    """24:00 of 31 December ends the last hour of the year, which starts at 23:00 of the same year."""
    when = time(None, date="d", clock="c", zone="-07:00", label="end", interval_ms=3_600_000, year=2026)
    rows = b"d,c,v\n01/01/1997,01:00,1\n01/13/1997,24:00,2\n12/31/1988,24:00,3\n01/01/1989,00:00,4\n"
    found = decode(history(when, VOLTS), rows)
    begin = 1_767_250_800_000  # 2026-01-01T00:00-07:00
    hour, day = 3_600_000, 86_400_000
    assert found.times == [begin, begin + 13 * day - hour, begin + 365 * day - hour, begin + 365 * day - hour]


def test_a_clock_that_was_not_set_dates_nothing() -> None:
    """Rows from before 1980 or after 2037 are rejects with all that they say; those around them stay."""
    rows = b"time,v,i\n1970-01-01 00:00:05,13,4\n2024-06-01 12:00:00,13.1,4.1\n2070-01-01 00:00:00,14,5\n"
    found = decode(PLAN, rows)
    assert (found.times, found.columns[0]) == ([T0], [13.1])
    assert found.reasons == [(line, "time not believed: before 1980 or after 2037") for line in (2, 4)]


@pytest.mark.parametrize(
    "rows",
    [
        'time;n;v;i\nT0;x;"13,1\n";4,2\nT1;x;13,5;4,3\n',
        'time|n|v|i\nT0|"two\nlines"|13,1|4,2\nT1|"a ""|"" b"|13,5|4,3\n',
        'time;n;v;i\nT0;"two\r\nlines; and more";"13,1";"4,2"\nT1;x;13,5;4,3\n',
    ],
)
def test_line_breaks_in_quotes_keep_the_columns_in_step(rows: str) -> None:
    """A line break within quotes, also in a number's own cell, moves no value into another row."""
    plan = history(time(), VOLTS, AMPS, decimal=",", separator=rows[4])
    data = rows.replace("T0", "2024-06-01 12:00").replace("T1", "2024-06-01 12:01").encode()
    found = decode(plan, data)
    assert (found.times, found.columns) == ([T0, T0 + 60_000], [[13.1, 13.5], [4.2, 4.3]])
    assert found.rejects == []


# -- what stops the whole file ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"date,v,i\n2024-06-01,1,2\n", r"line 1: has no column 'time'; its columns are 'date', 'v', 'i'"),
        (
            b" 12839 MIAMI FL -5 N 25 48\n 6201010100000000\n",
            r"line 1: has no column 'i', .*no tab, semicolon or comma parts this line into columns: '12839 MIAMI .*"
            r"no CSV and must be turned into one first",
        ),
        (b"time,v,v,i\n2024-06-01,1,2,3\n", r"header 'v' stands 2 times; give its position"),
        (b"", "holds no row"),
        (b"\r\n\r\n", "holds no row"),
        (b"time,v,i\n10/11/2024 12:00,1,2\n", r"line 2: '10/11/2024 12:00' may be day-first or month-first.*format"),
        (b"time,v,i\xb0\n2024-06-01,1,2\n", r"line 1: not utf-8 .*encoding = .cp1252."),
        ("time,v,i\n".encode("utf-16"), r"UTF-16; give its source encoding"),
    ],
)
def test_a_file_that_cannot_be_read_says_what_and_where(data: bytes, message: str) -> None:
    """The time is never guessed: a file without its columns, order or encoding stops with a sentence."""
    with pytest.raises(ImportFault, match=message):
        decode(PLAN, data)


TEXT = "time,v,i\n2024-06-01T12:00:00Z,13.1,4.2\n"


@pytest.mark.parametrize(
    ("head", "said"),
    [
        (gzip.compress(TEXT.encode()), "compressed; unpack it"),
        (b"PK\x03\x04 and a workbook", "save the sheet as CSV"),
        (b"SQLite format 3\0 and more", "a database"),
        (TEXT.encode("utf-16-le"), 'encoding = "utf-16-le"'),
        (TEXT.encode("utf-16-be"), 'encoding = "utf-16-be"'),
        (TEXT.encode(), None),
        (TEXT.encode("utf-16"), None),  # its mark says so itself
        (b"\0" * 4096 + TEXT.encode(), None),  # a power cut
        (b"", None),
    ],
)
def test_what_is_no_text_is_told_by_how_it_begins(head: bytes, said: str | None) -> None:
    """What it is and what to do; nothing is said of what the decoder itself can tell."""
    assert (said or "") in (why_no_text(head, "utf-8-sig") or "")
    assert (why_no_text(head, "utf-8-sig") is None) == (said is None)
    assert why_no_text(TEXT.encode("utf-16-le"), "utf-16-le") is None


def test_damage_does_not_swallow_the_rest() -> None:
    """A quote that never closes and an endless line cost themselves alone; memory stays bounded."""
    good = b"2024-06-01T12:01:00Z,13.2,4.3\n"
    open_quote = b'time,v,i\n2024-06-01T12:00:00Z,"13.1,4.2\n' + good * 200
    found = decode(PLAN, open_quote)
    assert found.reasons == [(2, "quote never closed")]
    assert len(found.times) == 200
    endless = b"time,v,i\n" + b"x" * 1_000_000 + b"\n" + good
    found = decode(PLAN, endless, [4096] * 250)
    assert found.reasons == [(2, "line without end")]
    assert found.times == [T0 + 60_000]


def test_undecodable_rows_are_rejects() -> None:
    """A row that is not in the encoding is a reject; the header would stop the file."""
    found = decode(PLAN, b"time,v,i\n2024-06-01T12:00:00Z,13.1,4.2\n2024-06-01T12:01:00Z,13\xff,4.2\n")
    assert found.reasons == [(3, "not utf-8")]


# -- properties -------------------------------------------------------------------------------------------------

fields = st.text(st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"]), max_size=6) | st.sampled_from(
    ['"', ",", "\n", 'a"b', "", " "]
)


@given(
    rows=st.lists(st.tuples(fields, fields), min_size=1, max_size=12), steps=st.lists(st.integers(0, 9), max_size=60)
)
def test_what_a_csv_writer_writes_is_read_back_in_any_pieces(rows: list[tuple[str, str]], steps: list[int]) -> None:
    """Words written by the standard library's csv writer (RFC 4180) come back, however the bytes arrive."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(["time", "w", "x", "end"])
    for k, (w, x) in enumerate(rows):
        writer.writerow([f"2024-06-01T12:{k:02}:00Z", w, x, "."])
    plan = history(time(), WORD, channel("x", "controller.gantry.stage", is_text=True), missing=())
    found = decode(plan, out.getvalue().encode(), steps)
    expected = [[w.strip() for w, _ in rows], [x.strip() for _, x in rows]]
    assert found.columns == expected
    assert found.rejects == []


scraps = [b"2024-06-01T12:00:00Z,13.1,4.2", b"2024-06-01 12:01,1", b"2024-10-27 02:15,1,2\n", b"time,v,i\n", b"x"]
scraps += [b"i,v,time\r\n", b"\0\0", b"\n", b"\r", b"\r\n", b'"', b",", b"\xff", b'5"']
garbage = st.lists(st.sampled_from(scraps), max_size=25)


@given(parts=garbage, steps=st.lists(st.integers(0, 30), max_size=30))
def test_any_pieces_give_the_same(parts: list[bytes], steps: list[int]) -> None:
    """However the bytes of a damaged file arrive, the values and the number of rejects are the same."""
    data = b"time,v,i\n" + b"".join(parts)
    plan = history(time(zone="Europe/Berlin"), VOLTS, AMPS)
    whole, pieces = decode(plan, data), decode(plan, data, steps)
    assert (pieces.times, pieces.columns, pieces.marks) == (whole.times, whole.columns, whole.marks)
    assert sorted(pieces.reasons) == sorted(whole.reasons)
    assert pieces.rows == whole.rows


@given(parts=garbage, stop=st.integers(0, 200))
def test_a_decoder_goes_on_where_another_stopped(parts: list[bytes], stop: int) -> None:
    """State and position at any moment are enough to go on: no row is lost and none comes twice."""
    data = b"time,v,i\n2024-06-01T12:00:00Z,1,2\n" + b"".join(parts)
    plan = history(time(zone="Europe/Berlin"), VOLTS, AMPS)
    first = CsvTable(plan, "x.csv")
    before = first.feed(data[:stop])
    if not first.resumable:
        return
    second = CsvTable(plan, "x.csv", first.state)
    blocks = [before, second.feed(data[first.consumed :]), second.finish()]
    whole = decode(plan, data)
    assert [t for block in blocks for t in block.times] == whole.times
    assert [v for block in blocks for v in block.columns[0]] == whole.columns[0]
