"""Owns what copper conductors resist: the maxima of IEC 60228, temperature, and the sizes the table does not list."""

from __future__ import annotations

import re

from logger.errors import UnknownConductor

RESISTIVITY_20 = 1 / 58
"""Resistivity of annealed copper at 20 °C [Ω·mm²/m], IEC 60028."""

ALPHA_20 = 0.00393
"""Temperature coefficient of its resistance at 20 °C [1/K], IEC 60028."""

CLASSES = "class 1, 2, 5 or 6, plain or tinned"

# Maximum DC resistance at 20 °C [Ω/km] by nominal area [mm²], IEC 60228 tables 1 to 3: plain class 1 and 2, coated
# class 2 (coated class 1 taken alike: from memory), plain class 5 and 6, tinned class 5 and 6. The 50 mm² row is
# right: the flexible conductor's limit lies below the stranded one's.
_TABLE: dict[float, tuple[float, float, float, float]] = {
    0.5: (36.0, 36.7, 39.0, 40.1),
    0.75: (24.5, 24.8, 26.0, 26.7),
    1: (18.1, 18.2, 19.5, 20.0),
    1.5: (12.1, 12.2, 13.3, 13.7),
    2.5: (7.41, 7.56, 7.98, 8.21),
    4: (4.61, 4.70, 4.95, 5.09),
    6: (3.08, 3.11, 3.30, 3.39),
    10: (1.83, 1.84, 1.91, 1.95),
    16: (1.15, 1.16, 1.21, 1.24),
    25: (0.727, 0.734, 0.780, 0.795),
    35: (0.524, 0.529, 0.554, 0.565),
    50: (0.387, 0.391, 0.386, 0.393),
    70: (0.268, 0.270, 0.272, 0.277),
    95: (0.193, 0.195, 0.206, 0.210),
    120: (0.153, 0.154, 0.161, 0.164),
    150: (0.124, 0.126, 0.129, 0.132),
    185: (0.0991, 0.100, 0.106, 0.108),
    240: (0.0754, 0.0762, 0.0801, 0.0817),
    300: (0.0601, 0.0607, 0.0641, 0.0654),
}
LISTED_AREAS = tuple(_TABLE)
"""Nominal areas that IEC 60228 lists here [mm²]."""

_WRITTEN = re.compile(r"class ([1256])(?: (plain|tinned))? copper")


def ohm_per_km(area_mm2: float, conductor: str, temperature_c: float) -> float:
    """Highest resistance that a sound conductor of that size and class may have.

    A listed size takes the table's figure. Any other size takes ρ/A times the largest excess over ρ/A that the
    table grants the class at any size: a maximum as the table's own figures are, and never a guess between two rows,
    whose excesses do not run smoothly.

    Parameters
    ----------
    area_mm2 : float
        Nominal area [mm²].
    conductor : str
        For instance ``"class 5 tinned copper"``: class 1, 2, 5 or 6; ``plain`` (also when unsaid) or ``tinned``.
    temperature_c : float
        Of the copper [°C].

    Returns
    -------
    float
        Resistance of one conductor [Ω/km].

    Raises
    ------
    UnknownConductor
        The class, the metal or the area makes no sense; the message says what is understood.

    References
    ----------
    IEC 60228 (maxima at 20 °C), IEC 60028 (copper).
    """
    column = _column(conductor)
    if not 0.05 <= area_mm2 <= 2000:
        raise UnknownConductor(f"area {area_mm2:g} mm² is no cable's; write square millimetres, for instance 4.0")
    row = _TABLE.get(area_mm2)
    at_20 = row[column] if row else 1000 * RESISTIVITY_20 / area_mm2 * _largest_excess(column)
    return at_20 * temperature_factor(temperature_c)


def loop_ohm(length_m: float, area_mm2: float, conductor: str, temperature_c: float) -> float:
    """Highest resistance of a sound two-wire run, there and back, without joints.

    Parameters
    ----------
    length_m : float
        One way [m].
    area_mm2, conductor, temperature_c
        As of `ohm_per_km`.

    Returns
    -------
    float
        Loop resistance [Ω].

    Raises
    ------
    UnknownConductor
        As `ohm_per_km`.
    """
    return 2 * length_m / 1000 * ohm_per_km(area_mm2, conductor, temperature_c)


def temperature_factor(temperature_c: float) -> float:
    """Copper's resistance at a temperature [°C] over that at 20 °C [-], IEC 60028."""
    return 1 + ALPHA_20 * (temperature_c - 20)


def basis(area_mm2: float, conductor: str) -> str:
    """Where `ohm_per_km` has its figure from, in a few words for people.

    Raises
    ------
    UnknownConductor
        As `ohm_per_km`.
    """
    column = _column(conductor)
    if area_mm2 in _TABLE:
        return f"IEC 60228, {area_mm2:g} mm²"
    excess = 100 * (_largest_excess(column) - 1)
    return f"{area_mm2:g} mm² is not in IEC 60228: ρ/A and the class's largest allowance of {excess:.0f} %"


def _largest_excess(column: int) -> float:
    return max(row[column] * area / (1000 * RESISTIVITY_20) for area, row in _TABLE.items())


def _column(conductor: str) -> int:
    written = _WRITTEN.fullmatch(conductor.strip().lower())
    if not written:
        raise UnknownConductor(
            f'conductor {conductor!r} is not understood: write {CLASSES}, for instance "class 5 tinned copper"'
        )
    flexible = written[1] in "56"
    return 2 * flexible + (written[2] == "tinned")
