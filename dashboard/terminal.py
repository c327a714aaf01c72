"""Owns the sheets that ``assess`` and ``findings`` print, from the sentences of the pages: 80 columns, no colour."""

from __future__ import annotations

import datetime as dt
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from typing import Any
from zoneinfo import ZoneInfo

from analysis.results import Finding
from dashboard import halves, quality, trends
from dashboard.acts import CODES, acts, dangers
from dashboard.sentences import (
    AGAINST_ARRAYS,
    NO_ARRAY,
    NO_NOTICE,
    NOT_JUDGED,
    NOTHING_TO_DO,
    cause_line,
    finding_line,
    headline,
    in_force,
)
from dashboard.spans import ArraySpan, finding_from_json, from_json
from dashboard.wording import PRIORITIES, VERDICTS, at_place, subject, word
from dashboard.writing import (
    NBSP,
    LocalTime,
    capital,
    count,
    dates,
    energy,
    facing,
    percent,
    quantity,
    resistance,
    span,
)

# Which way a plane faces is worth a line from so many sunny days on.
_TELLING_DAYS = 3

# The second cause is named from this probability on; that none is known is no news.
_MAY_WELL_BE, _NONE = 0.05, "none-of-these"


def assess_text(verdict: Mapping[str, Any], width: int = 80, timezone: str = "UTC") -> str:
    """The sheet of one assessment.

    Parameters
    ----------
    verdict : mapping
        The JSON of ``assess --json``.
    width : int
        Columns.
    timezone : str
        The site's zone, for the times of findings.

    Returns
    -------
    str
        Lines of at most `width` columns; the last is the one next act, or "Nothing to do."
    """
    if not verdict["to"]:
        return _finished([verdict["site"], "", NOT_JUDGED, "Record or import something first."])
    first, last = (dt.date.fromisoformat(verdict[key]) for key in ("from", "to"))
    when = LocalTime(ZoneInfo(timezone), _noon(last))
    spans = from_json(verdict["arrays"])
    found = [finding_from_json(f) for f in verdict["findings"]]
    lines = [f"{verdict['site']}, {dates(first, last)}", "", *_dangers(found, width)]
    lines += _wrapped(headline(spans, found, when) if spans or found else NO_ARRAY, width)
    lines += ["", *_arrays(spans, found, width)] if spans else _light(verdict["light"], width)
    lines += _measures(verdict, when, width)
    if verdict.get("quality"):
        lines += [
            "",
            *(row for told in verdict["quality"] for row in _wrapped(quality.line(told), width, "  ", "    ")),
            *_halves(verdict["alike"], when, width),
        ]
    if found:
        lines += ["", *_notices(found, when, width)]
    lines += ["", *_next(found, width)]
    return _finished(lines)


def findings_text(findings: Sequence[Finding], timezone: str, width: int = 80) -> str:
    """The notices, the worst first, and the one next act."""
    newest = max((f.until or f.since for f in findings), default=0)
    when = LocalTime(ZoneInfo(timezone), newest)
    if not findings:
        return _finished([NO_NOTICE, NOTHING_TO_DO])
    return _finished([*_dangers(findings, width), *_notices(findings, when, width), "", *_next(findings, width)])


def _noon(day: dt.date) -> int:
    return round(dt.datetime(day.year, day.month, day.day, 12, tzinfo=dt.UTC).timestamp() * 1000)


def _finished(lines: Iterable[str]) -> str:
    return "\n".join(line.replace(NBSP, " ").rstrip() for line in lines)


def _wrapped(text: str, width: int, first: str = "", rest: str = "") -> list[str]:
    return textwrap.wrap(
        text, width, initial_indent=first, subsequent_indent=rest, break_long_words=True, break_on_hyphens=False
    )


def _arrays(spans: Sequence[ArraySpan], findings: Sequence[Finding], width: int) -> list[str]:
    """A table where there is room for it, else a paragraph an array."""
    wide = min(max((len(s.name) for s in spans), default=0) + 2, 18)
    if not spans:
        return []
    if width < wide + 60:
        return [
            line
            for s in spans
            for line in _wrapped(
                f"{s.name}: could have {energy(s.expected_wh)}, got {energy(s.measured_wh)}; {_share(s)} of the light; "
                f"{_verdict(s)}",
                width,
                rest="  ",
            )
        ]
    lines = [f"{'':<{wide}}{'could have':>12}{'got':>12}{'of the light':>21}  verdict"]
    for s in spans:
        lines.append(
            f"{s.name[: wide - 1]:<{wide}}{energy(s.expected_wh):>12}{energy(s.measured_wh):>12}{_share(s):>21}"
            f"  {_verdict(s)}"
        )
        for wh, why in ((s.curtailed_wh, "not taken: bank full or a limit"), (s.covered_wh, "lost under a cover")):
            if wh and s.expected_wh and wh > 0.05 * s.expected_wh:
                lines.append(f"{'':<{wide}}{energy(wh):>12}  {why}")
        # The verdict is of the whole span: what stands by its end is said beside it.
        against = [f for f in findings if f.is_open and f.rule in AGAINST_ARRAYS and f.subject == f"array.{s.name}"]
        lines += [f"{'':<{wide}}{'':>12}  but see notice No. {f.id}" for f in against]
    return lines


def _light(sensors: Sequence[Mapping[str, Any]], width: int) -> list[str]:
    """What a clear sky says of the light sensors, where there is nothing else to say."""
    said = []
    for told in sensors:
        parts = [f"{quantity(told['night_offset_wm2'], 'W/m²', 1)} at night", count(told["clear_days"], "clear day")]
        if told["gain"] is not None:
            parts.append(f"{percent(told['gain'])} of a clear sky")
        if told["noon_shift_min"] is not None:
            late = "after" if told["noon_shift_min"] > 0 else "before"
            parts.append(f"its noon {quantity(abs(told['noon_shift_min']), 'min')} {late} the sun's")
        said.append(f"{told['channel']}: " + ", ".join(parts))
    return ["", *(line for one in said for line in _wrapped(one, width, "  ", "    "))] if said else []


def _halves(pairs: Sequence[Mapping[str, Any]], when: LocalTime, width: int) -> list[str]:
    """Each pair of alike arrays, in the same moment, day by day."""
    lines: list[str] = []
    for pair in pairs:
        said = [*halves.counted(pair), halves.COLUMNS]
        lines += ["", *(row for one in said for row in _wrapped(one, width, "  ", "    "))]
        lines += ["    " + row for row in _aligned([halves.HEAD, *halves.days(pair, when)])]
    return lines


def _aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    """Rows as columns, the first to the left and the others to the right."""
    wide = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return [
        "  ".join(cell.rjust(w) if i else cell.ljust(w) for i, (cell, w) in enumerate(zip(row, wide, strict=True)))
        for row in rows
    ]


def _share(one: ArraySpan) -> str:
    if one.ratio is None:
        return "cannot tell"
    sure = f" ({span(100 * one.low, 100 * one.high)})" if one.low is not None and one.high is not None else ""
    return percent(one.ratio) + sure


def _verdict(one: ArraySpan) -> str:
    return word(VERDICTS, one.verdict) if one.verdict else ""


def _measures(verdict: Mapping[str, Any], when: LocalTime, width: int) -> list[str]:
    said: list[str] = []
    for run in verdict["wiring"]:
        if run["ohm"] is not None:
            low, high = (None if run[k] is None else 1000 * run[k] for k in ("ohm_low", "ohm_high"))
            said.append(
                f"{run['name']}: {resistance(run['ohm'])} ({span(low, high)}), drawn {resistance(run['design_ohm'])}"
            )
    for array in verdict["arrays"]:
        name = capital(subject("array." + array["name"]))
        if array["facing"] is not None and array["facing"]["days"] >= _TELLING_DAYS:
            said.append(f"{name}: by its light {facing(array['facing'])}")
        left_out = trends.without(array["trend"])
        if array["trend"]["verdict"] in ("soiling", "rising") or left_out:
            said.append(" ".join([trends.trend(array["name"], array["trend"], when), *left_out]))
        said += [f"{name}, {step}" for step in trends.steps(array["trend"], when)]
    said += [trends.twins(pair) for pair in verdict["twins"] if pair["ratio"] is not None]
    if not verdict.get("quality"):
        said += [halves.line(pair) for pair in verdict["alike"] if halves.matters(pair)]
    for box in verdict["enclosures"]:
        if box["peak_c"] is not None:
            name = subject("enclosure." + box["name"])
            held = (
                "" if box["ceiling_c"] is None else f"; held at about {quantity(box['ceiling_c'], '°C')}, as by its fan"
            )
            said.append(
                f"{name}: at most {quantity(box['peak_c'], '°C')}, limit {quantity(box['limit_c'], '°C')}{held}"
            )
    bank = verdict["bank"]
    if bank and bank["state_of_charge"] is not None:
        hours = f", {quantity(bank['autonomy_h'], 'h')} without sun" if bank["autonomy_h"] is not None else ""
        said.append(f"{subject('bank.' + bank['name'])}: {quantity(bank['state_of_charge'], '%')} full{hours}")
    return ["", *(line for one in said for line in _wrapped(one, width, "  ", "    "))] if said else []


def _notices(findings: Sequence[Finding], when: LocalTime, width: int) -> list[str]:
    lines: list[str] = []
    for f in findings:
        head = f"{f.id or '':>3}  {capital(subject(f.subject))}: {finding_line(f)}"
        lines += _wrapped(head, width, rest="     ")
        urgency = f"; see to it {word(PRIORITIES, f.priority)}" if f.is_open else ""
        lines += _wrapped(f"{in_force(f, when)}{urgency}", width, "     ", "     ")
        if f.causes:
            first, *others = f.causes
            # The next best is worth a word where it may well be it.
            named = [first, *(c for c in others[:1] if c.probability >= _MAY_WELL_BE and c.cause != _NONE)]
            ranked = ", or ".join(cause_line(c.cause, c.probability) for c in named)
            lines += _wrapped(f"most likely: {ranked}", width, "     ", "     ")
    return lines


def _dangers(findings: Sequence[Finding], width: int) -> list[str]:
    """What must be known before anything is touched, first of all."""
    lines: list[str] = []
    for danger in dangers(findings):
        lines += [*_wrapped(f"Before you touch anything: {danger.what}. {danger.caution}", width), ""]
    return lines


def _next(findings: Sequence[Finding], width: int) -> list[str]:
    lines: list[str] = []
    todo = acts(findings)
    if not todo:
        return [NOTHING_TO_DO]
    for caution in todo[0].cautions:
        if caution != CODES and caution not in [danger.caution for danger in dangers(findings)]:
            lines += _wrapped(caution, width)
    tool = "" if todo[0].tool == "nothing" else f"; take: {todo[0].tool}"
    lines += _wrapped(CODES, width) if CODES in todo[0].cautions else []
    return [*lines, *_wrapped(f"Next, {at_place(todo[0].place)}{tool}. {todo[0].do}", width, rest="  ")]
