"""What devices send becomes the vocabulary's units by published factors; anything else is refused."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import UnknownUnit
from logger.units import Conversion, conversion, known_units

# NIST Special Publication 811 (2008), appendix B.8, to the digits printed there (inch of mercury: conventional).
NIST_SP_811 = [
    ("km/h", "m/s", 2.777778e-01),
    ("kn", "m/s", 5.144444e-01),
    ("kt", "m/s", 5.144444e-01),
    ("mph", "m/s", 4.4704e-01),
    ("ft/s", "m/s", 3.048e-01),
    ("inHg", "Pa", 3.386389e03),
    ("mbar", "Pa", 1.0e02),
    ("bar", "Pa", 1.0e05),
    ("J", "Wh", 1 / 3.6e03),
    ("MJ", "Wh", 1 / 3.6e-03),
    ("rad", "°", 5.729578e01),
]
# Prefixes of the SI (BIPM SI brochure, table 7).
PREFIXES = [
    ("mV", "V", 1e-3),
    ("kV", "V", 1e3),
    ("mA", "A", 1e-3),
    ("uA", "A", 1e-6),
    ("µA", "A", 1e-6),
    ("kA", "A", 1e3),
    ("mW", "W", 1e-3),
    ("kW", "W", 1e3),
    ("MW", "W", 1e6),
    ("kWh", "Wh", 1e3),
    ("hPa", "Pa", 1e2),
    ("kPa", "Pa", 1e3),
    ("kW/m²", "W/m²", 1e3),
    ("mW/cm²", "W/m²", 10.0),
    ("klx", "lx", 1e3),
    ("Hz", "1/min", 60.0),
    ("fraction", "%", 100.0),
    ("‰", "%", 0.1),
]


@pytest.mark.parametrize(("sent", "wanted", "factor"), NIST_SP_811 + PREFIXES, ids=str)
def test_factors_are_the_published_ones(sent: str, wanted: str, factor: float) -> None:
    """NIST SP 811 and the SI's prefixes, to the seven digits that are printed."""
    line = conversion(sent, wanted)
    assert line(1.0) == pytest.approx(factor, rel=3e-7)
    assert line(0.0) == 0.0


# The kelvin's zero and Fahrenheit's points are definitions (NIST SP 811, B.8: t/°C = (t/°F - 32)/1.8).
@pytest.mark.parametrize(
    ("sent", "value", "celsius"),
    [
        ("°F", 32.0, 0.0),
        ("°F", 212.0, 100.0),
        ("°F", -40.0, -40.0),
        ("K", 273.15, 0.0),
        ("K", 0.0, -273.15),
        ("m°C", 21_500.0, 21.5),
    ],
)
def test_temperatures_move_their_zero(sent: str, value: float, celsius: float) -> None:
    """Freezing, boiling and the point where both scales meet."""
    assert conversion(sent, "°C")(value) == pytest.approx(celsius, abs=1e-9)


def test_case_counts() -> None:
    """A milliwatt is not a megawatt."""
    assert conversion("MW", "W")(1) / conversion("mW", "W")(1) == pytest.approx(1e9)


@pytest.mark.parametrize(
    ("sent", "wanted", "said"),
    [
        ("mv", "V", r"unit 'mv' cannot become V; did you mean 'mV'\? \(known: V, mV, cV, dV, kV\)"),
        ("mw", "W", r"did you mean 'mW' or 'MW'\?"),
        ("A", "V", r"unit 'A' cannot become V \(known"),
        ("", "W", "unit '' cannot become W"),
        ("V", "text", "unit 'V' cannot become text"),
    ],
)
def test_a_unit_of_another_kind_is_refused(sent: str, wanted: str, said: str) -> None:
    """The message lists what can become the channel's unit."""
    with pytest.raises(UnknownUnit, match=said):
        conversion(sent, wanted)


@given(
    value=st.floats(-1e6, 1e6),
    scale=st.floats(-1e3, 1e3),
    offset=st.floats(-1e3, 1e3),
    sent=st.sampled_from(["°F", "K", "°C", "m°C"]),
)
def test_the_devices_own_scale_comes_first(value: float, scale: float, offset: float, sent: str) -> None:
    """One line for both steps equals the steps one after the other."""
    unit = conversion(sent, "°C")
    assert unit.after(scale, offset)(value) == pytest.approx(unit(value * scale + offset), rel=1e-9, abs=1e-6)


@pytest.mark.parametrize("unit", known_units())
def test_each_unit_is_itself(unit: str) -> None:
    """The vocabulary's own unit converts by nothing."""
    assert conversion(unit, unit) == Conversion()
    assert math.isfinite(conversion(unit, unit)(1.0))
