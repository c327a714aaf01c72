"""Owns *Enclosure*: how warm the box gets against its limit, and how hard it is to cool with and without its fan."""

from __future__ import annotations

from dash import html

from analysis.results import EnclosureEstimate
from analysis.results_boxes import TOLD, BoxSpell
from dashboard import figures, sentences
from dashboard.acts import AT_BOX
from dashboard.pages.sheet import Piece, cautions, figure, note, section, sheet
from dashboard.view import View
from dashboard.wording import subject
from dashboard.writing import capital, hours, quantity, span

PATH, NAME = "/enclosure", "enclosure"

# More than a year of one estimate a day would hide what is new.
TREND_DAYS = 400
# A room that holds kilowatts is told by the kilowatt.
_SMALL_K_PER_W = 0.1
_FAN_WORDS = {"running": "fan told to run", "stopped": "fan stopped", "untold": "not known whether the fan ran"}


def layout(view: View, **_unused: str) -> Piece:
    """The page."""
    start, stop = view.days[0].start, view.days[-1].stop
    trend = view.results.enclosures(stop - TREND_DAYS * 86_400_000, stop)
    span_ = [e for e in trend if e.stop > start]
    held = view.results.box_spells(start, stop)
    names = list(dict.fromkeys([*(box.name for box in view.settings.enclosure), *(e.enclosure for e in trend)]))
    if not names:
        return sheet(
            "No enclosure stands in the settings, so none can be judged.",
            html.P("Add an [[enclosure]] with its temperature_limit, and name it at the controllers that it holds."),
        )
    bad = [f for f in view.findings if f.is_open and f.subject.partition(".")[0] in ("enclosure", "fan")]
    return sheet(
        sentences.enclosure(span_, view.findings, view.when),
        note(
            "K/W: by how many kelvins the box is warmer than the air it breathes, for each watt lost in it. "
            "A fan that works makes it smaller. In brackets: where it lies in 19 cases of 20.",
            "lede",
        ),
        cautions([AT_BOX]),
        *[_box(view, name, span_, trend, held) for name in names],
        alarmed=bool(bad),
    )


def _box(
    view: View, name: str, span_: list[EnclosureEstimate], trend: list[EnclosureEstimate], held: list[BoxSpell]
) -> Piece:
    mine = [e for e in span_ if e.enclosure == name]
    mine_trend = [e for e in trend if e.enclosure == name and e.thermal_resistance_k_per_w is not None]
    return section(
        capital(subject(f"enclosure.{name}")),
        html.Dl(
            [
                piece
                for ask, answer in [*_facts(view, mine), *_held(name, held)]
                for piece in (html.Dt(ask), html.Dd(answer))
            ]
        ),
        _warmth(view, name, mine),
        figure(
            f"cooling-{name}",
            figures.cooling_trend(mine_trend, view.when),
            "How hard the box is to cool, day by day, with the 95 % interval of each.",
        )
        if mine_trend
        else None,
    )


def _facts(view: View, mine: list[EnclosureEstimate]) -> list[tuple[str, str]]:
    facts: list[tuple[str, str]] = []
    peaks = [e for e in mine if e.peak_c is not None]
    if peaks:
        top = max(peaks, key=lambda e: e.peak_c or 0.0)
        at = f", {view.when.moment(top.peak_at)}" if top.peak_at else ""
        facts.append(("hottest", f"{quantity(top.peak_c, '°C', 1)} of {quantity(top.limit_c, '°C')}{at}"))
        over = sum({e.at: e.over_limit_min or 0.0 for e in peaks}.values())
        facts.append(("over its limit", hours(over) if over else "never"))
    else:
        facts.append(("hottest", "cannot tell: no thermometer in the box is heard"))
    for fan, words in _FAN_WORDS.items():
        known = [e for e in mine if e.fan == fan and e.thermal_resistance_k_per_w is not None]
        if known:
            e = known[-1]
            facts.append((
                words,
                f"{quantity(e.thermal_resistance_k_per_w, 'K/W', 2)} "
                    f"({span(e.low_k_per_w, e.high_k_per_w, 2)}), {view.when.day(e.at)}",
            ))  # fmt: skip
    if len(facts) == 2:
        facts.append(
            ("how hard to cool", "cannot tell yet: it needs a thermometer outside the box and an hour of load")
        )
    return facts


def _held(name: str, spells: list[BoxSpell]) -> list[tuple[str, str]]:
    """Where it is held, and how fast it warms, by the last days that told it; nothing of a box whose fan is heard."""
    told = next((s for s in reversed(spells) if s.enclosure == name and s.told == TOLD), None)
    if told is None:
        return []
    each_watt = told.thermal_resistance_k_per_w
    if each_watt is not None and each_watt < _SMALL_K_PER_W:
        resistance = quantity(1000.0 * each_watt, "K/kW", 1)
    else:
        resistance = quantity(each_watt, "K/W", 2)
    within = quantity(told.time_constant_min, "min")
    facts = [("over several days", f"{resistance}, two thirds of the way to it within {within}")]
    if told.ceiling_c is not None:
        sure = span(told.ceiling_low_c, told.ceiling_high_c, 1)
        facts.append(("held at", f"{quantity(told.ceiling_c, '°C', 1)} ({sure}): about there its fan cuts in"))
    return facts


def _warmth(view: View, name: str, mine: list[EnclosureEstimate]) -> Piece:
    start, stop = view.days[0].start, view.days[-1].stop
    box = view.record.series(f"enclosure.{name}.temperature", start, stop)
    if box is None or not box.t:
        return None
    settings = next((b for b in view.settings.enclosure if b.name == name), None)
    breathes = settings.surroundings if settings else None
    air = view.record.series(f"{breathes}.temperature", start, stop) if breathes else None
    fan_name = next((f.name for f in view.settings.fan if f.enclosure == name), None)
    fan = view.record.series(f"fan.{fan_name}.running", start, stop) if fan_name else None
    limit = mine[-1].limit_c if mine else (settings.temperature_limit if settings else None)
    return figure(
        f"warmth-{name}",
        figures.box_warmth(box, air, fan, limit, view.when),
        f"Warmth in the box, and of the air it breathes; hatching below says when the fan was told to run. "
        f"Times are {view.when.name()}.",
    )
