"""Owns the results of IEC 61724 as `assess --json` prints them: of each array, and of a system with storage."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

from analysis import iec61724
from analysis.iec61724 import PERIODS
from analysis.results import ArrayDay, Ladder, StorageDay


def array_entry(days: Sequence[ArrayDay], ladders: Sequence[Ladder]) -> dict[str, Any]:
    """One array over the whole span, and by its ``days``, ``weeks``, ``months`` and ``seasons``.

    Yields are hours at rated power: kWh for each kW. What needs irradiation is None where no sensor lay in the plane.
    """
    bank_wh = {e.day: e.bank_wh for e in ladders}
    return {"span": performance_entry(days, bank_wh)} | {
        f"{by}s": {name: performance_entry(part, bank_wh) for name, part in iec61724.grouped(days, by).items()}
        for by in PERIODS
    }


def performance_entry(days: Sequence[ArrayDay], bank_wh: Mapping[dt.date, float]) -> dict[str, Any]:
    """One array over some days; `bank_wh` is what reached the bank on each [Wh]."""
    found = iec61724.performance(days, bank_wh)
    irradiation = found.irradiation_wh_m2
    return {
        "days": found.days,
        "irradiation_kwh_m2": _rounded(None if irradiation is None else irradiation / 1000.0, 4),
        "reference_yield_h": _rounded(found.yields.reference, 4),
        "array_yield_h": _rounded(found.yields.array, 4),
        "final_yield_h": _rounded(found.yields.final, 4),
        "capture_loss_h": _rounded(found.yields.capture_loss, 4),
        "system_loss_h": _rounded(found.yields.system_loss, 4),
        "performance_ratio": _rounded(found.yields.performance_ratio, 4),
        "performance_ratio_stc": _rounded(found.corrected_ratio, 4),
        "availability": _rounded(found.availability, 4),
        "coverage": _rounded(found.coverage, 4),
    }


def storage_entry(days: Sequence[StorageDay], array_days: Sequence[ArrayDay]) -> dict[str, Any] | None:
    """The system with its bank over the span and its months; None where the bank's volts and amps are not known.

    Its yields are those of all arrays together over the intervals in which everything that feeds the bank was known.
    """
    if not days:
        return None

    def entry(part: Sequence[StorageDay]) -> dict[str, Any]:
        found = iec61724.storage(part)
        assert found is not None
        # The arrays' rated power, as it stood on each of these days.
        rated = [sum(a.rated_w for a in array_days if a.day == d.day) for d in part]
        hours = sum(d.array_wh / w for d, w in zip(part, rated, strict=True) if w)
        share = found.load_efficiency
        return {
            "days": len(part),
            "known_min": _rounded(sum(d.known_min for d in part), 1),
            "array_wh": _rounded(found.array, 2),
            "backup_wh": _rounded(found.backup, 2),
            "to_storage_wh": _rounded(found.to_storage, 2),
            "from_storage_wh": _rounded(found.from_storage, 2),
            "net_to_storage_wh": _rounded(found.net_to_storage, 2),
            "net_from_storage_wh": _rounded(found.net_from_storage, 2),
            "load_wh": _rounded(found.load, 2),
            "put_in_wh": _rounded(found.put_in, 2),
            "used_wh": _rounded(found.used, 2),
            "array_fraction": _rounded(found.array_fraction, 4),
            "load_efficiency": _rounded(share, 4),
            "array_yield_h": _rounded(hours, 4),
            "final_yield_h": _rounded(None if share is None else hours * share, 4),
            "balance_loss_h": _rounded(None if share is None else hours * (1.0 - share), 4),
        }

    months = iec61724.grouped(days, "month")
    return {"bank": days[-1].bank, "span": entry(days), "months": {name: entry(part) for name, part in months.items()}}


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(float(value), digits)
