"""A controller was so hot that it gave less than its array offered: look at fan, air and meshes."""

from __future__ import annotations

from analysis.causes import CAUSES
from analysis.diagnosis import rank
from analysis.findings import History, Spell, between_changes, spells
from analysis.results import ArrayDay, Finding

RULE = "controller-throttled"
# So long in a day counts; a day of an hour's free light without it clears; common practice, no source.
_LEAST_MIN, _FREE_MIN = 20.0, 60.0
_STATE = "heat-derated"


def found(history: History) -> list[Finding]:
    """One finding for each spell of each controller; a change of the controller ends it."""
    findings = []
    for controller, days in _by_controller(history).items():
        for stretch, changed in between_changes(days, history.changes.get(f"controller.{controller}", ())):
            for spell in spells(
                stretch,
                bad=lambda d: _minutes(d) >= _LEAST_MIN,
                well=lambda d: _minutes(d) == 0.0 and d.judging_min >= _FREE_MIN,
                to_raise=1,
            ):
                findings.append(_finding(controller, spell, changed, history))
    return findings


def _by_controller(history: History) -> dict[str, list[ArrayDay]]:
    """The days of each controller: where several arrays feed it, the one that was throttled longest speaks."""
    hottest: dict[str, dict[int, ArrayDay]] = {}
    for d in history.array_days:
        standing = history.settings.on(d.day).array
        controller = next((a.controller for a in standing if a.name == d.array), None)
        if controller is None:
            continue
        known = hottest.setdefault(controller, {}).get(d.start)
        if known is None or _minutes(d) > _minutes(known):
            hottest[controller][d.start] = d
    return {controller: [days[t] for t in sorted(days)] for controller, days in hottest.items()}


def _minutes(day: ArrayDay) -> float:
    return day.states.get(_STATE, 0.0)


def _finding(controller: str, spell: Spell[ArrayDay], changed: int | None, history: History) -> Finding:
    shown, until = spell.shown, spell.returned.start if spell.returned else changed
    minutes = sum(_minutes(d) for d in shown)
    standing = history.settings.on(shown[-1].day)
    box = next((c.enclosure for c in standing.controller if c.name == controller), None)
    features = {"has_fan": float(any(fan.enclosure == box for fan in standing.fan))}
    return Finding(
        rule=RULE,
        subject=f"controller.{controller}",
        state="unacknowledged" if until is None else "returned",
        priority="medium",
        since=shown[0].start,
        until=until,
        summary=(
            f"the {controller} controller was throttled by heat for {minutes / 60:.1f} hours on {_days(len(shown))}"
        ),
        evidence={"days": [d.day.isoformat() for d in shown], "throttled_minutes": round(minutes)},
        causes=rank(RULE, features, CAUSES),
    )


def _days(n: int) -> str:
    return "one day" if n == 1 else f"{n} days"
