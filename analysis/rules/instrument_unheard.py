"""An array's instruments fell silent in daylight while the rest of the record went on."""

from __future__ import annotations

from analysis.causes import CAUSES
from analysis.diagnosis import rank
from analysis.findings import History
from analysis.results import Finding, StateRun
from logger.settings import Settings

RULE = "instrument-unheard"
_LEAST_MS = 60 * 60_000
_JOIN_MS = 10 * 60_000


def found(history: History) -> list[Finding]:
    """One finding for each silence of an hour of daylight and more, nights between silences counted as one."""
    findings = []
    for name in sorted({s.array for s in history.states}):
        findings += [_finding(name, runs, history) for runs in _silences(history, name)]
    return findings


def _silences(history: History, name: str) -> list[list[StateRun]]:
    silences: list[list[StateRun]] = []
    joined = False
    for run in (r for r in history.states if r.array == name and r.state != "night"):
        if run.state == "unheard":
            if joined:
                silences[-1].append(run)
            else:
                silences.append([run])
        joined = run.state == "unheard" or (joined and run.stop - run.start < _JOIN_MS)
    return [runs for runs in silences if sum(r.stop - r.start for r in runs) >= _LEAST_MS]


def source_of(settings: Settings, array: str) -> str:
    """The source that speaks for an array: a live line before a file; the array itself where none is named."""
    controller = next((a.controller for a in settings.array if a.name == array), None)
    wanted = (f"array.{array}.", f"controller.{controller}.")
    speaking = [s for s in settings.source if any(c.channel.startswith(wanted) for c in s.channel)]
    speaking.sort(key=lambda s: s.kind == "csv")
    return f"source.{speaking[0].name}" if speaking else f"array.{array}"


def _finding(name: str, runs: list[StateRun], history: History) -> Finding:
    last = runs[-1]
    heard_again = any(
        r.array == name and r.start >= last.stop and r.state not in ("night", "unheard") for r in history.states
    )
    minutes = sum(r.stop - r.start for r in runs) / 60_000
    return Finding(
        rule=RULE,
        subject=source_of(history.settings, name),
        state="returned" if heard_again else "unacknowledged",
        priority="medium",
        since=runs[0].start,
        until=last.stop if heard_again else None,
        summary=f"nothing was heard of {name} for {minutes / 60:.1f} hours of daylight",
        evidence={"array": name, "daylight_minutes": round(minutes)},
        causes=rank(RULE, {}, CAUSES),
    )
