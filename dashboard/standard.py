"""Owns the results of IEC 61724-1 in words: which quantities are shown, what each means, and in which unit."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from dashboard.writing import energy, number, percent


class Quantity(NamedTuple):
    """A row of the table: its key in the JSON, its words, its symbol in the standard, factor and digits."""

    key: str
    words: str
    symbol: str
    factor: float
    digits: int
    unit: str


QUANTITIES = (
    Quantity("irradiation_kwh_m2", "light in the plane", "H_i", 1.0, 1, "kWh/m²"),
    Quantity("reference_yield_h", "hours at full power that it is worth", "Y_r", 1.0, 1, "h"),
    Quantity("array_yield_h", "hours that came from the array", "Y_A", 1.0, 1, "h"),
    Quantity("final_yield_h", "hours that reached the bank", "Y_f", 1.0, 1, "h"),
    Quantity("capture_loss_h", "lost before the controller", "L_C", 1.0, 1, "h"),
    Quantity("system_loss_h", "lost from there to the bank", "L_S", 1.0, 1, "h"),
    Quantity("performance_ratio", "performance ratio", "PR", 100.0, 0, "%"),
    Quantity("performance_ratio_stc", "the same for cells at 25 °C", "PR'_STC", 100.0, 0, "%"),
    Quantity("availability", "able to give, of the daylight heard", "", 100.0, 0, "%"),
    Quantity("coverage", "light and power known, of the daylight", "", 100.0, 0, "%"),
)


def storage(entry: Mapping[str, Any]) -> str:
    """What went through the bank, of one part of the ``storage`` of an assessment's JSON."""
    gained = entry["net_to_storage_wh"] - entry["net_from_storage_wh"]
    bank = f"the bank holds {energy(abs(gained))} {'more' if gained >= 0 else 'less'} than before"
    share = f", {percent(entry['array_fraction'])} of it by the arrays" if entry["backup_wh"] else ""
    used = percent(entry["load_efficiency"])
    return (
        f"Into the system went {energy(entry['put_in_wh'])}{share}; the loads used {energy(entry['load_wh'])}, {bank}. "
        f"So {used} of what went in was of use (η_LOAD of the 1998 edition); the rest warmed controllers and cables."
    )


NEEDS_PLANE = "What needs a light sensor in the plane of the array is left open: none was heard."


def rows(entries: Mapping[str, Mapping[str, Any]]) -> list[tuple[str, list[str]]]:
    """The table's rows: words with unit and symbol, then one value a period; quantities that no period has are left
    out.

    Parameters
    ----------
    entries : mapping
        Period to its entry of an assessment's JSON.
    """
    found = []
    for q in QUANTITIES:
        values = [entry[q.key] for entry in entries.values()]
        if any(value is not None for value in values):
            label = f"{q.words}, {q.symbol} [{q.unit}]" if q.symbol else f"{q.words} [{q.unit}]"
            found.append((label, ["—" if v is None else number(q.factor * v, q.digits) for v in values]))
    return found
