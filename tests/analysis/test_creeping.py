"""Dirt that builds slowly is a notice at five per cent on five clear days, whatever a single day can tell."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from analysis.findings import History
from analysis.folding import fold
from analysis.results import ArrayDay, Finding, Note
from analysis.rules import yield_shortfall
from tests.analysis import frames
from tests.analysis.test_findings import array_day
from tests.analysis.test_trends import note


def made(index: Callable[[int], float], n: int, noise: float = 0.006, seed: int = 1) -> list[ArrayDay]:
    """Clear days of that index, each healthy by itself: light and datasheet are known to 8 %."""
    random = np.random.default_rng(seed)
    days = []
    for i in range(n):
        ratio = index(i) * (1.0 + noise * random.standard_normal())
        by_light = {key: [500.0 * ratio, 500.0] for key in ("beam", "grey", "heavy", "light")}
        days.append(
            replace(
                array_day(i, 1.0), features=by_light, evidence="horizontal",
                judged_measured_wh=1000.0 * ratio, judged_low_wh=920.0, judged_high_wh=1080.0,
            )
        )  # fmt: skip
    return days


def told(days: list[ArrayDay], notes: list[Note] | None = None) -> list[Finding]:
    history = History(
        settings=frames.settings(), array_days=days, loops=(), enclosures=(), bank_days=(), states=(),
        stop=days[-1].stop, notes=notes or [],
    )  # fmt: skip
    return yield_shortfall.found(history)


def rained_then_washed(i: int) -> float:
    """From 1.00 to 0.90 over thirty clear days; rain lifts it to 0.97, a wash ten days later to 1.00."""
    return 1.0 - i / 300 if i < 30 else 0.97 - (i - 30) / 300 if i < 40 else 1.0 - (i - 40) / 300


def test_dirt_is_told_at_five_per_cent_and_ends_with_the_rain() -> None:
    """Lost since the fifteenth day, a tenth of a per cent a day or so; of low priority, dirt first, over with the rain,
    and every day healthy by itself."""
    days = made(rained_then_washed, 50)
    (found,) = told(days, [note(40, "washed the modules")])
    assert (found.rule, found.subject, found.priority) == ("yield-shortfall", "array.a", "low")
    assert days[12].start <= found.since <= days[18].start
    assert found.state == "returned"
    assert found.until is not None
    assert days[28].start <= found.until <= days[32].start
    assert found.evidence["lost_fraction"] == pytest.approx(0.097, abs=0.02)
    assert found.causes[0].cause == "soiling"
    assert all(d.verdict == "healthy" for d in days)


def test_clean_weeks_afterwards_take_no_notice_back() -> None:
    """What crept in over thirty days was lost, however long it stays clean after the rain and the wash."""
    (found,) = told(made(lambda i: 1.0 - i / 300 if i < 30 else 0.97 if i < 45 else 1.0, 75))
    assert found.state == "returned"
    assert found.evidence["lost_fraction"] == pytest.approx(0.097, abs=0.02)


def test_it_stands_while_nobody_washes() -> None:
    (found,) = told(made(lambda i: 1.0 - i / 300, 30))
    assert found.state == "unacknowledged"


@pytest.mark.parametrize(
    ("index", "n"), [(lambda i: 1.0, 60), (lambda i: 1.0 - i / 300, 17), (lambda i: 1.0 - i / 1500, 60)]
)
def test_less_is_no_notice(index: Callable[[int], float], n: int) -> None:
    """A sound array, under five clear days past five per cent, and dirt that takes 4 % in two months."""
    assert told(made(index, n)) == []


def test_one_finding_at_a_time() -> None:
    """Where light and datasheet show it already the clear days add none."""
    days = made(lambda i: 1.0 - i / 150, 45)
    short = [replace(d, verdict="shortfall") if (d.judged_ratio_high or 1.0) < 0.93 else d for d in days]
    found = told(short)
    assert [f.evidence["found_by"] for f in found if f.is_open] == ["light and datasheet"]


def test_a_bad_run_does_not_swallow_dirt_that_was_told_without_it() -> None:
    """What the run takes is out of the clear days already: both stand."""
    (dirt,) = told(made(lambda i: 1.0 - i / 300, 30))
    run = Finding(
        "loop-resistance", "cable.run", "unacknowledged", "high", dirt.since, None, "", {"drop_percent": 9.0}, ()
    )
    assert len(fold([dirt, run], frames.settings())) == 2
