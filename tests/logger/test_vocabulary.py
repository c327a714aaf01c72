"""The vocabulary holds every channel of the contract with its unit, and nothing is taken for a channel that is none."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import UnknownChannel
from logger.units import conversion, known_units
from logger.vocabulary import VOCABULARY, Quantity, lookup

# The contract: channels, unit, IEC 61724 symbol where the standard has one.
CONTRACT = """
irradiance.horizontal.global                     W/m² G_H
irradiance.diffuse.horizontal                    W/m²
irradiance.direct.normal                         W/m²
irradiance.horizontal.illuminance                lx
irradiance.<array>.plane                         W/m² G_I
irradiance.<array>.reference_current             A
array.<array>.voltage                            V    V_A
array.<array>.current                            A    I_A
array.<array>.power                              W    P_A
array.<array>.module_voltage                     V
array.<array>.module_temperature                 °C   T_m
controller.<controller>.output_voltage           V
controller.<controller>.output_current           A
controller.<controller>.output_power             W
controller.<controller>.stage                    text
controller.<controller>.version                  text
controller.<controller>.temperature              °C
controller.<controller>.day_energy               Wh
bank.<bank>.voltage                              V    V_S
bank.<bank>.current                              A    I_TS−I_FS
bank.<bank>.temperature                          °C
bank.<bank>.midpoint_voltage                     V
balancer.<balancer>.current                      A
bank.<bank>.state_of_charge                      %
load.<load>.current                              A    I_L
load.<load>.power                                W    P_L
load.<load>.starts                               count
wind.<wind>.current                              A    I_BU
wind.<wind>.power                                W    P_BU
wind.<wind>.voltage                              V
wind.<wind>.speed                                1/min
dump.<dump>.current                              A
dump.<dump>.temperature                          °C
enclosure.<enclosure>.temperature                °C
enclosure.<enclosure>.humidity                   %
fan.<fan>.running                                0/1
fan.<fan>.speed                                  1/min
fan.<fan>.current                                A
air.<place>.temperature                          °C   T_am
air.<place>.humidity                             %
air.<place>.wind_speed                           m/s  S_W
air.<place>.pressure                             Pa
site.position.latitude                           °
site.position.longitude                          °
site.attitude.heading                            °
site.attitude.heel                               °
site.attitude.pitch                              °
"""
ROWS = [tuple([*line.split(), ""][:3]) for line in CONTRACT.strip().splitlines()]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row[0])
def test_every_channel_of_the_contract_is_there(row: tuple[str, str, str]) -> None:
    """Pattern, unit and symbol stand as the contract and IEC 61724 name them."""
    found = lookup(re.sub("<.*>", "port-2", row[0]))
    assert (found.pattern, found.unit, found.symbol) == row


def test_no_pattern_stands_twice() -> None:
    """One row a channel, or a reading would have two units."""
    patterns = [quantity.pattern for quantity in VOCABULARY]
    assert len(patterns) == len(set(patterns))


@pytest.mark.parametrize("row", VOCABULARY, ids=lambda row: row.pattern)
def test_each_row_can_be_used(row: Quantity) -> None:
    """A range that is one, a unit that is known, a meaning for people."""
    assert row.unit in known_units()
    assert conversion(row.unit, row.unit)(1.5) == 1.5
    assert row.meaning
    assert row.is_text or row.low < row.high


# Values that have been measured on Earth, or on boats, and so must count as plausible.
MEASURED = {
    "irradiance.horizontal.global": (
        -4,
        1900,
    ),  # night offset of a thermopile; cloud enhancement, IEEE J. Photovoltaics 3(1)
    "air.outside.temperature": (-55, 56),  # polar berths; 56.7 °C is the record of the WMO archive
    "air.outside.pressure": (87_000, 108_480),  # records at sea level, WMO archive of weather extremes
    "air.outside.wind_speed": (0, 85),  # 84.9 m/s was measured on a mountain top (from memory)
    "array.cabin.module_temperature": (-50, 95),
    "irradiance.horizontal.illuminance": (0, 130_000),  # full sun is near 110 klx
    "bank.house.voltage": (0, 60),
}


@pytest.mark.parametrize("channel", MEASURED)
def test_what_has_been_measured_is_plausible(channel: str) -> None:
    """A range never marks a true reading."""
    low, high = MEASURED[channel]
    row = lookup(channel)
    assert row.low <= low
    assert high <= row.high


@pytest.mark.parametrize("value", [65535 * 0.1, 4294967.295, -327.68, 2.0e5])
def test_what_broken_registers_send_is_not(value: float) -> None:
    """All bits set, a wrapped sign and a shifted decimal point fall outside a bank's volts."""
    row = lookup("bank.house.voltage")
    assert not row.low <= value <= row.high


@pytest.mark.parametrize(
    ("channel", "said"),
    [
        ("array.cabin.volts", "did you mean 'array.cabin.voltage'"),
        ("aray.cabin.voltage", "did you mean 'array.cabin.voltage'"),
        ("irradiance.cabin.global", "did you mean 'irradiance"),
        ("array.Cabin.voltage", "the name 'Cabin' may hold a-z 0-9 _ - alone"),
        ("array..voltage", "the name '' may hold a-z 0-9 _ - alone"),
        ("array.cabin", "a channel is subject.name.quantity"),
        ("", "a channel is subject.name.quantity"),
        ("site.home.latitude", "did you mean 'site.position.latitude'"),
    ],
)
def test_what_is_no_channel_is_refused_with_the_nearest(channel: str, said: str) -> None:
    """A channel is never invented; the message leads to the one that was meant."""
    with pytest.raises(UnknownChannel, match=re.escape(said)):
        lookup(channel)


@given(text=st.text(max_size=30) | st.from_regex(r"[a-z]{1,9}\.[a-z0-9_-]{0,6}\.[a-z_]{1,12}", fullmatch=True))
def test_any_text_is_looked_up_or_refused(text: str) -> None:
    """Nothing typed as a channel ends in another error."""
    try:
        row = lookup(text)
    except UnknownChannel:
        return
    assert text.startswith(f"{row.subject}.")
    assert text.endswith(f".{row.quantity}")
