"""What NMEA 0183 sentences mean, and what is not believed of them."""

from __future__ import annotations

import datetime as dt
import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.decoders.nmea0183 import SentenceDecoder
from logger.decoders.nmea_fields import QUANTITIES, RULE, spelled
from logger.decoders.nmea_times import FLOOR, ROLLOVER, Calendar, clock_ms, date_of
from logger.plan import SourcePlan
from logger.readings import Item, Record, Reject, Remark, TimeEvidence

from .plans import channel, source

LAT, LON, HEADING = "site.position.latitude", "site.position.longitude", "site.attitude.heading"
WIND, AIR, PRESSURE = "air.outside.wind_speed", "air.outside.temperature", "air.outside.pressure"
LONG_AGO = dt.date(1990, 1, 1)


def plan(*fields: tuple[str, str]) -> SourcePlan:
    return source(*(channel(field, name) for field, name in fields), kind="nmea0183")


POSITION = plan(("latitude", LAT), ("longitude", LON))


def sentence(body: str) -> bytes:
    """With its check, worked out here once more: the exclusive or of what stands between $ and *."""
    check = 0
    for byte in body.encode():
        check ^= byte
    return f"${body}*{check:02X}\r\n".encode()


def decode(plan: SourcePlan, *lines: bytes | str, floor: dt.date = LONG_AGO) -> list[Item]:
    decoder = SentenceDecoder(plan, floor)
    stream = b"".join(sentence(line) if isinstance(line, str) else line for line in lines)
    return [*decoder.feed(stream), *decoder.finish()]


def readings(items: list[Item]) -> dict[str, float | str]:
    return {reading.channel: reading.value for item in items if isinstance(item, Record) for reading in item.readings}


def stated(items: list[Item]) -> list[str]:
    epoch = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
    return [
        (epoch + dt.timedelta(milliseconds=item.utc_ms)).isoformat() for item in items if isinstance(item, TimeEvidence)
    ]


def reasons(items: list[Item]) -> list[str]:
    return [item.reason for item in items if isinstance(item, Reject)]


# Sentences in public circulation, each with the checksum that it carries there; positions worked out by hand:
# 4807.038 N = 48 + 7.038/60. The sources are the examples of gpsd's NMEA notes, of pynmea2 and of receivers' manuals.
PUBLISHED = [
    ("GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47", 48.1173, 11.516667, None),
    ("GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A", 48.1173, 11.516667, "1994-03-23T12:35:19"),
    (
        "GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E*68",
        49.274167,
        -123.185333,
        "1994-11-19T22:54:46",
    ),
    ("GPGGA,153903.000,3854.8669,N,09445.3785,W,1,03,2.37,180.1,M,-30.1,M,,*5F", 38.914448, -94.756308, None),
    ("GPRMC,201230.00,A,6026.86949,N,02217.14087,E,0.689,,150722,,,A*72", 60.447825, 22.285681, "2022-07-15T20:12:30"),
    ("GPGLL,5057.970,N,00146.110,E,142451,A*27", 50.966167, 1.7685, None),
]


@pytest.mark.parametrize(("text", "latitude", "longitude", "utc"), PUBLISHED)
def test_published_positions(text: str, latitude: float, longitude: float, utc: str | None) -> None:
    """Degrees and minutes with their hemispheres; UTC where the sentence states a date."""
    items = decode(POSITION, f"${text}\r\n".encode())
    assert readings(items) == pytest.approx({LAT: latitude, LON: longitude}, abs=1e-6)
    assert stated(items) == ([f"{utc}+00:00"] if utc else [])
    assert reasons(items) == []


def test_published_transducers() -> None:
    """Water by position, transducers by type and name, two of one name told by their type.

    The first two are examples of public tools' tests, the third is made for this one.
    """
    fields = plan(
        ("MTW 1", "enclosure.e.temperature"),
        ("XDR C WTHI", AIR),
        ("XDR C ENCL0", "enclosure.electrics.temperature"),
        ("XDR U PV0", "array.cabin.voltage"),
        ("XDR I PV0", "array.cabin.current"),
    )
    items = decode(
        fields,
        b"$YXMTW,17.75,C*26\r\n",
        b"$SDXDR,C,23.15,C,WTHI*70\r\n",
        b"$IIXDR,C,41.5,C,ENCL0,U,35.20,V,PV0,I,4.10,A,PV0*5E\r\n",
    )
    assert readings(items) == {
        "enclosure.e.temperature": 17.75,
        AIR: 23.15,
        "enclosure.electrics.temperature": 41.5,
        "array.cabin.voltage": 35.2,
        "array.cabin.current": 4.1,
    }
    assert len(items) == 3


# As published for a receiver that searches; then the same truth in the other sentences' ways to say it.
@pytest.mark.parametrize(
    "line",
    [
        b"$GPGGA,153845.307,,,,,0,00,,,M,,M,,*72\r\n",
        "GPGGA,153903,3854.8669,N,09445.3785,W,0,03,2.37,180.1,M,-30.1,M,,",
        "GPGGA,153903,3854.8669,N,09445.3785,W,6,03,2.37,180.1,M,-30.1,M,,",
        "GPGGA,153903,3854.8669,N,09445.3785,W,8,03,2.37,180.1,M,-30.1,M,,",
        "GPRMC,123519,V,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W",
        "GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,,,N",
        "GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,,,E",
        "GPGLL,5057.970,N,00146.110,E,142451,V",
        "GPGLL,5057.970,N,00146.110,E,142451,A,S",
        "GNGNS,123519,4807.038,N,01131.000,E,NN,08,0.9,545.4,46.9,,",
    ],
)
def test_no_fix_is_neither_position_nor_time(line: bytes | str) -> None:
    """A receiver that searches, estimates or plays: nothing of it is kept, and it is no fault either."""
    assert decode(plan(("latitude", LAT), ("longitude", LON), ("GGA 6", AIR)), line) == []


@given(st.sampled_from([text for text, *_ in PUBLISHED]), st.data())
def test_one_changed_character_is_never_a_reading(text: str, data: st.DataObject) -> None:
    """Whatever single character is changed between $ and the line's end, the sentence is rejected."""
    place = data.draw(st.integers(1, len(text)))
    line = f"${text}"
    other = data.draw(st.characters(min_codepoint=32, max_codepoint=126).filter(lambda c: c.upper() != line[place]))
    # A change that breaks off the start may leave the end of an address, which is none.
    items = decode(POSITION, (line[:place] + other + line[place + 1 :] + "\r\n").encode())
    assert not [item for item in items if not isinstance(item, Reject)]
    assert items


@pytest.mark.parametrize("text", [text for text, *_ in PUBLISHED])
def test_a_sentence_without_its_check_is_rejected(text: str) -> None:
    """The check is optional in the standard, not here."""
    assert reasons(decode(POSITION, sentence("GPZDA,,,,,,"), f"${text[:-3]}\r\n".encode())) == ["no check"]


def test_a_glued_line_is_cut_where_sentences_begin() -> None:
    """A line end was lost: both sentences count, and what is half between them is a reject of its own."""
    one, two = (f"${text}".encode() for text in (PUBLISHED[4][0], PUBLISHED[0][0]))
    assert len([i for i in decode(POSITION, one + two + b"\r\n") if isinstance(i, Record)]) == 2
    half = decode(POSITION, sentence("GPZDA,,,,,,"), b"$GPRMC,201230.00,A,6026.8" + two + b"\r\n")
    assert readings(half)[LAT] == pytest.approx(48.1173)
    assert [item.raw for item in half if isinstance(item, Reject)] == [b"$GPRMC,201230.00,A,6026.8"]
    after = decode(POSITION, one + b",N,1\r\n")
    assert readings(after) == {}
    assert reasons(after) == ["first line after opening"]


def test_a_line_joined_in_mid_sentence() -> None:
    """The half before the first start is told as such; the whole sentence glued to it counts."""
    items = decode(POSITION, b"1.000,E,1,08*22$" + PUBLISHED[0][0].encode() + b"\r\n")
    assert reasons(items) == ["first line after opening"]
    assert LAT in readings(items)
    assert reasons(decode(POSITION, sentence("GPZDA,,,,,,"), b"boot v1.2\r\n")) == ["not a reading"]


def test_any_talker_and_a_tag_before_it() -> None:
    """Positions of every satellite system; the block in backslashes that a multiplexer puts in front says nothing."""
    for talker in ("GP", "GN", "GL", "GA", "GB", "II", "YX"):
        line = sentence(f"{talker}GLL,5057.970,N,00146.110,E,142451,A")
        assert readings(decode(POSITION, b"\\s:mast,c:1276887010*3A\\" + line))[LAT] == pytest.approx(50.966167)


def test_what_is_for_others_is_no_fault() -> None:
    """Encapsulated, proprietary, unknown and query sentences pass in silence, if their check holds."""
    encapsulated = sentence("AIVDM,1,1,,A,x,0").replace(b"$", b"!")
    assert decode(POSITION, encapsulated, "PXYZ,1,2", "GPABC,1", "CCGPQ,GGA", "GPGSV,1,1,00", "GP,1", "GPGGA") == []
    assert reasons(decode(POSITION, "PXYZ,1", b"!AIVDM,1,1,,A,x,0*00\r\n")) == ["check does not match"]


def test_one_fix_is_one_reading() -> None:
    """A receiver tells each fix in two or three sentences: the first is kept, unless one is asked for by name."""
    fix = [
        "GPRMC,123519.00,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W",
        "GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",
        "GPGLL,4807.038,N,01131.000,E,123519.0,A",
    ]
    later = [line.replace("123519", "123520") for line in fix]
    records = [item for item in decode(POSITION, *fix, *later) if isinstance(item, Record)]
    assert [len(record.readings) for record in records] == [2, 2]
    by_name = decode(plan(("GPGGA latitude", LAT)), *fix, *later, later[1].replace("GPGGA", "GLGGA"))
    assert len([item for item in by_name if isinstance(item, Record)]) == 2


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ("GPGLL,5057.970,,00146.110,E,142451,A", "latitude"),
        ("GPGLL,5060.970,N,00146.110,E,142451,A", "latitude"),
        ("GPGLL,9057.970,N,00146.110,E,142451,A", "latitude"),
        ("GPGLL,50x7.970,N,00146.110,E,142451,A", "latitude"),
        ("GPGLL,5057.970,E,00146.110,E,142451,A", "latitude"),
        ("GPGLL,5057.970,N,18146.110,E,142451,A", "longitude"),
        ("GPGLL,5057.970,N,1e2,E,142451,A", "longitude"),
    ],
)
def test_a_position_that_is_none_is_told(body: str, said: str) -> None:
    """The check holds, so the device itself sends nonsense: the other half is kept, this one is a reject."""
    items = decode(POSITION, body)
    assert [reason.split()[0] for reason in reasons(items)] == [said]
    assert len(readings(items)) == 1


# Deviation and variation east are added to the compass: true = compass + deviation + variation.
HEADINGS = [
    (["HEHDT,123.4,T"], 123.4),
    (["HETHS,123.4,A"], 123.4),
    (["HETHS,123.4,E"], 123.4),
    (["HETHS,123.4,V"], None),
    (["HETHS,123.4,S"], None),
    (["HCHDG,101.1,,,7.1,W"], 94.0),
    (["HCHDG,101.1,2.0,E,7.1,W"], 96.0),
    (["HCHDG,101.1,2.0,W,7.1,E"], 106.2),
    (["HCHDG,2.0,,,7.0,W"], 355.0),
    (["HCHDG,358.0,,,7.0,E"], 5.0),
    (["HCHDG,101.1,,,,"], None),
    (["GPRMC,123519,A,4807.038,N,01131.000,E,0,0,230394,003.1,W", "HCHDG,101.1,,,,"], 98.0),
    (["GPRMC,123519,V,,,,,,,230394,003.1,W", "HCHDG,101.1,,,,"], None),
    (["HCHDM,101.1,M"], None),
    (["HEHDT,,T"], None),
]


@pytest.mark.parametrize(("bodies", "expected"), HEADINGS)
def test_headings_are_true(bodies: list[str], expected: float | None) -> None:
    """A magnetic heading counts with its variation alone, its own or the receiver's; without one it is no heading."""
    items = decode(plan(("heading", HEADING)), *bodies)
    assert readings(items) == ({} if expected is None else {HEADING: pytest.approx(expected)})
    assert reasons(items) == []


@pytest.mark.parametrize(
    "body", ["HEHDT,12x,T", "HEHDT,nan,T", "HEHDT,1_0,T", "HCHDG,101.1,2.0,,7.1,W", "HCHDG,1,,,7.1,N"]
)
def test_a_heading_that_is_none_is_told(body: str) -> None:
    """Strict numbers, and signs that are signs."""
    items = decode(plan(("heading", HEADING)), body)
    assert readings(items) == {}
    assert len(reasons(items)) == 1


def test_a_compass_mounted_askew() -> None:
    """An offset in the settings keeps the heading on the rose."""
    askew = source(channel("heading", HEADING, offset=10.0), kind="nmea0183")
    assert readings(decode(askew, "HEHDT,355.0,T")) == {HEADING: 5.0}


def test_attitude() -> None:
    """Heel and pitch of an attitude sensor, by the names in common use; other angles only where mapped."""
    attitude = plan(("heel", "site.attitude.heel"), ("pitch", "site.attitude.pitch"))
    body = "IIXDR,A,-3.5,D,PTCH,A,12.1,D,ROLL,A,99,D,MAST"
    assert readings(decode(attitude, body)) == {"site.attitude.heel": 12.1, "site.attitude.pitch": -3.5}
    assert readings(decode(plan(("XDR A MAST", "site.attitude.heel")), body)) == {"site.attitude.heel": 99.0}


# The knot is 1852 m an hour, the mile 1609.344 m, the inch of mercury 3386.389 Pa (NIST SP 811).
@pytest.mark.parametrize(
    ("body", "expected"),
    [
        ("WIMWD,131.5,T,128.6,M,10.0,N,5.1,M", {WIND: 5.1}),
        ("WIMWD,131.5,T,128.6,M,10.0,N,,", {WIND: 5.144444}),
        ("WIMWV,214.8,T,10.0,N,A", {WIND: 5.144444}),
        ("WIMWV,214.8,T,36.0,K,A", {WIND: 10.0}),
        ("WIMWV,214.8,T,5.5,M,A", {WIND: 5.5}),
        ("WIMWV,214.8,R,5.5,M,A", {}),
        ("WIMWV,214.8,T,5.5,M,V", {}),
        ("IIVWR,75,R,10.0,N,5.1,M,18.5,K", {}),
        ("WIMTA,-4.5,C", {AIR: -4.5}),
        ("WIMDA,30.2269,I,1.0236,B,17.7,C,,,43.3,,5.0,C,131.5,T,128.6,M,0.8,N,0.4,M", {PRESSURE: 102360, AIR: 17.7}),
        ("WIMDA,30.2269,I,,,,,,,,,,,,,,,,,,", {PRESSURE: 102360.04}),
    ],
)
def test_weather(body: str, expected: dict[str, float]) -> None:
    """True wind alone, in metres a second; air in degrees Celsius and pascals."""
    fields = plan(("wind_speed", WIND), ("air_temperature", AIR), ("pressure", PRESSURE))
    items = decode(fields, body)
    assert readings(items) == pytest.approx(expected, abs=1e-2)
    assert reasons(items) == []


def test_transducers_in_other_units() -> None:
    """Fahrenheit, kelvin and bar by their letter; a transducer without a name by its type alone."""
    fields = plan(("XDR C A", AIR), ("XDR C B", "air.cabin.temperature"), ("XDR P", PRESSURE))
    items = decode(fields, "WIXDR,C,50.0,F,A,C,283.15,K,B,P,1.0132,B,,H,5")
    assert readings(items) == pytest.approx({AIR: 10.0, "air.cabin.temperature": 10.0, PRESSURE: 101320.0})


# -- time --------------------------------------------------------------------------------------------------------


def rmc(clock: str, date: str) -> str:
    return f"GPRMC,{clock},A,4807.038,N,01131.000,E,,,{date},,,A"


def gga(clock: str) -> str:
    return f"GPGGA,{clock},4807.038,N,01131.000,E,1,08,0.9,,M,,M,,"


def test_a_clock_without_a_date_takes_the_last_and_rolls_it() -> None:
    """Over midnight, both ways, and over the leap second of 31 December 2016 (IERS Bulletin C 52)."""
    items = decode(POSITION, rmc("235958", "311216"), gga("235959"), gga("235960"), gga("000000"), gga("000001"))
    assert [text[:19] for text in stated(items)] == [
        *("2016-12-31T23:59:58", "2016-12-31T23:59:59", "2017-01-01T00:00:00"),
        *("2017-01-01T00:00:00", "2017-01-01T00:00:01"),
    ]
    late = decode(POSITION, rmc("000000.00", "010117"), "GPGLL,5057.970,N,00146.110,E,235959.50,A")
    assert stated(late)[-1] == "2016-12-31T23:59:59.500000+00:00"


def test_days_of_clocks_without_a_date() -> None:
    """Three days on the one date that was heard at the start."""
    clocks = [f"{n // 3600 % 24:02d}{n // 60 % 60:02d}00" for n in range(12 * 3600, 84 * 3600, 300)]
    items = decode(POSITION, rmc("115900", "280224"), *(gga(clock) for clock in clocks))
    assert stated(items)[-1] == "2024-03-02T11:55:00+00:00"
    assert len(stated(items)) == 1 + len(clocks)


@pytest.mark.parametrize(
    "between",
    [[], ["GPGGA,,,,,,0,00,,,M,,M,,"], ["GPRMC,000000,V,,,,,,,,,"]],
    ids=["silence", "no fix", "void"],
)
def test_a_date_is_not_carried_over_a_silence(between: list[str]) -> None:
    """After hours of silence, or a search for satellites, the date may be another."""
    items = decode(POSITION, rmc("120000", "280224"), *between, gga("120001" if between else "180000"))
    assert stated(items) == ["2024-02-28T12:00:00+00:00"]


def test_an_opening_forgets_the_date() -> None:
    """The line may have been away for a week."""
    decoder = SentenceDecoder(POSITION, LONG_AGO)
    decoder.feed(sentence(rmc("120000", "280224")))
    decoder.opened()
    assert not [i for i in decoder.feed(sentence(gga("120001"))) if isinstance(i, TimeEvidence)]


def test_a_date_alone_may_come_before_the_fix() -> None:
    """ZDA tells no status: it counts once a fix stands behind it, or where no sentence ever tells one."""
    zda = "GPZDA,120000.00,28,02,2024,00,00"
    assert stated(decode(POSITION, zda)) == []
    assert stated(decode(POSITION, zda, zda)) == ["2024-02-28T12:00:00+00:00"]
    assert stated(decode(POSITION, zda, "GPGLL,,,,,,V", zda, zda)) == []
    assert len(stated(decode(POSITION, "GPGLL,5057.970,N,00146.110,E,120000,A", zda))) == 1


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        ("120000,28,02,2024", ["2024-02-28T12:00:00+00:00"]),
        ("120000.00,28,02,2024,,", ["2024-02-28T12:00:00+00:00"]),
        ("120000,28,02", []),
        ("120000,30,02,2024", []),
        ("120000,28,02,9999", []),
        ("120000,,,", []),
        (",28,02,2024", []),
    ],
)
def test_a_date_sentence_may_leave_out_its_zone(data: str, expected: list[str]) -> None:
    """It is UTC whatever zone is added; without day, month, year and clock it states nothing."""
    assert stated(decode(POSITION, "GPGLL,5057.970,N,00146.110,E,120000,A", f"GPZDA,{data}")) == expected


def test_a_receiver_a_thousand_weeks_behind() -> None:
    """12 June 2026 less 1024 weeks is 27 October 2006: moved forward, and told once.

    The week is sent in ten bits; 21 August 1999 and 6 April 2019 were the ends of such cycles (announcements of the
    United States' government of 2019), 1024 weeks apart.
    """
    assert dt.date(1999, 8, 21) + ROLLOVER == dt.date(2019, 4, 6)
    items = decode(POSITION, rmc("120000", "271006"), rmc("120001", "271006"), gga("120002"), floor=FLOOR)
    assert [text[:19] for text in stated(items)] == [f"2026-06-12T12:00:0{n}" for n in range(3)]
    (remark,) = (item for item in items if isinstance(item, Remark))
    assert remark.kind == "week rollover"
    assert "2006-10-27" in remark.text
    assert "1024 weeks" in remark.text


def test_two_cycles_behind() -> None:
    """A receiver of the last century: 2048 weeks, for instance 13 March 1987 for 12 June 2026."""
    assert stated(decode(POSITION, rmc("120000", "130387"), floor=FLOOR)) == ["2026-06-12T12:00:00+00:00"]


@pytest.mark.parametrize("date", ["150722", "311225", "310226", "000000", "", "1502", "010150"])
def test_a_date_that_cannot_be_is_no_time(date: str) -> None:
    """A few years before the floor no rollover explains; the position is still one."""
    items = decode(POSITION, rmc("120000", date), floor=FLOOR)
    assert stated(items) == []
    assert LAT in readings(items)
    assert not [item for item in items if isinstance(item, Remark)]


@pytest.mark.parametrize("text", ["240000", "126000", "120060", "235961", "12", "12000x", "-10000", "120000,5", ""])
def test_clocks_that_are_none(text: str) -> None:
    """Sixty seconds stand at 23:59 UTC alone (ITU-R TF.460-6)."""
    assert clock_ms(text) is None


def test_fractions_of_a_second() -> None:
    """As many digits as the receiver likes, down to the millisecond."""
    assert [clock_ms(text) for text in ("000001", "000001.", "000001.5", "000001.0625")] == [1000, 1000, 1500, 1062]


@given(st.datetimes(dt.datetime(2026, 1, 1), dt.datetime(2037, 1, 1)), st.integers(0, 2))  # noqa: DTZ001
def test_every_time_after_the_floor_is_stated_as_it_is(moment: dt.datetime, cycles: int) -> None:
    """On time or one or two cycles behind: the same UTC, and how far it was behind."""
    behind = moment - cycles * ROLLOVER
    date, clock = date_of(behind.strftime("%d%m%y")), clock_ms(behind.strftime("%H%M%S.%f"))
    assert date
    assert clock is not None
    utc, moved = Calendar().dated(date, clock)
    assert moved == cycles * ROLLOVER
    assert utc == round(
        (moment.replace(tzinfo=dt.UTC, microsecond=moment.microsecond // 1000 * 1000)).timestamp() * 1e3
    )


# -- whatever may come -------------------------------------------------------------------------------------------

EVERYTHING = plan(
    *((name, f"air.outside.{name}") for name in QUANTITIES if name != "heading"),
    ("heading", HEADING),
    ("XDR C A", "air.cabin.temperature"),
    ("RMC 7", "bank.house.current"),
    ("MTW 1", "bank.house.voltage"),
)
KINDS = [
    "RMC",
    "GGA",
    "GLL",
    "GNS",
    "ZDA",
    "HDT",
    "HDG",
    "THS",
    "XDR",
    "MWD",
    "MWV",
    "MTA",
    "MDA",
    "MTW",
    "VWR",
    "GSV",
    "RTE",
    "ALM",
]
FIELDS = st.one_of(
    st.sampled_from(["", "A", "V", "N", "E", "T", "C", "M", "1", "4807.038", "01131.000", "120000", "280224", "-1.5"]),
    st.text(st.characters(min_codepoint=32, max_codepoint=126, exclude_characters="$!*,"), max_size=12),
)
BODIES = st.builds(
    lambda talker, kind, fields: ",".join([talker + kind, *fields]),
    st.sampled_from(["GP", "II", "P", ""]),
    st.sampled_from(KINDS),
    st.lists(FIELDS, max_size=24),
)
PIECES = st.one_of(BODIES.map(sentence), BODIES.map(lambda body: sentence(body)[:-2]), st.binary(max_size=30))


@given(st.lists(PIECES, max_size=12), st.data())
def test_any_chunking_gives_the_same_items_and_nothing_is_raised(pieces: list[bytes], data: st.DataObject) -> None:
    """Sentences with any field, glued, cut, between noise: the same items however they arrive, every value a number."""
    stream = b"".join(pieces)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=12)))
    whole, cut = SentenceDecoder(EVERYTHING), SentenceDecoder(EVERYTHING)
    expected = [*whole.feed(stream), *whole.finish()]
    chunks = [stream[a:b] for a, b in itertools.pairwise([0, *cuts, len(stream)])]
    assert [*(item for chunk in chunks for item in cut.feed(chunk)), *cut.finish()] == expected
    assert all(abs(float(value)) < float("inf") for value in readings(expected).values())


@given(st.floats(-89.99, 89.99), st.floats(-179.99, 179.99))
def test_every_position_survives(latitude: float, longitude: float) -> None:
    """Degrees to degrees and minutes and back, to the last of six decimals of a minute: a third of a centimetre."""

    def written(value: float, digits: int, sides: str) -> str:
        minutes = round(abs(value) * 60_000_000)
        degrees, rest = divmod(minutes, 60_000_000)
        return f"{degrees:0{digits}d}{rest // 1_000_000:02d}.{rest % 1_000_000:06d},{sides[value < 0]}"

    body = f"GPGLL,{written(latitude, 2, 'NS')},{written(longitude, 3, 'EW')},142451,A"
    assert readings(decode(POSITION, body)) == pytest.approx({LAT: latitude, LON: longitude}, abs=1e-8)


# -- the spelling in the settings ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text", [*QUANTITIES, "GGA latitude", "GPGGA latitude", "XDR C WTHI", "XDR U a b#1", "XDR C", "IIXDR C X", "MTW 1"]
)
def test_fields_are_spelled(text: str) -> None:
    """Quantities, sentences, talkers, transducers, positions."""
    field = spelled(text)
    assert text.endswith(field.what)


@pytest.mark.parametrize(
    "text", ["", "Latitude", "gga latitude", "GGA", "GGA 0", "GGA x", "XDR", "XDR CC", "MTW C X", "XDR C A,B"]
)
def test_what_is_no_field_gets_the_rule(text: str) -> None:
    """One sentence that says what may be written."""
    with pytest.raises(ValueError, match="write one of latitude") as fault:
        spelled(text)
    assert str(fault.value) == RULE
