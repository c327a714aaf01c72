"""Numbers and positions are read as people write them, and nonsense is refused with an example."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.positions import angle, number


@pytest.mark.parametrize(
    ("typed", "value"),
    [
        ("24.3", 24.3),
        ("24,3", 24.3),
        ("24,3 V", 24.3),
        (" 175 W ", 175),
        ("-0,36 %/K", -0.36),
        ("−8 °C", -8),
        ("4 mm²", 4),
    ],
)
def test_a_number_with_comma_and_unit(typed: str, value: float) -> None:
    """Decimal comma, a unit behind it, a true minus sign."""
    assert number(typed) == value


@pytest.mark.parametrize("typed", ["", "about 3", "3 4", "1,2,3", "nan", "inf", "1e3x", "twelve"])
def test_what_is_no_number_is_refused(typed: str) -> None:
    """With an example of one."""
    with pytest.raises(ValueError, match=r"is not a number; write for instance 24\.3"):
        number(typed)


@pytest.mark.parametrize(
    ("typed", "degrees"),
    [
        ("47.58", 47.58),
        ("47,58", 47.58),
        ("-2.9", -2.9),
        ("47 34.8 N", 47.58),
        ("47°34.8'S", -47.58),
        ("N 47 34 48", 47.58),
        ("47° 34′ 48″ s", -47.58),
        ("0 30 S", -0.5),
        ("-0 30", -0.5),
    ],
)
def test_a_position_in_any_usual_writing(typed: str, degrees: float) -> None:
    """Degrees, degrees and minutes, degrees minutes seconds; letter or sign."""
    assert angle(typed, "N", "S") == pytest.approx(degrees, abs=1e-5)


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("here", "is no position; write for instance 47.58 or 47 34.8 N"),
        ("47 E", "write one letter, N or S"),
        ("N 47 S", "write one letter, N or S"),
        ("47 75", "minutes and seconds lie below 60"),
        ("-47 N", "a sign goes without a letter"),
        ("", "is no position"),
    ],
)
def test_a_position_that_makes_no_sense(typed: str, said: str) -> None:
    """Each nonsense gets its own reason."""
    with pytest.raises(ValueError, match=said):
        angle(typed, "N", "S")


@given(degrees=st.floats(-90, 90))
def test_degrees_and_minutes_come_back(degrees: float) -> None:
    """Written as degrees, minutes and a letter, any latitude is read again to a metre or so."""
    size = abs(degrees)
    whole, minutes = int(size), (size - int(size)) * 60
    if minutes < 59.9999:
        typed = f"{whole} {minutes:.4f} {'S' if degrees < 0 else 'N'}"
        assert angle(typed, "N", "S") == pytest.approx(degrees, abs=2e-5)
