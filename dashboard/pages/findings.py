"""Owns *Findings*: numbered notices with date, place, what to do and what it may be; "cancelled" when over."""

from __future__ import annotations

from dash import html

from analysis.results import Finding
from dashboard import sentences
from dashboard.acts import act, by_worth, dangers
from dashboard.pages.sheet import Piece, before_you_touch, cautions, note, place, section, sheet, urgency, what_to_do
from dashboard.view import View
from dashboard.wording import CAUSES, RULES, at_place, evidence, word
from dashboard.writing import capital, chance, sentence

PATH, NAME = "/findings", "findings"


def layout(view: View, **_unused: str) -> Piece:
    """The page."""
    standing = by_worth(view.findings)
    others = [f for f in view.findings if not f.is_open]
    return sheet(
        sentences.notices(view.findings),
        note(f"Times are {view.when.name()}. A notice keeps its number for good.", "lede"),
        before_you_touch(dangers(view.findings)),
        html.Div([_notice(view, f) for f in standing]),
        section("Cancelled and laid aside", *[_notice(view, f) for f in others]) if others else None,
        alarmed=bool(standing),
    )


def _notice(view: View, finding: Finding) -> Piece:
    head = f"{place(finding)}: {sentences.finding_line(finding)}"
    dated = sentences.in_force(finding, view.when)
    rule = RULES.get(finding.rule)
    return html.Section(
        [
            html.H3([html.Span(f"No. {finding.id}", className="number"), " ", html.Span(head)]),
            html.P(
                f"{capital(dated)}." + (f" {capital(urgency(finding))}." if finding.is_open else ""), className="dated"
            ),
            html.P(sentence(finding.summary), className="summary"),
            note(f"What this means: {rule.line}.") if rule else None,
            *(_to_do(view, finding) if finding.is_open else []),
            _causes(finding),
            _evidence(finding),
        ],
        id=f"notice-{finding.id}",
        className="notice " + (f"standing {finding.priority}" if finding.is_open else "over"),
    )


def _to_do(view: View, finding: Finding) -> list[Piece]:
    todo = act(finding)
    tool = "" if todo.tool == "nothing" else f"; take: {todo.tool}"
    return [
        html.P([html.Strong("What to do. "), *what_to_do(todo)]),
        note(f"{capital(at_place(todo.place))}{tool}."),
        cautions(todo.cautions),
    ]


# What was ruled out is no cause to read about.
_WORTH_SAYING = 0.01


def _causes(finding: Finding) -> Piece:
    shown = [c for c in finding.causes if c.probability >= _WORTH_SAYING]
    if not shown:
        return None
    said = act(finding).do if finding.is_open else ""
    return html.Table(
        [
            html.Caption("What it may be, the likeliest first"),
            html.Tbody(
                [
                    html.Tr(
                        [
                            html.Td(chance(c.probability), className="share"),
                            html.Td(
                                [capital(word(CAUSES, c.cause)), _line(c.cause)], className="cause"
                            ),
                            html.Td("As above." if c.next_check == said else c.next_check, className="check"),
                        ]
                    )
                    for c in shown
                ]
            ),
        ],
        className="causes",
    )  # fmt: skip


def _line(cause: str) -> Piece:
    known = CAUSES.get(cause)
    return html.Span(f", {known.line}", className="note") if known else None


def _evidence(finding: Finding) -> Piece:
    lines = [line for key, value in finding.evidence.items() if (line := evidence(key, value))]
    return html.P("Evidence: " + "; ".join(lines) + ".", className="note") if lines else None
