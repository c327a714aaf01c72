"""Owns the one sentence of each page, command and notice, written once, in plain words for a tired person.

Of a finding's evidence these keys are used where they are there: ``judged_ratio`` and ``mostly`` ("morning", "midday",
"afternoon") of a shortfall, ``grey_ratio`` and ``grey_against`` of one that the grey skies showed, ``excess_ratio`` of
an excess, ``covered_wh`` of a cover; ``ohm`` and ``design_ohm`` of a run; ``peak_c`` and ``limit_c`` of a box;
``k_per_w`` and ``baseline_k_per_w``, or ``ceiling_c`` and ``peak_c``, of a fan; ``apart_v`` of the halves of a bank;
``to_the_hour`` of whatever is dated closer than to a day.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from analysis.results import ArrayDay, EnclosureEstimate, Finding, LoopEstimate
from dashboard.spans import ArraySpan, total
from dashboard.trends import of_its_twin
from dashboard.wording import CAUSES, FINDING_STATES, PRIORITIES, RULES, STATES, subject, word
from dashboard.writing import (
    LocalTime,
    capital,
    chance,
    count,
    energy,
    facing,
    late,
    listed,
    number,
    percent,
    quantity,
    resistance,
    span,
)

AGAINST_ARRAYS = ("yield-shortfall", "array-dead")
# Shortfalls that the clear days tell among themselves.
BY_CLEAR_DAYS = ("clear days", "hours of the sun")
_POOR_DAY = 0.5
# A cause is named in the first sentence where it is so likely.
_LIKELY = 0.5
# Under these shares of what the light allowed it is not worth a word.
_WORTH_SAYING = 0.05
_SOUND = 0.02

# Judged by whole days: an hour would only pretend to be known, but where a finding says that it is (`to_the_hour`).
_BY_THE_DAY = (
    "yield-shortfall",
    "yield-excess",
    "loop-resistance",
    "fan-ineffective",
    "fan-needless",
    "load-rise",
    "controller-throttled",
    "facing-suspect",
)

NOTHING_TO_DO = "Nothing to do."
NO_NOTICE = "No notice is in force."
NOT_JUDGED = "Nothing has been judged yet."
NO_ARRAY = "No array is drawn in the settings: of this record only the light can be looked at."


# -- the verdict ----------------------------------------------------------------------------------------------


def headline(spans: Sequence[ArraySpan], findings: Sequence[Finding], when: LocalTime) -> str:
    """Weather or fault, over the whole span: the first sentence of *Now* and of ``assess``."""
    standing = [f for f in findings if f.is_open]
    against = sorted((f for f in standing if f.rule in AGAINST_ARRAYS), key=lambda f: f.since)
    if against:
        return "Not the weather: " + listed([_shortfall(f, spans, when) for f in against]) + "."
    if not spans:
        return NOT_JUDGED
    sound = _sound(spans)
    if standing:
        worst = min(standing, key=lambda f: (list(PRIORITIES).index(f.priority), f.since))
        what = f"{finding_line(worst)}, {subject(worst.subject)}, since {when.day(worst.since)}."
        return f"{_got(spans)}, but something else is wrong: {what}" if sound else f"{_cannot_tell(spans)} And: {what}"
    if not sound:
        return _cannot_tell(spans)
    return _no_fault(spans)


def _shortfall(finding: Finding, spans: Sequence[ArraySpan], when: LocalTime) -> str:
    name = finding.subject.partition(".")[2]
    since = when.day(finding.since)
    if finding.rule == "array-dead":
        return f"the {name} array has given nothing since {since}"
    if _is_cover(finding):
        return f"the {name} array has lain covered since {since}"
    if "judged_ratio" not in finding.evidence and "grey_ratio" in finding.evidence:
        return f"the {name} array has given {of_its_twin(finding)} since {since}"
    if finding.evidence.get("found_by") in BY_CLEAR_DAYS:
        return f"the {name} array {finding_line(finding)}, since {since}"
    share = finding.evidence.get("judged_ratio", next((s.ratio for s in spans if s.name == name), None))
    gave = f"{percent(share)} of what the light allowed" if share is not None else "less than the light allowed"
    mostly = finding.evidence.get("mostly")
    when_lost = {"morning": ", lost mostly in the morning", "midday": ", lost mostly around noon",
                 "afternoon": ", lost mostly in the afternoon"}.get(str(mostly), "")  # fmt: skip
    return f"the {name} array has given {gave} since {since}{when_lost}{_likeliest(finding)}"


def _likeliest(finding: Finding) -> str:
    """The first cause, where it is likelier than all others together."""
    first = next(iter(finding.causes), None)
    if first is None or first.probability < _LIKELY or first.cause == "none-of-these":
        return ""
    return f" ({word(CAUSES, first.cause)}, most likely)"


def _is_cover(finding: Finding) -> bool:
    return "covered_wh" in finding.evidence


def _sound(spans: Sequence[ArraySpan]) -> bool:
    return bool(_judged(spans))


def _judged(spans: Sequence[ArraySpan]) -> list[ArraySpan]:
    """Those of which something can be told: a ratio of a few minutes is a number and no verdict."""
    return [s for s in spans if s.ratio is not None and s.verdict != "cannot tell"]


def _got(spans: Sequence[ArraySpan]) -> str:
    judged = _judged(spans)
    shares = sorted({round(100 * (s.ratio or 0)) for s in judged})
    shown = f"{shares[0]}" if len(shares) == 1 else f"{shares[0]} to {shares[-1]}"
    who = f"The {judged[0].name} array" if len(judged) == 1 else "The arrays"
    return f"{who} got {shown}\u00a0% of what the light allowed"


def _no_fault(spans: Sequence[ArraySpan]) -> str:
    got = _got(spans)
    got = got[0].lower() + got[1:]
    poor, days = poor_days(spans)
    allowed = total(s.expected_wh for s in spans) or 0.0
    untaken = total(s.curtailed_wh for s in spans) or 0.0
    covered = [s for s in spans if s.covered_days]
    if covered:
        who = listed([f"the {s.name} array on {count(s.covered_days, 'day')}" for s in covered])
        return f"Covered, not faulty: snow, a sail or a cover lay on {who}; whenever free, {got}."
    if poor >= max(2, days / 4):
        return (
            f"It was the weather: {got}, and on {count(poor, 'day')} of {days} "
            "the light allowed less than half of the best day."
        )
    if untaken > _WORTH_SAYING * allowed:
        return f"Nothing is wrong: {got} whenever free to give all; {untaken_line(untaken)}."
    return f"Nothing is wrong: {got}."


def untaken_line(wh: float) -> str:
    """What the bank had no room for."""
    return f"could have taken {energy(wh)} more: bank full"


def _cannot_tell(spans: Sequence[ArraySpan]) -> str:
    days = max((len(s.light) for s in spans), default=0)
    silent = [s.silent for s in spans if s.silent is not None]
    if silent and min(silent) == 1.0:
        return (
            "Cannot tell yet: nothing was heard of what an array gives. "
            "A source of its volts and amps, or of its power (array.NAME.power), would settle it."
        )
    if silent and min(silent) > 0.5:
        return (
            "Cannot tell yet: more than half of the daylight was not heard. "
            "A day with every instrument speaking would settle it."
        )
    known = [s.completeness for s in spans if s.completeness is not None]
    if known and max(known) < 0.5:
        return (
            "Cannot tell yet: for most of the daylight nobody knows what the light allowed. "
            "A light sensor (irradiance.horizontal.global) would settle it."
        )
    return (
        f"Cannot tell yet: in {count(days, 'day')} no array was free to give all for an hour in good light. "
        "A bright hour with the bank below full would settle it."
    )


def poor_days(spans: Sequence[ArraySpan]) -> tuple[int, int]:
    """Days on which the light allowed less than half of the best day, and all days."""
    light: dict[dt.date, float] = {}
    for one in spans:
        for day, wh in one.light.items():
            light[day] = light.get(day, 0.0) + wh
    best = max(light.values(), default=0.0)
    return sum(wh < _POOR_DAY * best for wh in light.values()), len(light)


# -- findings -------------------------------------------------------------------------------------------------


def finding_line(finding: Finding) -> str:
    """A finding in a few words with its size: "bad joint or thin cable, +430 mΩ"."""
    e = finding.evidence
    size = ""
    if finding.rule in ("yield-shortfall", "yield-excess"):
        return _harvest_line(finding)
    if finding.rule == "loop-resistance" and e.get("ohm") is not None and e.get("design_ohm") is not None:
        size = f"+{resistance(e['ohm'] - e['design_ohm'])}"
    elif finding.rule == "enclosure-over-temperature" and e.get("peak_c") is not None:
        size = quantity(e["peak_c"], "°C") + (f" of {quantity(e['limit_c'], '°C')}" if e.get("limit_c") else "")
    elif finding.rule == "bank-imbalance" and e.get("apart_v") is not None:
        return f"halves apart by {quantity(e['apart_v'], 'V', 1)}"
    elif finding.rule == "facing-suspect" and e.get("tilt") is not None:
        size = f"by its light {facing(e)}"
    elif finding.rule == "clock-suspect" and e.get("spells"):
        size = late(float(e["noon_shift_min"])) + (" while summer time holds" if e.get("with_civil_clock") else "")
    elif finding.rule == "fan-ineffective" and e.get("k_per_w") is not None:
        usual = e.get("baseline_k_per_w")
        size = quantity(e["k_per_w"], "K/W", 2) + (f", was {number(usual, 2)}" if usual else "")
    elif finding.rule == "fan-ineffective" and e.get("ceiling_c") is not None:
        size = f"box at {quantity(e['peak_c'], '°C')}, where it was held at {quantity(e['ceiling_c'], '°C')}"
    return word(RULES, finding.rule) + (f", {size}" if size else "")


def _harvest_line(finding: Finding) -> str:
    """The same of an array that gave less, or more, than the light allowed."""
    e = finding.evidence
    line = word(RULES, finding.rule)
    if e.get("excess_ratio") is not None and e.get("light") == "clear sky":
        line = f"gave {percent(e['excess_ratio'])} of what a cloudless sky allows it"
    elif e.get("excess_ratio") is not None:
        line = f"gave {percent(e['excess_ratio'])} of what its settings allow"
    elif e.get("found_by") == "clear days":
        line = f"lost {percent(e['lost_fraction'])} from clear day to clear day"
    elif e.get("found_by") == "hours of the sun":
        line = f"dips {e['hours']}, {energy(e['lost_wh'] / max(len(e['days']), 1))} a clear day"
    elif _is_cover(finding):
        line = f"covered, {energy(e['covered_wh'])} lost"
    elif e.get("judged_ratio") is not None:
        line = f"got {percent(e['judged_ratio'])} of what the light allowed"
    elif e.get("grey_ratio") is not None:
        line = f"got {of_its_twin(finding)}"
    return line


def in_force(finding: Finding, when: LocalTime) -> str:
    """Since when a notice stands, or when it was cancelled."""
    state = word(FINDING_STATES, finding.state)
    said = when.day if finding.rule in _BY_THE_DAY else when.moment
    began = (when.moment if finding.evidence.get("to_the_hour") else said)(finding.since)
    if finding.is_open:
        return f"{state} since {began}"
    ended = f" {said(finding.until)}" if finding.until else ""
    return f"{state}{ended}, raised {began}"


def cause_line(cause: str, probability: float) -> str:
    """A cause with its probability."""
    return f"{word(CAUSES, cause)}, {chance(probability)}"


def notices(findings: Sequence[Finding]) -> str:
    """The first sentence of *Findings*."""
    standing = [f for f in findings if f.is_open]
    if not standing:
        over = len(findings)
        return NO_NOTICE + (f" {capital(count(over, 'notice'))} in this span {_was(over)} cancelled." if over else "")
    first = min(standing, key=lambda f: (list(PRIORITIES).index(f.priority), f.since))
    many = len(standing)
    return (
        f"{capital(count(many, 'notice'))} {'is' if many == 1 else 'are'} in force"
        + (". " if many == 1 else "; see first to this one. ")
        + f"{capital(subject(first.subject))}: {finding_line(first)}."
    )


def _was(n: int) -> str:
    return "was" if n == 1 else "were"


# -- harvest --------------------------------------------------------------------------------------------------


def harvest(spans: Sequence[ArraySpan], days: int) -> str:
    """The first sentence of *Harvest*."""
    got, allowed = total(s.measured_wh for s in spans), total(s.expected_wh for s in spans)
    if got is None or not allowed:
        return f"Cannot tell what {count(days, 'day')} were worth: at no moment were light and power both known."
    lost = [
        (total(s.curtailed_wh for s in spans) or 0.0, "found no room in bank or controller"),
        (total(s.covered_wh for s in spans) or 0.0, "was lost under a cover"),
    ]
    worth = [f"{energy(wh)} {why}" for wh, why in lost if wh > _WORTH_SAYING * allowed]
    tail = f"; {listed(worth)}" if worth else ""
    return f"In {count(days, 'day')} she got {energy(got)} of the {energy(allowed)} that the light allowed{tail}."


_LIMITED = ("bank-limited", "current-limited", "held-back", "heat-derated", "cold-blocked", "too-low", "diverting")


# Said once, under the almanac: a nameplate is no promise.
NAMEPLATE_NOTE = (
    "What an array could have had is reckoned from the light and the warmth of each minute, not from its nameplate: a "
    "module of 100 W that gives 75 W in a warm noon sun is healthy."
)


def held_back(day: ArrayDay, likely: str | None = None) -> str:
    """What held an array back on one day, in a few words; empty where nothing worth a word did.

    `likely` is the likeliest cause of a shortfall that stood on that day.
    """
    allowed = day.expected_wh or 0.0
    said = []
    if (day.curtailed_wh or 0.0) > _WORTH_SAYING * allowed:
        longest = max(_LIMITED, key=lambda state: day.states.get(state, 0.0))
        said.append(f"{word(STATES, longest)}, {energy(day.curtailed_wh)}")
    if (day.covered_wh or 0.0) > _WORTH_SAYING * allowed:
        said.append(f"{word(CAUSES, day.cause) if day.cause else 'covered'}, {energy(day.covered_wh)}")
    elif day.verdict == "shortfall" and (day.cause or likely):
        said.append(word(CAUSES, day.cause or likely or ""))
    return "; ".join(said)


# -- wiring and box -------------------------------------------------------------------------------------------


def wiring(latest: Sequence[LoopEstimate], findings: Sequence[Finding], drawn: int, when: LocalTime) -> str:
    """The first sentence of *Wiring*; `drawn` is the number of runs in the settings."""
    bad = [f for f in findings if f.is_open and f.rule == "loop-resistance"]
    if bad:
        lines = [f"{subject(f.subject)} since {when.day(f.since)}: {finding_line(f)}" for f in bad]
        head = "One run holds back more than its copper should" if len(bad) == 1 else "Some runs hold back too much"
        return f"{head}: {listed(lines)}."
    known = [e for e in latest if e.ohm is not None]
    if known:
        left = drawn - len(known)
        tail = f" {capital(count(left, 'run'))} could not be measured." if left > 0 else ""
        return f"Every run that can be measured is as good as it was drawn.{tail}"
    if not drawn:
        return "No run of cable stands in the settings, so none can be judged."
    return (
        "Cannot tell yet: no run has been measured at both its ends with current enough. "
        "Volts at the modules' end, on a bright day, would settle it."
    )


def leg(estimate: LoopEstimate | None, needs: Sequence[str]) -> str:
    """What is known of one run of cable; `needs` are channels that are not heard."""
    if estimate is not None and estimate.ohm is not None:
        interval = span(
            None if estimate.ohm_low is None else 1000 * estimate.ohm_low,
            None if estimate.ohm_high is None else 1000 * estimate.ohm_high,
        )
        return f"{resistance(estimate.ohm)} measured ({interval})"
    if needs:
        return f"cannot tell: {listed(list(needs))} would settle it"
    return "cannot tell yet: an hour or two with current over a fifth of the full would settle it"


def enclosure(latest: Sequence[EnclosureEstimate], findings: Sequence[Finding], when: LocalTime) -> str:
    """The first sentence of *Enclosure*, from the estimates of the span."""
    standing = [f for f in findings if f.is_open and f.subject.partition(".")[0] in ("enclosure", "fan")]
    peaks = [e for e in latest if e.peak_c is not None]
    top = max(peaks, key=lambda e: (e.peak_c or 0.0) - e.limit_c) if peaks else None
    warm = (
        f"The {subject('enclosure.' + top.enclosure)} reached {quantity(top.peak_c, '°C')}, "
        f"its limit is {quantity(top.limit_c, '°C')}"
        if top
        else ""
    )
    if standing:
        return f"{capital(listed([_box_trouble(f, when) for f in standing]))}." + (f" {warm}." if warm else "")
    if top is None:
        return "Cannot tell how warm the box gets: no thermometer in it is heard."
    over = (top.peak_c or 0.0) > top.limit_c
    return f"{warm}: {'over it, but not for long' if over else 'all is well in there'}."


def _box_trouble(finding: Finding, when: LocalTime) -> str:
    name, since = subject(finding.subject), when.day(finding.since)
    if finding.rule == "fan-ineffective":
        return f"the {name} has made no difference since {since}"
    if finding.rule == "enclosure-over-temperature":
        return f"the {name} has been too hot since {since}"
    return f"the {name}: {finding_line(finding)}, since {since}"


def light_line(sunset: str, sunrise: str) -> str:
    """When the light ends and comes back."""
    return f"Last light {sunset}, first light again about {sunrise}."


def ends_line(until: str, ago: str) -> str:
    """How old the newest reading is."""
    return f"The record ends {until}, {ago}."


def share_line(one: ArraySpan) -> str:
    """What one array got, with its interval."""
    if one.ratio is None:
        return "cannot tell: no hour to judge it by"
    low, high = (None if v is None else 100 * v for v in (one.low, one.high))
    sure = f" ({number(low)} to {number(high)})" if low is not None and high is not None else ""
    return f"got {percent(one.ratio)} of what the light allowed{sure}"
