"""Owns *Wiring*: each array's way to the bank as a list of stations with milliohms between, read top to bottom."""

from __future__ import annotations

from dash import html

from analysis.results import LoopEstimate
from dashboard import figures, runs, sentences
from dashboard.acts import ARRAY_LIVE, CODES, dangers
from dashboard.pages.sheet import Piece, before_you_touch, cautions, figure, note, section, sheet
from dashboard.view import View
from dashboard.writing import capital, energy, number, quantity, resistance

PATH, NAME = "/wiring", "wiring"

# More than a year of one estimate a day would hide what is new.
TREND_DAYS = 400


def layout(view: View, **_unused: str) -> Piece:
    """The page."""
    stop = view.days[-1].stop
    trend: dict[str, list[LoopEstimate]] = {}
    for estimate in view.results.loops(stop - TREND_DAYS * 86_400_000, stop):
        trend.setdefault(estimate.cable, []).append(estimate)
    drawn = runs.runs(view.settings, view.record.channels())
    latest = {cable: known[-1] for cable, es in trend.items() if (known := [e for e in es if e.ohm is not None])}
    legs = sum(len(group) for run in drawn for group in run.legs)
    of_runs = [f for f in view.findings if f.rule == "loop-resistance"]
    return sheet(
        sentences.wiring(list(latest.values()), view.findings, legs, view.when),
        note(
            "Resistance of both conductors and of every joint between two stations, found from ordinary days. "
            "In brackets: where it lies in 19 cases of 20.",
            "lede",
        ),
        before_you_touch(dangers(of_runs)),
        cautions([ARRAY_LIVE, CODES]),
        *[_run(view, run, latest, trend) for run in drawn],
        alarmed=any(f.is_open for f in of_runs),
    )


def _run(
    view: View, run: runs.Run, latest: dict[str, LoopEstimate], trend: dict[str, list[LoopEstimate]]
) -> Piece:  # fmt: skip
    rows: list[Piece] = []
    for place, station in enumerate(run.stations):
        rows.append(html.Li(html.Strong(capital(station)), className="station"))
        if place == len(run.legs):
            break
        for leg in run.legs[place]:
            rows.append(_leg(view, leg, latest.get(leg.cable.name)))
        if not run.legs[place]:
            within = place == 1
            rows.append(
                html.Li("the controller itself" if within else "no cable drawn in the settings", className="leg")
            )
    cables = [leg.cable.name for group in run.legs for leg in group]
    return section(
        f"From the {run.array} array to the bank",
        html.Ol(rows, className="stations"),
        *[_trend(view, name, trend[name]) for name in cables if name in latest],
    )


def _leg(view: View, leg: runs.Leg, estimate: LoopEstimate | None) -> Piece:
    cable = leg.cable
    bad = any(f.is_open and f.subject == f"cable.{cable.name}" for f in view.findings)
    said: list[Piece] = [
        html.P([html.Span(cable.name, className="name"),
                f", {number(cable.length, 1)} m each way, {number(cable.area, 1)} mm²"]),
        html.P(sentences.leg(estimate, leg.needs), className="measure" + (" abnormal" if bad else "")),
    ]  # fmt: skip
    if estimate is not None and estimate.ohm is not None:
        said.append(html.P(_consequence(view, estimate), className="note"))
    return html.Li(said, className="leg")


def _consequence(view: View, estimate: LoopEstimate) -> str:
    parts = [f"{resistance(estimate.design_ohm)} as drawn"]
    if estimate.current_a is not None and estimate.ohm is not None:
        watts = estimate.ohm * estimate.current_a**2
        parts.append(f"{quantity(watts, 'W')} lost at its full {quantity(estimate.current_a, 'A', 1)}")
    if estimate.drop_percent is not None:
        parts.append(f"{quantity(estimate.drop_percent, '%', 1)} of the volts")
    if estimate.loss_wh is not None:
        parts.append(f"{energy(estimate.loss_wh)} on {view.when.day(estimate.at)}")
    return "; ".join(parts) + "."


def _trend(view: View, name: str, estimates: list[LoopEstimate]) -> Piece:
    known = [e for e in estimates if e.ohm is not None]
    first, last = known[0], known[-1]
    says = (
        f"{capital(name)}: {resistance(first.ohm)} on {view.when.day(first.at)}, "
        f"{resistance(last.ohm)} on {view.when.day(last.at)}, drawn {resistance(last.design_ohm)}."
    )
    return figure(f"loop-{name.replace(' ', '-').replace('.', '-')}", figures.loop_trend(estimates, view.when), says)
