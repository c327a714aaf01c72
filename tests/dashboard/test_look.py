"""The look: legible in every palette, red alone at night, states that a printer without grey can tell apart."""

from __future__ import annotations

import pytest

from dashboard import look, wording


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it (W3C Recommendation, "relative luminance")."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio as WCAG 2.2 defines it."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_measure_of_contrast_itself() -> None:
    """Black on white is 21 to 1 by definition, and #767676 on white is the well-known grey just above 4.5."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


# WCAG 2.2 success criterion 1.4.3 asks 4.5 of text. At night secondary text may be dimmer, to spare eyes used to the
# dark: 3, which the criterion asks of large text (common practice, no source).
@pytest.mark.parametrize(
    ("palette", "role", "least"),
    [
        *((palette, role, 4.5) for palette in look.PALETTES for role in ("ink", "alert")),
        ("day", "quiet", 4.5),
        ("dusk", "quiet", 4.5),
        ("night", "quiet", 3.0),
        *((palette, "pen", 4.5) for palette in look.PALETTES),
    ],
)
def test_text_is_legible(palette: str, role: str, least: float) -> None:
    """Text and pen stand out from the paper in each palette."""
    roles = look.PALETTES[palette]
    assert contrast(roles[role], roles["paper"]) >= least


def test_the_pen_line_stands_out_from_the_band() -> None:
    """What was measured can be seen where it runs over what was expected (WCAG 2.2, 1.4.11: 3 to 1)."""
    for roles in look.PALETTES.values():
        assert contrast(roles["pen"], roles["band"]) >= 3


def test_night_is_red_alone() -> None:
    """No green and no blue at all leaves the screen at night."""
    assert all(colour[3:] == "0000" for colour in look.PALETTES["night"].values())


def test_palettes_have_the_same_roles() -> None:
    """Whatever asks for a colour finds it in each palette."""
    assert len({tuple(roles) for roles in look.PALETTES.values()}) == 1
    with pytest.raises(KeyError, match="no role 'mauve'"):
        look.colour("mauve")


def test_every_state_that_holds_back_has_its_own_hatching() -> None:
    """All states but night and free-to-give-all are hatched, no two alike."""
    assert set(look.HATCHES) == set(wording.STATES) - {"night", "unhindered"}
    assert len({(h.shape, h.solidity, h.outlined) for h in look.HATCHES.values()}) == len(look.HATCHES)


def test_painting_leaves_no_name_of_a_colour() -> None:
    """A painted figure holds colours, and everything else as it was."""
    drawn = {
        "data": [{"fillcolor": look.colour("band"), "y": [1.0, None]}],
        "layout": look.frame(200, xaxis=look.axis()),
    }
    painted = look.painted(drawn, "night")
    assert painted["data"] == [{"fillcolor": look.PALETTES["night"]["band"], "y": [1.0, None]}]
    assert "var(" not in str(painted)


def test_the_style_sheet_carries_each_palette() -> None:
    """The browser finds every role of every palette as a custom property."""
    css = look.palette_css()
    for name, roles in look.PALETTES.items():
        assert f"data-palette={name}" in css
        assert all(f"--{role}:{value};" in css for role, value in roles.items())
