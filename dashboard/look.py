"""Owns the look: three palettes, the hatching of states, the type; colours reach figures by name, never by value.

Figures and style sheet say ``var(--pen)``; the browser puts the chosen palette's colour in its place, so that a
change from day to night asks nothing of the server.
"""

from __future__ import annotations

import re
from typing import Any, NamedTuple

# Role by role: paper, text, secondary text, rules, the expected band, the measured line, the noon line, hatching,
# and the mark of what is abnormal. Night keeps to the red channel alone: rods hardly see light beyond 620 nm
# (common practice on a ship's bridge, no source).
PALETTES: dict[str, dict[str, str]] = {
    "day": {
        "paper": "#f5f3ec",
        "ink": "#20242a",
        "quiet": "#565a5f",
        "rule": "#c9c5b9",
        "band": "#cbc6b5",
        "pen": "#20242a",
        "noon": "#7f8284",
        "hatch": "#6c6e6e",
        "alert": "#98200c",
    },
    "dusk": {
        "paper": "#2a2c30",
        "ink": "#d8d3c6",
        "quiet": "#a9a59b",
        "rule": "#494b50",
        "band": "#50545a",
        "pen": "#ece6d8",
        "noon": "#8a8c8e",
        "hatch": "#93918b",
        "alert": "#ff9c80",
    },
    "night": {
        "paper": "#000000",
        "ink": "#ec0000",
        "quiet": "#cc0000",
        "rule": "#520000",
        "band": "#520000",
        "pen": "#ff0000",
        "noon": "#9a0000",
        "hatch": "#a80000",
        "alert": "#ff0000",
    },
}

# Charter, Cambria and the Noto and Liberation serifs come with the machines and keep figures on the line.
SERIF = 'Charter, "Bitstream Charter", Cambria, "Noto Serif", "Liberation Serif", "DejaVu Serif", serif'

_TOKEN = re.compile(r"^var\(--([a-z]+)\)$")


class Hatch(NamedTuple):
    """How the spans of a state are filled: a plotly pattern, its density, its pitch [px], and an outline or none."""

    shape: str
    solidity: float
    pitch: int
    outlined: bool


# Each can be told from the others on a printer without grey. No state here has a colour of its own.
HATCHES: dict[str, Hatch] = {
    "bank-limited": Hatch("/", 0.25, 6, True),
    "current-limited": Hatch("-", 0.35, 4, True),
    "held-back": Hatch("\\", 0.25, 6, True),
    "heat-derated": Hatch("|", 0.35, 4, True),
    "cold-blocked": Hatch("+", 0.25, 6, True),
    "too-low": Hatch("x", 0.2, 7, True),
    "diverting": Hatch("/", 0.6, 9, True),
    "covered": Hatch("x", 0.5, 5, True),
    "no-current": Hatch("", 1.0, 4, True),
    "unheard": Hatch(".", 0.15, 6, False),
    "unknown": Hatch(".", 0.45, 4, False),
}


def colour(role: str) -> str:
    """The name by which a figure or a style asks for a role's colour."""
    if role not in PALETTES["day"]:
        raise KeyError(f"no role {role!r} in the palettes")
    return f"var(--{role})"


def painted(figure: Any, palette: str) -> Any:
    """The figure with one palette's colours in place of their names, as the browser paints it."""
    if isinstance(figure, dict):
        return {key: painted(value, palette) for key, value in figure.items()}
    if isinstance(figure, list):
        return [painted(value, palette) for value in figure]
    found = _TOKEN.match(figure) if isinstance(figure, str) else None
    return PALETTES[palette][found.group(1)] if found else figure


def palette_css() -> str:
    """The palettes as custom properties; ``data-palette`` on the root element chooses, paper is always day."""
    blocks = []
    for name, roles in PALETTES.items():
        where = ":root, :root[data-palette=day]" if name == "day" else f":root[data-palette={name}]"
        scheme = "light" if name == "day" else "dark"
        values = "".join(f"--{role}:{value};" for role, value in roles.items())
        blocks.append(f"{where}{{color-scheme:{scheme};{values}--serif:{SERIF}}}")
    return "".join(blocks)


def axis(**more: Any) -> dict[str, Any]:
    """An axis without ornament: thin rule, small quiet labels, no zoom."""
    return {
        "showgrid": False,
        "zeroline": False,
        "fixedrange": True,
        "linecolor": colour("rule"),
        "tickcolor": colour("rule"),
        "tickfont": {"color": colour("quiet"), "size": 13},
        **more,
    }


def frame(height: int, **more: Any) -> dict[str, Any]:
    """The layout that every figure starts from."""
    return {
        "height": height,
        "margin": {"l": 62, "r": 10, "t": 26, "b": 34},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"family": SERIF, "color": colour("ink"), "size": 14},
        "hoverlabel": {
            "bgcolor": colour("paper"),
            "bordercolor": colour("rule"),
            "font": {"color": colour("ink"), "family": SERIF, "size": 14},
        },
        "hovermode": "closest",
        "dragmode": False,
        "bargap": 0,
        "legend": {
            "orientation": "h",
            "x": 0,
            "y": 1,
            "yanchor": "bottom",
            "font": {"color": colour("ink"), "size": 13},
            "bgcolor": "rgba(0,0,0,0)",
            "itemclick": False,
            "itemdoubleclick": False,
        },
        "showlegend": True,
        **more,
    }


# Nothing of plotly's own furniture, and nothing that could send a figure elsewhere.
GRAPH_CONFIG: dict[str, Any] = {
    "displayModeBar": False,
    "displaylogo": False,
    "showSendToCloud": False,
    "plotlyServerURL": "",
    "scrollZoom": False,
    "doubleClick": False,
    "responsive": True,
}
