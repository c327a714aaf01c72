"""The words: every key of the contract has its plain word; numbers and times read the same everywhere."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.results import LADDER
from dashboard import wording, writing
from dashboard.writing import LocalTime

# The keys as the contract lists them, written out here so that neither side can drift alone.
STATES = (
    "night unhindered bank-limited current-limited held-back heat-derated cold-blocked too-low diverting covered "
    "no-current unheard unknown"
)
RULES = (
    "yield-shortfall array-dead loop-resistance input-overvoltage night-backfeed enclosure-over-temperature "
    "fan-ineffective fan-needless condensation-risk bank-low load-rise bank-imbalance bank-disconnected bank-freezing "
    "bank-hot charging-while-freezing charge-voltage-wrong meters-disagree sensor-suspect clock-suspect "
    "changed-by-itself instrument-unheard record-trouble"
)
CAUSES = (
    "cloud low-sun shade soiling snow bypassed-substring open-string series-resistance undersized-cable "
    "water-in-joint cracked-module not-enough-voltage controller-limit heat-derating controller-off-best-point "
    "bank-full other-charger cold-bank wiring-error wrong-setting sensor-offset sensor-gain irradiance-sensor "
    "clock-or-position fan-stopped fan-supply inlet-blocked hot-surroundings load none-of-these"
)
# Keys of our own beside the contract's.
OWN_RULES, OWN_CAUSES = ["yield-excess", "facing-suspect", "controller-throttled"], ["wrong-orientation"]
PARIS = LocalTime(ZoneInfo("Europe/Paris"), round(dt.datetime(2026, 6, 18, tzinfo=dt.UTC).timestamp() * 1000))


@pytest.mark.parametrize(
    ("table", "keys"),
    [
        (wording.STATES, STATES.split()),
        (wording.RULES, RULES.split() + OWN_RULES),
        (wording.CAUSES, CAUSES.split() + OWN_CAUSES),
        (wording.LOSSES, list(LADDER)),
        (wording.VERDICTS, ["cannot tell", "covered", "shortfall", "limited", "healthy"]),
        (wording.PRIORITIES, ["high", "medium", "low"]),
        (wording.FINDING_STATES, ["unacknowledged", "acknowledged", "returned", "shelved", "out-of-service"]),
    ],
    ids=["states", "rules", "causes", "losses", "verdicts", "priorities", "finding states"],
)
def test_every_key_has_one_word_and_one_line(table: dict[str, tuple[str, ...]], keys: list[str]) -> None:
    """Each key of the contract, and of our own beside it, has its own plain word and its own line."""
    assert sorted(table) == sorted(keys)
    words = [entry[0] for entry in table.values()]
    assert len(set(words)) == len(words)
    assert all(part.strip() for entry in table.values() for part in entry)


@pytest.mark.parametrize(
    ("shown", "expected"),
    [
        (writing.energy(None), "not known"),
        (writing.energy(1840.4), "1,840\u00a0Wh"),
        (writing.energy(12_440), "12.4\u00a0kWh"),
        (writing.energy(9_999.6), "10.0\u00a0kWh"),
        (writing.percent(0.78), "78\u00a0%"),
        (writing.chance(0.004), "under 1\u00a0%"),
        (writing.chance(0.806), "81\u00a0%"),
        (writing.sentence("gantry: 658 mΩ"), "Gantry: 658 mΩ."),
        (writing.sentence("Done."), "Done."),
        (wording.evidence("mostly", "afternoon"), "lost mostly in the afternoon"),
        (writing.resistance(0.433), "433\u00a0mΩ"),
        (writing.resistance(12), "12.0\u00a0Ω"),
        (writing.number(-0.2), "0"),
        (writing.number(-1234.5, 1), "−1,234.5"),
        (writing.span(0.5, None), "not known"),
        (writing.hours(90), "90\u00a0min"),
        (writing.hours(150), "2.5\u00a0h"),
        (writing.count(1, "notice"), "one notice"),
        (writing.count(14, "day"), "14 days"),
        (writing.listed(["a", "b", "c"]), "a, b and c"),
        (writing.listed([]), ""),
        (wording.subject("cable.gantry home run"), "gantry home run"),
        (wording.subject("fan.electrics"), "fan of the electrics box"),
        (wording.subject("clock"), "clock"),
        (wording.evidence("design_ohm", 0.118), "by its copper: 118\u00a0mΩ"),
        (wording.evidence("ohm_low", 0.543), "at least: 543\u00a0mΩ"),
        (wording.evidence("peak_c", 45.84), "hottest: 45.8\u00a0°C"),
        (wording.evidence("standing_low_a", 1.25), "standing low: 1.25\u00a0A"),
        (wording.evidence("features", {"evenness": 1}), None),
    ],
)
def test_numbers_read_as_a_person_would_write_them(shown: str | None, expected: str | None) -> None:
    """Units stay with their number, thousands have a comma, a minus is a minus, what is unknown says so."""
    assert shown == expected


def test_folded_findings_are_named_in_words() -> None:
    """A finding that another one explains is told in words, not in keys."""
    said = wording.evidence("explains", ["enclosure-over-temperature enclosure.electrics"])
    assert said == "explains also: electrics box, box too hot"


def test_times_are_local_and_round_to_the_minute() -> None:
    """Moments are shown in the site's zone, across the change of its clocks."""
    before = round(dt.datetime(2026, 3, 29, 0, 59, 29, tzinfo=dt.UTC).timestamp() * 1000)
    assert PARIS.clock(before) == "01:59"
    assert PARIS.clock(before + 2_000) == "03:00"
    assert PARIS.clock(None) == "—"


def test_the_year_is_said_only_where_it_is_another() -> None:
    """A date of this year stands without its year."""
    assert PARIS.date(dt.date(2026, 6, 1)) == "1\u00a0June"
    assert PARIS.date(dt.date(2025, 12, 31)) == "31\u00a0December 2025"
    assert PARIS.name() == "Europe/Paris"


def test_two_dates_say_what_they_share_once() -> None:
    """Month and year of a span are not repeated."""
    assert writing.dates(dt.date(2026, 6, 5), dt.date(2026, 6, 18)) == "5 to 18\u00a0June\u00a02026"
    assert writing.dates(dt.date(2025, 12, 28), dt.date(2026, 1, 3)).startswith("28\u00a0December 2025 to 3")
    assert writing.dates(dt.date(2026, 6, 5), dt.date(2026, 6, 5)) == "5\u00a0June\u00a02026"


@given(st.text())
def test_a_thin_terminal_gets_ascii(text: str) -> None:
    """Whatever is said can be shown on a terminal that knows ASCII alone."""
    assert writing.ascii_only(text).isascii()


def test_ascii_keeps_the_sense() -> None:
    """Signs become words or their likes, they do not vanish."""
    assert writing.ascii_only("−5\u00a0mΩ, 46\u00a0°C, 200\u00a0W/m²") == "-5 mohm, 46 deg C, 200 W/m2"
