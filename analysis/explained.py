"""Owns what a trend leaves out because something else explains it: a run's resistance, and the days of a finding."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from analysis.conductors import temperature_factor
from analysis.results import ArrayDay, Finding, LoopEstimate
from analysis.sun import DAY_MS
from logger.settings import Settings

# A day without an estimate of its own takes the last one, where that is no older; common practice, no source.
_LASTING_MS = 7 * DAY_MS
_HOT_C = 70.0
# Causes that a trend itself looks for, or that name none.
_NONE = ("soiling", "none-of-these")


@dataclass(frozen=True, slots=True)
class Explained:
    """A loss that is no matter of the trend.

    Attributes
    ----------
    subject : str
        What explains it: ``cable.gantry home run``, ``array.cabin``.
    cause : str or None
        The likeliest cause of a finding whose days are left out; None where the loss is measured and added back.
    days : int
        Clear days that it touches.
    share : float or None
        What it took on the last of them, of what the light allowed; None of days that are left out.
    finding : int or None
        Number of that finding.
    """

    subject: str
    cause: str | None
    days: int
    share: float | None
    finding: int | None = None


def without_findings(days: Sequence[ArrayDay], findings: Iterable[Finding]) -> tuple[list[ArrayDay], list[Explained]]:
    """The days of one array that no finding explains by anything but dirt, and the findings that explain the rest."""
    kept, told = list(days), []
    for finding in findings:
        if finding.rule != "yield-shortfall" or not days or finding.subject != f"array.{days[0].array}":
            continue
        cause = finding.causes[0].cause if finding.causes else None
        shown = set(finding.evidence.get("days", ()))
        hers = [d for d in kept if d.day.isoformat() in shown]
        if cause is None or cause in _NONE or not hers:
            continue
        kept = [d for d in kept if d.day.isoformat() not in shown]
        told.append(Explained(finding.subject, cause, len(hers), None, finding.id))
    return kept, told


def without_cables(
    days: Sequence[ArrayDay], settings: Settings, loops: Sequence[LoopEstimate]
) -> tuple[list[ArrayDay], list[Explained]]:
    """The days of one array with what its run took beyond its copper added back, and the run if it took anything.

    Notes
    -----
    The measured resistance less the copper's, times the amps squared over the intervals that a ratio counts. A run that
    may be sound copper in the sun takes nothing back.
    """
    found, touched = [], []
    told = _by_cable(loops)
    for d in days:
        estimate = _estimate(d, settings, told)
        beyond = _beyond(estimate)
        features, back = dict(d.features), beyond * d.features.get("judged_a2h", 0.0)
        if estimate is None or back <= 0.0:
            found.append(d)
            continue
        got, could = features.get("beam", (0.0, 0.0))
        in_beam = beyond * features.get("beam_a2h", 0.0)
        features["beam"] = [got + in_beam, could]
        found.append(replace(d, features=features, judged_measured_wh=(d.judged_measured_wh or 0.0) + back))
        if could > 0.0:
            touched.append((estimate.cable, in_beam / could))
    names = dict.fromkeys(cable for cable, _ in touched)
    return found, [
        Explained(f"cable.{name}", None, len(mine), mine[-1])
        for name in names
        if (mine := [share for cable, share in touched if cable == name])
    ]


def _by_cable(loops: Sequence[LoopEstimate]) -> dict[str, list[LoopEstimate]]:
    """The estimates that tell something, of each run in the order of time."""
    found: dict[str, list[LoopEstimate]] = {}
    for estimate in sorted(loops, key=lambda e: e.start):
        if estimate.ohm is not None:
            found.setdefault(estimate.cable, []).append(estimate)
    return found


def _estimate(day: ArrayDay, settings: Settings, loops: Mapping[str, Sequence[LoopEstimate]]) -> LoopEstimate | None:
    run = next((c.name for c in settings.cable if c.carries == f"array.{day.array}" and c.in_force(day.day)), "")
    told = loops.get(run, ())
    last = bisect_right(told, day.start, key=lambda e: e.start) - 1
    return told[last] if last >= 0 and told[last].start >= day.start - _LASTING_MS else None


def _beyond(estimate: LoopEstimate | None) -> float:
    """Resistance that no copper explains, even hot [Ω]; 0 where the estimate leaves a doubt."""
    if estimate is None or estimate.ohm is None or estimate.ohm_low is None:
        return 0.0
    hot = estimate.design_ohm * temperature_factor(_HOT_C)
    return estimate.ohm - estimate.design_ohm if estimate.ohm_low > hot else 0.0
