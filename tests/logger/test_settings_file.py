"""Mistakes in the settings are told all at once, each with key, value, rule and an example."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import event, given
from hypothesis import strategies as st

from logger import settings_file
from logger.errors import SettingsError
from logger.plan import Plan
from logger.settings import Array, Cable, Module, Settings, Site, Source, SourceChannel, TimeColumn
from logger.settings_file import parse, plan, read
from logger.settings_mistakes import shown

BASE = """
[site]
name = "Lapwing"
latitude = 47.58
longitude = -2.90
timezone = "Europe/Paris"
moored = "swinging"
[store]
path = "lapwing.db"
"""
ARRAY = """
[[array]]
name = "cabin"
modules_in_series = 2
strings_in_parallel = 2
tilt = 3
azimuth = 180
[array.module]
power = 175
"""
SERIAL = """
[[source]]
name = "s"
kind = "serial"
port = "/dev/ttyUSB0"
"""
CSV = """
[[source]]
name = "s"
kind = "csv"
path = "x.csv"
"""
ENTRY = """
[[source.channel]]
field = 1
channel = "irradiance.horizontal.global"
"""


def problems(text: str) -> list[str]:
    with pytest.raises(SettingsError, match=r"^settings: \d+ mistakes? in the settings") as fault:
        parse(text)
    return list(fault.value.problems)


# -- one mistake, one sentence ------------------------------------------------------------------------------------

FORM = {
    "missing key": (
        BASE.replace("latitude = 47.58\n", "") + SERIAL + ENTRY,
        "site, latitude: required (for instance latitude = 47.58)",
    ),
    "missing table": (
        '[store]\npath = "x"',
        "site: required, a table with at least name, latitude, longitude, timezone, moored",
    ),
    "text for a number": (
        BASE.replace("47.58", '"47.58"'),
        'site, latitude = "47.58": should be a number, without quotes (for instance latitude = 47.58)',
    ),
    "number for text": (
        BASE.replace('"Lapwing"', "3"),
        'site, name = 3: should be text in quotes (for instance name = "Lapwing")',
    ),
    "true for a number": (
        BASE.replace("47.58", "true"),
        "site, latitude = true: should be a number, without quotes (for instance latitude = 47.58)",
    ),
    "out of range": (
        BASE.replace("47.58", "97.58"),
        "site, latitude = 97.58: must be at most 90 (for instance latitude = 47.58)",
    ),
    "not a number": (
        BASE.replace("47.58", "nan"),
        "site, latitude = nan: should be a finite number (for instance latitude = 47.58)",
    ),
    "not a choice": (
        BASE.replace("swinging", "anchored"),
        'site, moored = "anchored": should be "fixed", "swinging" or "under way" (for instance moored = "swinging")',
    ),
    "unknown zone": (
        BASE.replace("Europe/Paris", "Paris"),
        "site, timezone = \"Paris\": not a zone of the IANA time zone list; did you mean 'Europe/Paris'? "
        '(for instance timezone = "Europe/Paris")',
    ),
    "part of a zone": (
        BASE.replace("Europe/Paris", "Europe"),
        'site, timezone = "Europe": not a zone of the IANA time zone list (for instance timezone = "Europe/Paris")',
    ),
    "misspelt key": (
        BASE.replace("latitude =", "latitud = 1\nlatitude ="),
        "site, latitud: unknown key; did you mean 'latitude'?",
    ),
    "misspelt table": (BASE + '[banks]\nname = "house"', "banks: unknown key; did you mean 'bank'?"),
    "capital letters": (
        BASE + ARRAY.replace("tilt", "Tilt = 4\ntilt"),
        "array 'cabin', Tilt: unknown key; did you mean 'tilt'?",
    ),
    "key below its table": (
        BASE + ARRAY + 'mounting = "gap"',
        "array 'cabin', module, mounting: unknown key; it belongs in [[array]] or [[array.group]]",
    ),
    "key above its table": (
        BASE + ARRAY.replace("tilt = 3", "tilt = 3\nvoc = 24.3"),
        "array 'cabin', voc: unknown key; it belongs in [array.module] or [array.group.module]",
    ),
    "unlike any key": (
        BASE + "[bank]\nname = 'house'\ngrease = 3",
        "bank, grease: unknown key; known here: name, chemistry, nominal_voltage, capacity_ah, charge_min_c",
    ),
    "fraction of a module": (
        BASE + ARRAY.replace("modules_in_series = 2", "modules_in_series = 1.5"),
        "array 'cabin', modules_in_series = 1.5: should be a whole number, without quotes "
        "(for instance modules_in_series = 2)",
    ),
    "positive coefficient": (
        BASE + ARRAY + "temp_coeff_power = 0.36",
        "array 'cabin', module, temp_coeff_power = 0.36: must be at most 0 (for instance temp_coeff_power = -0.36)",
    ),
    "best point above open circuit": (
        BASE + ARRAY + "vmp = 30\nvoc = 24",
        "array 'cabin', module: vmp must lie below voc",
    ),
    "best current above short circuit": (
        BASE + ARRAY + "imp = 9\nisc = 8",
        "array 'cabin', module: imp must lie below isc",
    ),
    "power that does not fit": (
        BASE + ARRAY + "vmp = 20\nimp = 5",
        "array 'cabin', module: vmp × imp is 100 W, not near power = 175 W",
    ),
    "dates in the wrong order": (
        BASE + ARRAY.replace("tilt", "from = 2026-05-01\nuntil = 2026-04-01\ntilt"),
        "array 'cabin': until lies before from",
    ),
    "date in quotes": (
        BASE + ARRAY.replace("tilt", 'from = "2026-05-01"\ntilt'),
        "array 'cabin', from = \"2026-05-01\": should be a date without quotes (for instance from = 2026-05-01)",
    ),
    "single brackets": (
        BASE + ARRAY.replace("[[array]]", "[array]"),
        "[array] may stand several times: write [[array]] with double brackets",
    ),
    "double brackets": (
        BASE + "[[bank]]\nname = 'house'",
        "[[bank]] stands once alone: write [bank] with single brackets",
    ),
    "single brackets inside": (
        BASE + SERIAL + ENTRY.replace("[[source.channel]]", "[source.channel]"),
        "source 's': [source.channel] may stand several times: write [[source.channel]] with double brackets",
    ),
    "number for a table": ("store = 3\n" + BASE.partition("[store]")[0], "store = 3: should be a table"),
    "number for tables": ("array = 7\n" + BASE, "array = 7: write at least one table under a heading [[array]]"),
    "no channel": (
        BASE + SERIAL + "channel = []",
        "source 's', channel = []: write at least one table under a heading [[source.channel]]",
    ),
    "nameless": (
        BASE + SERIAL.replace('name = "s"', "") + ENTRY,
        'source number 1, name: required (for instance name = "cabin controller")',
    ),
    "name of a thing": (
        BASE + ARRAY.replace('"cabin"', '"Cabin top"'),
        'array \'Cabin top\', name = "Cabin top": may hold a-z, 0-9, _ and - alone (for instance name = "cabin")',
    ),
    "blank name": (
        BASE.replace('"Lapwing"', '"  "'),
        'site, name = "  ": must not be empty or hold control characters (for instance name = "Lapwing")',
    ),
    "conductor": (
        BASE + ARRAY + '[[cable]]\nname = "run"\ncarries = "array.cabin"\nlength = 3\narea = 4\nconductor = "copper"',
        "cable 'run', conductor = \"copper\": write class 1, 2, 5 or 6 (IEC 60228), plain or tinned, copper "
        '(for instance conductor = "class 5 tinned copper")',
    ),
    "position zero": (
        BASE + SERIAL + ENTRY.replace("field = 1", "field = 0"),
        "source 's', channel 'irradiance.horizontal.global', field = 0: should be a position from 1, or a name "
        "in quotes (for instance field = 1)",
    ),
    "one bad field of several": (
        BASE + SERIAL + ENTRY.replace("field = 1", 'field = [1, ""]'),
        "source 's', channel 'irradiance.horizontal.global', field = [1, \"\"]: should be a position from 1, or a name "
        "in quotes (for instance field = 1)",
    ),
    "words that are no words": (
        BASE + SERIAL + ENTRY + "words = { 3 = 4 }",
        "source 's', channel 'irradiance.horizontal.global', words, 3 = 4: should be text in quotes "
        '(for instance words = { 3 = "bulk" })',
    ),
    "scale of zero": (
        BASE + SERIAL + ENTRY + "scale = 0",
        "source 's', channel 'irradiance.horizontal.global', scale = 0: a scale of 0 would make every reading 0 "
        "(for instance scale = 0.1)",
    ),
    "no line": (
        BASE + SERIAL.replace('port = "/dev/ttyUSB0"', "") + ENTRY,
        'source \'s\': kind "serial" needs port, for instance port = "/dev/serial/by-id/..."',
    ),
    "no time": (
        BASE + CSV + ENTRY,
        'source \'s\': kind "csv" needs path and time, for instance path = "inbox/*.csv" '
        'and time = { field = "time", zone = "UTC" }',
    ),
    "half a time": (
        BASE + CSV + 'time = { date = "d" }\n' + ENTRY,
        "source 's', time: give either field, or date and clock together "
        '(for instance time = { field = "time", zone = "UTC" })',
    ),
    "label without length": (
        BASE + CSV + 'time = { field = "t", label = "start" }\n' + ENTRY,
        'source \'s\', time: label "start" or "end" goes with interval_s, "instant" without it '
        '(for instance time = { field = "time", zone = "UTC" })',
    ),
    "pattern for dates": (
        BASE + CSV + 'time = { field = "t", format = "%Q" }\n' + ENTRY,
        "source 's', time, format = \"%Q\": not a pattern for dates: 'Q' is a bad directive in format '%Q' "
        '(for instance format = "%d/%m/%Y %H:%M")',
    ),
    "pattern without a name": (
        BASE + SERIAL + 'format = "pattern"\npattern = "abc"\n' + ENTRY,
        "source 's', pattern = \"abc\": it names no group; write (?P<volts>...) around what is to be read "
        r"(for instance pattern = 'V=(?P<volts>[\d.]+)')",
    ),
    "broken pattern": (
        BASE + SERIAL + 'format = "pattern"\npattern = "("\n' + ENTRY,
        "source 's', pattern = \"(\": not a regular expression: missing ), unterminated subpattern at position 0 "
        r"(for instance pattern = 'V=(?P<volts>[\d.]+)')",
    ),
    "no pattern": (
        BASE + SERIAL + 'format = "pattern"\n' + ENTRY,
        "source 's': format \"pattern\" needs pattern, a regular expression with named groups",
    ),
    "encoding": (
        BASE + CSV + 'time = { field = "t" }\nencoding = "hex"\n' + ENTRY,
        'source \'s\', encoding = "hex": not a known encoding; try "utf-8" or "cp1252"',
    ),
    "speed": (BASE + SERIAL + "stop_bits = 3\n" + ENTRY, "source 's', stop_bits = 3: should be 1 or 2"),
}


@pytest.mark.parametrize("case", FORM)
def test_a_mistake_of_form_is_one_sentence(case: str) -> None:
    """Key, value, rule, example; nothing said twice, no word of the checker's own language."""
    text, said = FORM[case]
    assert problems(text) == [said]


BETWEEN = {
    "two of one name": (
        BASE + ARRAY + ARRAY,
        ["array 'cabin': stands twice for the same days; rename one, or give them from and until dates"],
    ),
    "two sources of one name": (
        BASE + SERIAL + ENTRY + SERIAL.replace("USB0", "USB1") + ENTRY,
        ["source 's': stands twice for the same days; rename one"],
    ),
    "two readers of one line": (
        BASE + SERIAL + ENTRY + SERIAL.replace('"s"', '"t"') + ENTRY,
        [
            "source 't', port = \"/dev/ttyUSB0\": source 's' reads that line already; a line has one reader, "
            "so put all its channels under one source"
        ],
    ),
    "controller that is not there": (
        BASE + ARRAY.replace("tilt", 'controller = "cabn"\ntilt') + '[[controller]]\nname = "cabin"',
        ["array 'cabin', controller = \"cabn\": no [[controller]] has the name 'cabn'; did you mean 'cabin'?"],
    ),
    "no enclosure at all": (
        BASE + '[[fan]]\nname = "f"\nenclosure = "box"',
        ["fan 'f', enclosure = \"box\": no [[enclosure]] has the name 'box'; known: none"],
    ),
    "cable to nowhere": (
        BASE + ARRAY + '[[cable]]\nname = "run"\ncarries = "array.bow"\nlength = 3\narea = 4',
        ["cable 'run', carries = \"array.bow\": no [[array]] has the name 'bow'; known: cabin"],
    ),
    "unknown channel": (
        BASE + SERIAL + ENTRY.replace("irradiance.horizontal.global", "irradiance.horizontal.globl"),
        [
            "source 's': no channel 'irradiance.horizontal.globl'; did you mean 'irradiance.horizontal.global'? "
            "(a channel is subject.name.quantity)"
        ],
    ),
    "channel of an array that is not there": (
        BASE + ARRAY + SERIAL + ENTRY.replace("horizontal.global", "bow.plane"),
        ["source 's', channel 'irradiance.bow.plane': no [[array]] has the name 'bow'; known: cabin"],
    ),
    "unit of another kind": (
        BASE + SERIAL + ENTRY + 'unit = "mV"',
        [
            "source 's', channel 'irradiance.horizontal.global': unit 'mV' cannot become W/m² "
            "(known: W/m², W/m2, W/m^2, kW/m², kW/m2, mW/cm², mW/cm2)"
        ],
    ),
    "channel twice": (
        BASE + SERIAL + ENTRY + ENTRY,
        [
            "source 's', channel 'irradiance.horizontal.global': stands twice; to average several fields write them in "
            "one entry, field = [1, 2]"
        ],
    ),
    "name in a delimited line": (
        BASE + SERIAL + ENTRY.replace("field = 1", 'field = "G"'),
        [
            "source 's', channel 'irradiance.horizontal.global', field = \"G\": format \"delimited\" takes a position "
            "from 1, for instance field = 1"
        ],
    ),
    "position among keys": (
        BASE + SERIAL + 'format = "keyvalue"\n' + ENTRY,
        ["source 's', channel 'irradiance.horizontal.global', field = 1: format \"keyvalue\" takes a name in quotes"],
    ),
    "pointer without slash": (
        BASE + SERIAL + 'format = "json"\n' + ENTRY.replace("= 1", '= "G"'),
        [
            "source 's', channel 'irradiance.horizontal.global', field = \"G\": a JSON pointer starts with a slash, "
            'for instance "/volts"'
        ],
    ),
    "group that is not there": (
        BASE + SERIAL + "format = \"pattern\"\npattern = '(?P<g>.)(?P<h>.)'\n" + ENTRY.replace("= 1", '= "G"'),
        [
            "source 's', channel 'irradiance.horizontal.global', field = \"G\": pattern has no group of that name "
            "(it has g, h)"
        ],
    ),
    "stage that is none": (
        BASE
        + '[[controller]]\nname = "c"\n'
        + SERIAL
        + '[[source.channel]]\nfield = 1\nchannel = "controller.c.stage"\nwords = { 3 = "Bulk", 5 = "float" }',
        [
            "source 's', channel 'controller.c.stage', words: 'Bulk' is no charge stage "
            "(known: off, bulk, absorption, float, equalise, fault)"
        ],
    ),
}


@pytest.mark.parametrize("case", BETWEEN)
def test_a_mistake_between_tables_is_one_sentence(case: str) -> None:
    """Names, references, channels and fields, each with what is known or nearest."""
    text, said = BETWEEN[case]
    assert problems(text) == said


def test_all_mistakes_are_told_at_once() -> None:
    """Form, brackets and references of one file come in one list, so that one round of mending is enough."""
    text = (
        BASE.replace("47.58", "470").replace("swinging", "bow")
        + ARRAY.replace("[[array]]", "[array]")
        .replace("tilt = 3", "tilt = -3")
        .replace("azimuth", "controller = 'x'\nazimuth")
        + SERIAL
        + ENTRY.replace("irradiance", "iradiance")
    )
    assert [problem.partition(":")[0] for problem in problems(text)] == [
        "[array] may stand several times",
        "site, latitude = 470",
        'site, moored = "bow"',
        "array 'cabin', tilt = -3",
        "array 'cabin', controller = \"x\"",
        "source 's'",
    ]


def test_the_message_numbers_its_mistakes() -> None:
    """The file's name and the count stand first, then a numbered line for each mistake."""
    with pytest.raises(SettingsError) as fault:
        parse("array = 7", where="noonmark.toml")
    lines = str(fault.value).splitlines()
    assert lines[0] == "noonmark.toml: 3 mistakes in the settings"
    assert [line[:5] for line in lines[1:]] == ["  1. ", "  2. ", "  3. "]


# -- what is not TOML ---------------------------------------------------------------------------------------------

NOT_TOML = {
    "no quotes": ("name = house", 'text needs quotes: name = "house"'),
    "decimal comma": ("latitude = 47,58", "a number takes a point: 47.58"),
    "open bracket": ("[site", "a table's name stands in \\[single\\] or \\[\\[double\\]\\] brackets"),
    "table twice": ("[site]\n[store]\n[site]", r"line 3.*\[site\].*stands twice"),
    "key twice": ("[site]\nname = 'a'\nname = 'b'", r"name = 'b'; .*stands twice"),
    "backslashes": ('path = "C:\\Users\\x"', "backslashes goes in single quotes"),
    "no value": ("[site]\nname =", r"Invalid value \(at end of document\): name ="),
    "nested too deep": ("a = " + "[" * 100_000, "nested too deep"),
    "number too long": ("a = " + "1" * 10_000, "not TOML"),
    "impossible date": ("a = 2026-13-45", "line 1"),
}


@pytest.mark.parametrize("case", NOT_TOML)
def test_what_is_not_toml_says_where_and_why(case: str) -> None:
    """The line, and what usually makes such a line wrong."""
    text, said = NOT_TOML[case]
    assert re.search(said, problems(text)[0]), problems(text)


# -- what is right -------------------------------------------------------------------------------------------------


def test_two_of_one_name_may_follow_each_other() -> None:
    """A part taken away and one fitted later share a name; each day has one of them."""
    old = ARRAY.replace("tilt", "until = 2026-04-30\ntilt")
    new = ARRAY.replace("tilt", "from = 2026-05-01\ntilt").replace("modules_in_series = 2", "modules_in_series = 3")
    settings = parse(BASE + new + old)
    assert [a.modules_in_series for a in settings.on(dt.date(2026, 4, 30)).array] == [2]
    assert [a.modules_in_series for a in settings.on(dt.date(2026, 5, 1)).array] == [3]


def test_whole_numbers_stand_for_numbers() -> None:
    """A latitude of 47 is a number; nobody has to write 47.0."""
    assert parse(BASE.replace("47.58", "47")).site.latitude == 47


def test_the_plan_holds_the_units_factors(tmp_path: Path) -> None:
    """Device scale first, then the unit: 0.1 × 1312 mV - 1 is 0.1302 V; relative paths start at the file's folder."""
    text = (
        BASE
        + '[bank]\nname = "house"\n'
        + SERIAL
        + ('[[source.channel]]\nfield = [1, 2]\nchannel = "bank.house.voltage"\nunit = "mV"\nscale = 0.1\noffset = -1')
        + CSV.replace('"s"', '"t"')
        + 'time = { field = "t", label = "end", interval_s = 60 }\n'
        + ENTRY
    )
    path = tmp_path / "noonmark.toml"
    path.write_text(text, encoding="utf-8")
    made = plan(read(path))
    line, table = made.sources
    (entry,) = line.channels
    assert entry.field == (1, 2)
    assert 1312 * entry.scale + entry.offset == pytest.approx(0.1302)
    assert (entry.low, entry.high, entry.unit) == (-1, 150, "V")
    assert table.path == str(tmp_path / "x.csv")
    assert table.time is not None
    assert table.time.interval_ms == 60_000
    assert made.store_path == str(tmp_path / "lapwing.db")


def test_a_byte_order_mark_is_no_mistake(tmp_path: Path) -> None:
    """An editor's mark in front of the first table is left out."""
    path = tmp_path / "noonmark.toml"
    path.write_text(BASE.strip(), encoding="utf-8-sig")
    assert read(path).text.startswith("[site]")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (None, "there is no such file; write one with 'noonmark new'"),
        (b'[site]\nname = "\xe9"', "byte 16 is not UTF-8; save the file as UTF-8"),
        ("folder", "it cannot be read: Is a directory"),
    ],
)
def test_a_file_that_cannot_be_read_says_why(content: bytes | str | None, said: str, tmp_path: Path) -> None:
    """Missing, in another encoding, or no file at all."""
    path = tmp_path / "noonmark.toml"
    if content == "folder":
        path.mkdir()
    elif isinstance(content, bytes):
        path.write_bytes(content)
    with pytest.raises(SettingsError, match=re.escape(said)):
        read(path)


# -- nonsense ------------------------------------------------------------------------------------------------------

_names = st.sampled_from(
    [
        key
        for model in (Settings, Site, Array, Module, Cable, Source, SourceChannel, TimeColumn)
        for key in model.model_fields
    ]
    + ["from", "surroundings"]
) | st.text(max_size=4)
_leaves = (
    st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=8)
    | st.dates()
    | st.datetimes(timezones=st.none() | st.just(dt.UTC))
    | st.times()
    | st.sampled_from(["cabin", "array.cabin.voltage", "array.cabin", "serial", "csv", "Europe", "pattern", "(?P<a>x)"])
)
_values = st.recursive(
    _leaves, lambda v: st.lists(v, max_size=3) | st.dictionaries(_names, v, max_size=5), max_leaves=20
)
_documents = st.dictionaries(_names, _values, max_size=8)


@given(raw=_documents)
def test_nonsense_ends_in_a_settings_error(raw: dict[str, Any]) -> None:
    """Whatever a TOML file can hold, the check answers with its list, never with a traceback."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(settings_file.settings_mistakes, "loads", lambda _: raw)
        with pytest.raises(SettingsError) as fault:
            parse("")
    assert fault.value.problems
    assert all(problem and "\n" not in problem for problem in fault.value.problems)


@given(text=st.text(max_size=60) | st.text(alphabet="[]=\"'.#\n\\ab1,{}", max_size=40))
def test_any_text_is_read_or_refused(text: str) -> None:
    """Bytes from a damaged file end in the same list."""
    with pytest.raises(SettingsError, match="mistake"):
        parse(text)


@given(data=st.data(), raw=_values)
def test_one_broken_value_in_a_right_file(data: st.DataObject, raw: Any) -> None:
    """Any one value of the whole sample replaced by anything: the plan is made, or the mistakes are told."""
    import fixtures  # noqa: PLC0415  only this test plays with the sample

    text = (Path(fixtures.__file__).parent / "settings" / "sample.toml").read_text(encoding="utf-8")
    whole = settings_file.settings_mistakes.loads(text)
    here: Any = whole
    while True:
        step = data.draw(st.sampled_from(sorted(here) if isinstance(here, dict) else range(len(here))))
        if not isinstance(here[step], dict | list) or not here[step] or data.draw(st.booleans()):
            here[step] = raw
            break
        here = here[step]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(settings_file.settings_mistakes, "loads", lambda _: whole)
        try:
            sources = parse("").source
        except SettingsError as fault:
            event(fault.problems[0].partition(" ")[0])
            sources = []
    for source in sources:
        made = settings_file.source_plan(source, Path("/aboard"))
        assert Plan.from_json(Plan("", "", "", 1.0, (made,)).to_json()).sources == (made,)


@pytest.mark.parametrize(
    ("value", "written"),
    [
        (True, "true"),
        (3, "3"),
        ('a"b\nc', '"a\\"b\\u000ac"'),
        (r"\d", r"'\d'"),
        ([1, "a"], '[1, "a"]'),
        (dt.date(2026, 5, 1), "2026-05-01"),
        ("x" * 99, '"' + "x" * 58 + "…"),
    ],
)
def test_values_are_shown_as_they_are_written(value: Any, written: str) -> None:
    """What a message quotes can be found in the file, and pasted back."""
    assert shown(value) == written
