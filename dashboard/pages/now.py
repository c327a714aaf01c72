"""Owns *Now*: what is dangerous, weather or fault, what to do first, and how much light is left."""

from __future__ import annotations

from dash import html

from analysis.sun import DAY_MS, Place, SunPath
from dashboard import sentences
from dashboard.acts import Act, acts, dangers
from dashboard.pages.sheet import (
    Piece,
    before_you_touch,
    cautions,
    note,
    notice_link,
    section,
    sheet,
    urgency,
    what_to_do,
)
from dashboard.view import View
from dashboard.wording import at_place, subject
from dashboard.writing import capital, dates, listed, percent, quantity

PATH, NAME = "/", "now"


def layout(view: View, **_unused: str) -> Piece:
    """The page."""
    standing = [f for f in view.findings if f.is_open]
    return sheet(
        sentences.headline(view.spans, view.findings, view.when),
        note(f"{dates(view.first, view.last)}, {_age(view)}", "lede"),
        *[note(f"Hands are in the {subject(one.subject)} until {view.when.moment(one.stop)}.") for one in view.work],
        before_you_touch(dangers(view.findings)),
        _first_things(view),
        section("The light", html.P(light(view))),
        section("Asked on coming aboard", _questions(view)),
        alarmed=bool(standing),
    )


def _age(view: View) -> str:
    bounds = view.record.bounds()
    end = bounds[1] if bounds else view.days[-1].stop
    line = sentences.ends_line(view.when.moment(end), view.when.ago(end))
    return line[0].lower() + line[1:]


def light(view: View) -> str:
    """Last light of the present day and the first of the next; of a day that is not judged yet, by her last berth."""
    newest = view.days[-1]
    ahead = max(0, (view.when.now - newest.start) // DAY_MS)
    first, last = newest.first_light, newest.last_light
    if last is not None and view.when.now > last + ahead * DAY_MS:
        ahead += 1
    if ahead:
        site, start = view.settings.site, newest.start + ahead * DAY_MS
        path = SunPath(start, start + DAY_MS, Place(site.latitude, site.longitude, site.elevation))
        first, _, last = path.light_of_day(start)
    if first is None or last is None:
        return "The sun does not cross the horizon these days."
    about = "about " if ahead else ""
    # From one day to the next the sun's times move by minutes at most.
    return sentences.light_line(f"{about}{view.when.moment(last)}", view.when.clock(first + DAY_MS))


def _first_things(view: View) -> Piece:
    todo = acts(view.findings)
    if not todo:
        return section("What to do first", html.P(sentences.NOTHING_TO_DO))
    return section("What to do first", html.Ol([_act(one) for one in todo], className="acts"))


def _act(one: Act) -> Piece:
    tool = "" if one.tool == "nothing" else f"; take: {one.tool}"
    return html.Li(
        [
            html.P([*what_to_do(one), " ", notice_link(one.finding)]),
            html.P(f"{capital(at_place(one.place))}{tool}. {capital(urgency(one.finding))}.", className="note"),
            cautions(one.cautions),
        ]
    )


def _questions(view: View) -> Piece:
    asked = [*_bank(view), *_sides(view), *_wiring(view), *_box(view), *_changed(view)]
    return html.Dl([piece for question, answer in asked for piece in (html.Dt(question), html.Dd(answer))])


def _bank(view: View) -> list[tuple[str, str]]:
    days = view.results.bank_days(view.days[0].start, view.days[-1].stop)
    lows = [d for d in days if d.low_v is not None]
    if not lows:
        return [("How low did the bank go?", "Cannot tell: the bank's volts are not heard.")]
    lowest = min(lows, key=lambda d: d.low_v or 0.0)
    at = f", {view.when.moment(lowest.low_at)}" if lowest.low_at else ""
    full = [d.full_at for d in days if d.full_at is not None]
    when_full = f"It was last full {view.when.moment(full[-1])}." if full else "It has not been full in this span."
    answers = [("How low did the bank go?", f"{quantity(lowest.low_v, 'V', 1)}{at}. {when_full}")]
    newest = days[-1]
    if newest.autonomy_h is not None:
        answers.append(("How long would it last without sun?", f"About {quantity(newest.autonomy_h, 'h')}."))
    return answers


def _sides(view: View) -> list[tuple[str, str]]:
    weak = {f.subject for f in view.findings if f.is_open and f.rule in sentences.AGAINST_ARRAYS}
    told = [f"the {subject(name)}" for name in sorted(weak)]
    lines = [f"{capital(subject('array.' + s.name))}: {sentences.share_line(s)}." for s in view.spans]
    judged = any(s.ratio is not None for s in view.spans)
    first = capital(listed(told)) or ("None that shows" if judged else "Cannot tell")
    answers = [("Which array is weak?", " ".join([f"{first}.", *lines]))]
    untaken = sum(s.curtailed_wh or 0.0 for s in view.spans)
    if untaken >= 1:
        answers.append(("Was there more to have?", capital(sentences.untaken_line(untaken)) + "."))
    return answers


def _wiring(view: View) -> list[tuple[str, str]]:
    bad = [f for f in view.findings if f.is_open and f.rule == "loop-resistance"]
    latest = {e.cable: e for e in view.results.loops(view.days[0].start, view.days[-1].stop) if e.ohm is not None}
    if bad:
        said = "; ".join(f"{subject(f.subject)}: {sentences.finding_line(f)}" for f in bad)
    elif latest:
        said = f"none of the {len(latest)} that can be measured"
    else:
        said = "cannot tell: no run is measured at both its ends"
    return [("Which joint has got worse?", capital(said) + ".")]


def _box(view: View) -> list[tuple[str, str]]:
    estimates = view.results.enclosures(view.days[0].start, view.days[-1].stop)
    return [("How hot was the box?", sentences.enclosure(estimates, view.findings, view.when))]


def _changed(view: View) -> list[tuple[str, str]]:
    rules = ("changed-by-itself", "clock-suspect", "instrument-unheard", "record-trouble")
    found = [f for f in view.findings if f.rule in rules]
    silent = [s.silent for s in view.spans if s.silent is not None]
    share = f"{percent(1 - max(silent))} of the daylight was heard. " if silent else ""
    lines = [
        f"{capital(subject(f.subject))}: {sentences.finding_line(f)}, {sentences.in_force(f, view.when)}."
        for f in found
    ]
    return [("What changed by itself?", share + (" ".join(lines) if lines else "Nothing that was noticed."))]
