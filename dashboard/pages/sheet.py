"""Owns the pieces that every page is set from: sentence, section, note, caution, figure, link to a notice."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import dcc, html

from analysis.results import Finding
from dashboard.acts import Act, Danger
from dashboard.figures import Figure
from dashboard.look import GRAPH_CONFIG
from dashboard.wording import PRIORITIES, subject, word
from dashboard.writing import capital

Piece = Any


def sheet(sentence: str, *pieces: Piece, alarmed: bool = False) -> Piece:
    """A page: its one sentence, large, then the evidence."""
    return html.Article(
        [html.H1(sentence, className="sentence" + (" abnormal" if alarmed else "")), *[p for p in pieces if p]],
    )


def section(title: str, *pieces: Piece) -> Piece:
    """A part of a page under a quiet title."""
    return html.Section([html.H2(title), *[p for p in pieces if p]])


def note(text: str, kind: str = "note") -> Piece:
    """A paragraph in small quiet type."""
    return html.P(text, className=kind)


def cautions(texts: Sequence[str]) -> Piece:
    """Cautions, beside the act they belong to."""
    return html.Ul([html.Li(text) for text in texts], className="cautions") if texts else None


def figure(name: str, drawn: Figure, says: str) -> Piece:
    """A figure whose colours the browser fills in; `says` is the same in words, for who cannot see it."""
    return html.Figure(
        [
            dcc.Store(id={"type": "drawn", "name": name}, data=drawn),
            dcc.Graph(
                id={"type": "figure", "name": name},
                config=GRAPH_CONFIG,
                style={"height": f"{drawn['layout']['height']}px"},
                responsive=True,
            ),
            html.Figcaption(says),
        ],
        role="group",
        **{"aria-label": says},
    )


def before_you_touch(found: Sequence[Danger]) -> Piece:
    """What is dangerous, first of all."""
    if not found:
        return None
    return html.Section(
        [
            html.H2("Before you touch anything"),
            html.Ul(
                [
                    html.Li([capital(danger.what), ". ", html.Strong(danger.caution), " ", notice_link(danger.finding)])
                    for danger in found
                ]
            ),
        ],
        className="danger",
    )


def what_to_do(act: Act) -> list[Piece]:
    """The act, its first sentence in bold."""
    first, stop, rest = act.do.partition(". ")
    return [html.Strong(first + stop.strip()), " " + rest if rest else ""]


def notice_link(finding: Finding) -> Piece:
    """A reference to a numbered notice."""
    return dcc.Link(f"notice {finding.id}", href=f"/findings#notice-{finding.id}", className="reference")


def urgency(finding: Finding) -> str:
    """When to see to a finding, in words."""
    return f"see to it {word(PRIORITIES, finding.priority)}"


def place(finding: Finding) -> str:
    """Where a finding is."""
    return capital(subject(finding.subject))


def nothing(missing: str, todo: str, lines: Sequence[str] = ()) -> Piece:
    """A page that has nothing to draw says what is missing and what to do."""
    return sheet(missing, html.P(todo), html.Ul([html.Li(line) for line in lines]) if lines else None)
