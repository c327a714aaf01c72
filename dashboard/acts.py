"""Owns what to do about findings: what is dangerous, the order of acts, and the caution that stands beside each."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from analysis.hands import OUT_OF_SERVICE
from analysis.results import PRIORITIES, Finding
from dashboard.wording import CAUSES, subject
from dashboard.writing import quantity

MOST_ACTS = 5

# Common practice, no source: heat that can char a plug's insulation where air does not move.
FIRE_W = 3.0

ARRAY_LIVE = (
    "Array wires are live in any light. Open the DC isolator or cover the modules before parting a plug; "
    "an arc does not go out by itself."
)
AT_BANK = (
    "Rings off, insulated tool, one pole at a time. Do not part the bank from its chargers with the sun on the arrays."
)
FIRE = "Fire risk: isolate this run before you leave."
ON_DECK = "At sea, wait for calm before you go on deck."
AT_BOX = "Secure a box that hinges out before it swings; a heatsink may be hot."
LITHIUM_COLD = "Do not charge a lithium bank below freezing."
LEAD_FROZEN = "Do not charge a frozen battery: thaw it first, and keep sparks away from it."
GAS = "Keep sparks away from the bank: it may give off gas. No fan without ignition protection where gas can gather."
NOT_CONNECT = "Do not connect this array: in the cold it can destroy its controller."
CLOSED_AGAIN = "Is every plug home, every isolator as it was, every cover back on?"
CODES = "Local codes and licensed practice come first."

_DANGERS: dict[str, str] = {
    "input-overvoltage": NOT_CONNECT,
    "bank-disconnected": "Do not open the isolator or pull the main fuse with the sun on the arrays; "
    "loads may have seen array voltage.",
    "bank-freezing": LEAD_FROZEN,
    "charging-while-freezing": LITHIUM_COLD,
    "bank-hot": GAS,
    "night-backfeed": "Current runs from the bank into the array in the dark: its wires are live at night too.",
}
_DEFAULT_DO: dict[str, str] = {
    "instrument-unheard": "Look at the instrument's plug and supply, then run 'noonmark listen'.",
    "changed-by-itself": "Compare its set points with the battery's data sheet: a restart may have put them back.",
    "clock-suspect": "Compare the machine's clock with a watch.",
    "facing-suspect": "Lay a level and a compass on its modules, and compare with tilt and azimuth in the settings.",
    "record-trouble": "Look at the free space and at the last events.",
    "load-rise": "Look for water first: lift the boards at the pump.",
}


@dataclass(frozen=True, slots=True)
class Danger:
    """Something to know before touching anything: what, and the caution."""

    what: str
    caution: str
    finding: Finding


@dataclass(frozen=True, slots=True)
class Act:
    """One thing to do: what, where, with which tool, and the cautions beside it."""

    do: str
    place: str
    tool: str
    cautions: tuple[str, ...]
    finding: Finding


def joint_watts(finding: Finding) -> float:
    """Heat in the part of a run that should not be there, at full current [W]; 0 where it is not known."""
    return float(finding.evidence.get("watts_at_full_current") or 0.0)


def dangers(findings: Iterable[Finding]) -> list[Danger]:
    """What is dangerous among the open findings, the worst first; most of all where somebody has hands in it."""
    found = []
    for finding in _worst_first(f for f in findings if f.is_open or f.state == OUT_OF_SERVICE):
        name = subject(finding.subject)
        if finding.rule == "loop-resistance":
            if joint_watts(finding) >= FIRE_W:
                heat = quantity(joint_watts(finding), "W")
                found.append(Danger(f"{name}: up to {heat} of heat in a joint at full current", FIRE, finding))
        elif finding.rule == "enclosure-over-temperature" and finding.priority == "high":
            found.append(Danger(f"{name}: hot inside", AT_BOX, finding))
        elif finding.rule in _DANGERS:
            found.append(Danger(name, _DANGERS[finding.rule], finding))
    return found


def acts(findings: Iterable[Finding]) -> list[Act]:
    """What to do first, one act a finding in force, at most five; what is dangerous comes before the rest."""
    open_findings = list(findings)
    first = [danger.finding for danger in dangers(open_findings) if danger.finding.is_open]
    rest = [f for f in by_worth(open_findings) if f not in first]
    return [act(finding) for finding in [*first, *rest][:MOST_ACTS]]


def by_worth(findings: Iterable[Finding]) -> list[Finding]:
    """Those in force, the worst first; of equals the one that has lasted longest."""
    return _worst_first(f for f in findings if f.is_open)


def _worst_first(findings: Iterable[Finding]) -> list[Finding]:
    return sorted(findings, key=lambda f: (PRIORITIES.index(f.priority), f.since, f.rule, f.subject))


def act(finding: Finding) -> Act:
    """What to do about one finding: the next check of its likeliest cause."""
    likely = next((c for c in finding.causes if c.cause != "none-of-these"), None)
    known = CAUSES.get(likely.cause) if likely else None
    do = likely.next_check if likely and likely.next_check else _DEFAULT_DO.get(finding.rule, "")
    place, tool = (known.place, known.tool) if known else ("box", "meter")
    return Act(
        do or f"Measure at the {subject(finding.subject)}, and write down what you find.",
        place,
        tool,
        tuple(_cautions(finding, place, tool, do)),
        finding,
    )


def cautions_of(subject: str) -> tuple[str, ...]:
    """What to mind before touching a part of the vessel at all."""
    kind = subject.partition(".")[0]
    found = {
        "array": (ARRAY_LIVE, ON_DECK),
        "cable": (ARRAY_LIVE,),
        "controller": (ARRAY_LIVE, AT_BANK, AT_BOX),
        "bank": (AT_BANK, GAS),
        "enclosure": (AT_BOX,),
        "fan": (AT_BOX,),
    }
    return (*found.get(kind, ()), CODES)


# Where the next check itself says it, it is not said twice.
_SAID = {ARRAY_LIVE: "live in any light", ON_DECK: "wait for calm", AT_BOX: "heatsink"}


def _cautions(finding: Finding, place: str, tool: str, do: str) -> Sequence[str]:
    kind = finding.subject.partition(".")[0]
    measures = any(word in tool for word in ("meter", "clamp"))
    found = []
    if finding.rule == "loop-resistance" and joint_watts(finding) >= FIRE_W:
        found.append(FIRE)
    if finding.rule in _DANGERS:
        found.append(_DANGERS[finding.rule])
    if kind in ("array", "cable") and measures:
        found.append(ARRAY_LIVE)
    if "bank" in (kind, place):
        found.append(AT_BANK)
        if finding.rule != "bank-hot":
            found.append(GAS)
    if "deck" in place:
        found.append(ON_DECK)
    if "box" in place:
        found.append(AT_BOX)
    if measures:
        found.append(CODES)
    return [caution for caution in found if caution not in _SAID or _SAID[caution] not in do]
