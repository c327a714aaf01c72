"""A controller that heat throttles is told with the fan and the air to look at; a flat top by design is not."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analysis.folding import fold
from analysis.results import ArrayDay, Finding
from analysis.rules import controller_throttled
from analysis.sun import DAY_MS
from tests.analysis import frames
from tests.analysis.test_findings import array_day, changed, history


def day(n: int, **states: float) -> ArrayDay:
    named = {name.replace("_", "-"): minutes for name, minutes in states.items()}
    return replace(array_day(n, 1.0), states=named, judging_min=0.0 if named else 300.0)


def test_a_hot_noon_raises_it_at_once() -> None:
    """Three hours at 81 to 85 °C on one day: the controller's, soon to be seen to, and fan or air among the causes."""
    (found,) = controller_throttled.found(history(array_days=[day(0), day(1, heat_derated=180.0)]))
    assert (found.rule, found.subject, found.state) == ("controller-throttled", "controller.c", "unacknowledged")
    assert found.since == frames.START + DAY_MS
    assert found.evidence["throttled_minutes"] == 180
    assert {"fan-stopped", "inlet-blocked", "hot-surroundings"} <= {c.cause for c in found.causes}
    assert all(c.next_check for c in found.causes)


def test_a_flat_top_at_the_current_limit_is_no_alarm() -> None:
    """30.0 A for three hours at a cool case is by design; so are ten minutes of heat."""
    days = [day(n, current_limited=180.0, heat_derated=10.0) for n in range(5)]
    assert controller_throttled.found(history(array_days=days)) == []


def test_two_free_days_without_it_end_it() -> None:
    (found,) = controller_throttled.found(history(array_days=[day(0, heat_derated=60.0), day(1), day(2)]))
    assert (found.state, found.until) == ("returned", frames.START + DAY_MS)


def test_another_controller_begins_anew() -> None:
    days = [day(n, heat_derated=60.0) for n in range(4)]
    one, two = controller_throttled.found(history(array_days=days, changes=changed(2, "controller.c")))
    assert (one.until, two.since) == (frames.START + 2 * DAY_MS, frames.START + 2 * DAY_MS)


def test_a_box_without_a_fan_has_no_fan_to_blame() -> None:
    bare = replace(history(array_days=[day(0, heat_derated=60.0)]), settings=frames.settings(fan=[]))
    (found,) = controller_throttled.found(bare)
    assert found.causes[0].cause in ("hot-surroundings", "inlet-blocked")
    assert all(c.probability < 0.05 for c in found.causes if c.cause.startswith("fan-"))


@pytest.mark.parametrize(
    ("rule", "subject", "kept"),
    [
        ("fan-ineffective", "fan.box", 1),
        ("enclosure-over-temperature", "enclosure.box", 1),
        ("enclosure-over-temperature", "enclosure.other", 2),
    ],
)
def test_a_dead_fan_or_a_hot_box_explains_it(rule: str, subject: str, kept: int) -> None:
    """One notice, not two, where the controller hangs in that box."""
    (hot,) = controller_throttled.found(history(array_days=[day(0, heat_derated=60.0)]))
    other = Finding(rule, subject, "unacknowledged", "medium", frames.START, None, "", {}, ())
    assert len(fold([hot, other], frames.settings())) == kept
