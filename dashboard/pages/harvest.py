"""Owns *Harvest*: the almanac, one row a local solar day, and the day strips with noon in the middle."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence

from dash import dcc, html

from analysis.report_alike import entries
from analysis.report_trends import trend_entry, twin_entry
from analysis.results import ArrayDay, SunDay
from dashboard import figures, halves, losses, sentences, standard, trend_figures, trends
from dashboard.pages.sheet import Piece, figure, note, notice_link, section, sheet
from dashboard.view import SPAN_DAYS, View
from dashboard.wording import VERDICTS, subject, word
from dashboard.writing import capital, count, dates, energy, sentence

PATH, NAME = "/harvest", "harvest"

_COLUMNS = (
    "day",
    "first light",
    "noon",
    "last light",
    "array",
    "could have",
    "got",
    "held back by",
    "verdict",
    "notes",
)


def layout(view: View, **_unused: str) -> Piece:
    """The page."""
    return sheet(
        sentences.harvest(view.spans, len(view.days)),
        note(
            f"{dates(view.first, view.last)}. A day runs from one solar midnight to the next. "
            f"Times are {view.when.name()}. In brackets: where the truth lies in 19 cases of 20.",
            "lede",
        ),
        _almanac(view),
        note(sentences.NAMEPLATE_NOTE),
        _turning(view),
        *[piece for name in dict.fromkeys(d.array for d in view.array_days) for piece in _of_array(view, name)],
        _trends(view),
        _twins(view),
        _halves(view),
        _standard(view),
    )


def _of_array(view: View, array: str) -> list[Piece]:
    return [_strips(view, array), _losses(view, array)]


def _losses(view: View, array: str) -> Piece:
    """Where the light went, as a list read from the top."""
    said = losses.lines(ladder for ladder in view.ladders if ladder.array == array)
    if not said:
        return None
    return section(
        f"Where the light of the {subject('array.' + array)} went",
        html.Ol([html.Li(line) for line in said], className="losses"),
        note(
            "Over the intervals in which light and power are both known. Each line takes from what the ones above left."
        ),
    )


def _almanac(view: View) -> Piece:
    by_day: dict[dt.date, list[ArrayDay]] = {}
    for one in view.array_days:
        by_day.setdefault(one.day, []).append(one)
    return html.Table(
        [
            html.Caption(f"Almanac of {view.settings.site.name}, {dates(view.first, view.last)}"),
            html.Thead(html.Tr([html.Th(column, scope="col", className=_css(column)) for column in _COLUMNS])),
            *[_day(view, sun, by_day.get(sun.day, [])) for sun in view.days],
            _foot(view),
        ],
        className="almanac",
    )


def _css(column: str) -> str:
    return "c-" + column.replace(" ", "-")


def _day(view: View, sun: SunDay, arrays: list[ArrayDay]) -> Piece:
    when, tall = view.when, max(len(arrays), 1)
    lit = {"first light": when.clock(sun.first_light), "noon": when.clock(sun.noon),
           "last light": when.clock(sun.last_light)}  # fmt: skip
    head = [
        html.Th(when.weekday(sun.day), scope="rowgroup", rowSpan=tall, className="c-day"),
        *[html.Td(text, rowSpan=tall, className=_css(name), **{"data-label": name}) for name, text in lit.items()],
    ]
    margin = html.Td(_margin(view, sun), rowSpan=tall, className="c-notes")
    if not arrays:
        return html.Tbody(html.Tr([*head, html.Td("nothing judged", colSpan=5), margin]))
    first, *others = arrays
    notes = html.Tr(html.Td(_margin(view, sun), colSpan=10), className="notes-below")
    rows = [
        html.Tr([*head, *_array_cells(view, first), margin]),
        *[html.Tr(_array_cells(view, other)) for other in others],
    ]
    # On a phone there is no margin: the notes then follow the day's lines.
    return html.Tbody([*rows, notes])


def _array_cells(view: View, day: ArrayDay) -> list[Piece]:
    abnormal = " abnormal" if day.verdict == "shortfall" else ""
    cells = {
        "array": day.array,
        "could have": energy(day.expected_wh),
        "got": energy(day.measured_wh),
        "held back by": sentences.held_back(day, _likely(view, day)),
    }
    return [
        *[html.Td(text, className=_css(name), **{"data-label": name}) for name, text in cells.items()],
        html.Td(
            word(VERDICTS, day.verdict), className="c-verdict" + abnormal, title=day.evidence,
            **{"data-label": "verdict"},
        ),
    ]  # fmt: skip


def _likely(view: View, day: ArrayDay) -> str | None:
    """The likeliest cause of the shortfall that stood on that day."""
    for finding in view.findings:
        stood = finding.since < day.stop and (finding.until is None or finding.until > day.start)
        if finding.rule == "yield-shortfall" and finding.subject == f"array.{day.array}" and stood and finding.causes:
            return finding.causes[0].cause
    return None


def _margin(view: View, sun: SunDay) -> list[Piece]:
    notes: list[Piece] = [
        html.P(sentence(note.text), className="logbook") for note in view.notes if sun.start <= note.t < sun.stop
    ]
    for finding in sorted(view.findings, key=lambda f: f.since):
        said = f"{capital(subject(finding.subject))}: {sentences.finding_line(finding)}. "
        if sun.start <= finding.since < sun.stop:
            notes.append(html.P([said, notice_link(finding)], className="abnormal" if finding.is_open else ""))
        if finding.until is not None and sun.start <= finding.until < sun.stop:
            notes.append(html.P([f"{capital(subject(finding.subject))}: cancelled, ", notice_link(finding)]))
    return notes


def _foot(view: View) -> Piece:
    cells = [
        html.Tr(
            [
                *([html.Th(count(len(view.days), "day"), scope="rowgroup", rowSpan=len(view.spans), colSpan=4,
                           className="c-day")] if place == 0 else []),
                html.Td(one.name, className="c-array", **{"data-label": "array"}),
                html.Td(energy(one.expected_wh), className="c-could-have", **{"data-label": "could have"}),
                html.Td(energy(one.measured_wh), className="c-got", **{"data-label": "got"}),
                html.Td(sentences.share_line(one), colSpan=3, className="c-sum"),
            ]
        )
        for place, one in enumerate(view.spans)
    ]  # fmt: skip
    return html.Tfoot(cells)


def _turning(view: View) -> Piece:
    """The way to earlier and later spans, in words."""
    every = view.results.days()
    links: list[Piece] = []
    if every[0].day < view.first:
        links.append(_turn("earlier days", view.first - dt.timedelta(days=1)))
    if view.earlier:
        links.append(_turn("later days", min(view.last + dt.timedelta(days=SPAN_DAYS), every[-1].day)))
    return html.P(links, className="turning") if links else None


def _turn(words: str, until: dt.date) -> Piece:
    return dcc.Link(words, href=f"{PATH}?until={until.isoformat()}")


def _strips(view: View, array: str) -> Piece:
    start, stop = view.days[0].start, view.days[-1].stop
    rated = max(d.rated_w for d in view.array_days if d.array == array)
    drawn = figures.day_strips(
        view.days, view.results.expected(array, start, stop), view.results.states(array, start, stop), rated, view.when
    )
    said = next(sentences.share_line(s) for s in view.spans if s.name == array)
    return section(
        f"{capital(subject('array.' + array))}, each day with noon in the middle",
        figure(
            f"strips-{array}",
            drawn,
            f"Twelve hours either side of true solar noon. The shade is what the light allowed, the line is what was "
            f"measured, white is what nobody heard; hatching below a day says what held it back. "
            f"Over these days: {said}.",
        ),
    )


def _trends(view: View) -> Piece:
    """How each array holds up, in a sentence and by its clear days."""
    pieces: list[Piece] = []
    for name in dict.fromkeys(d.array for d in view.array_days):
        trend = view.trends[name]
        entry = trend_entry(trend)
        said = trends.trend(name, entry, view.when)
        pieces.append(html.P(said))
        lines = [*trends.without(entry), *trends.steps(entry, view.when)]
        pieces.append(html.Ul([html.Li(line) for line in lines], className="steps") if lines else None)
        if len(trend.points) >= 2:
            pieces.append(figure(f"trend-{name}", trend_figures.clear_days(trend), trends.clear_caption(name)))
    return section("How the arrays hold up", *pieces, note(trends.CLEAR_NOTE))


def _twins(view: View) -> Piece:
    """Which of two arrays is the weak one, under the span's grey skies."""
    pieces: list[Piece] = []
    for (one, other), days in view.grey_days.items():
        said = trends.twins(twin_entry(one, other, days))
        pieces.append(html.P(said))
        weeks = view.grey_weeks.get((one, other), [])
        if len(weeks) >= 2:
            says = trends.grey_caption(one, other)
            pieces.append(figure(f"twins-{one}-{other}", trend_figures.grey_weeks(weeks), says))
    return section("Side against side, under grey skies", *pieces, note(trends.GREY_NOTE)) if pieces else None


def _halves(view: View) -> Piece:
    """Two alike arrays in the same moment; nothing where no two are alike."""
    pairs = entries(view.results.alike_days(view.first, view.last))
    if not pairs:
        return None
    pieces: list[Piece] = []
    for pair in pairs:
        pieces += [html.P(line) for line in halves.counted(pair)]
        pieces.append(_table(halves.HEAD, halves.days(pair, view.when)))
    return section("The two halves, in the same moment", *pieces, note(halves.COLUMNS), note(halves.NOTE))


def _standard(view: View) -> Piece:
    """The yields of IEC 61724-1: of these days, and of the week, month and season that they end in."""
    tables: list[Piece] = []
    for name in dict.fromkeys(d.array for d in view.array_days):
        entries = view.performance(name)
        rows = [(label, *values) for label, values in standard.rows(entries)]
        tables.append(_table(("", *entries), rows, capital(subject("array." + name))))
        if all(entry["reference_yield_h"] is None for entry in entries.values()):
            tables.append(note(standard.NEEDS_PLANE))
    if view.storage:
        tables += [
            html.H3(capital(subject("bank." + view.storage["bank"]))),
            html.P(standard.storage(view.storage["span"])),
        ]
    return section("By the standard, IEC 61724-1", *tables)


def _table(head: Iterable[str], rows: Iterable[Sequence[str]], caption: str | None = None) -> Piece:
    """Figures under their words, the first column telling what each row is of."""
    top = html.Thead(html.Tr([html.Th(text, scope="col") for text in head]))
    body = [html.Tr([html.Th(first, scope="row"), *map(html.Td, others)]) for first, *others in rows]
    above = [html.Caption(caption)] if caption else []
    return html.Table([*above, top, html.Tbody(body)], className="standard")
