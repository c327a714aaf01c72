"""What to do first: danger before all else, at most five acts, and the caution beside the act it belongs to."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analysis.results import Cause, Finding
from dashboard import acts, wording
from tests.dashboard import story

FOUND = story.findings()
JOINT = next(f for f in FOUND if f.rule == "loop-resistance")
FAN = next(f for f in FOUND if f.rule == "fan-ineffective")


def finding(rule: str, subject: str, priority: str = "medium", since: int = 0) -> Finding:
    return Finding(rule, subject, "unacknowledged", priority, since, None, "", {}, ())


@pytest.mark.parametrize(("watts", "shown"), [(2.9, False), (3.0, True)])
def test_three_watts_in_a_joint_are_a_fire_risk(watts: float, shown: bool) -> None:
    """From 3 W at full current on the run is to be isolated, on the page and beside the act."""
    hot = replace(JOINT, evidence=JOINT.evidence | {"watts_at_full_current": watts})
    assert bool(acts.dangers([hot])) is shown
    assert (acts.FIRE in acts.act(hot).cautions) is shown


def test_danger_comes_before_priority() -> None:
    """What can hurt is the first act even where another finding is as urgent and older."""
    parted = finding("bank-disconnected", "bank.house", "high", since=5)
    low = finding("bank-low", "bank.house", "high", since=1)
    assert [a.finding.rule for a in acts.acts([low, parted])] == ["bank-disconnected", "bank-low"]


def test_there_are_never_more_than_five_acts() -> None:
    """A tired person does five things."""
    many = [finding("sensor-suspect", f"array.a{n}", since=n) for n in range(9)]
    assert len(acts.acts(many)) == 5


def test_what_is_over_asks_for_nothing() -> None:
    """Returned and shelved findings are no acts and no dangers."""
    over = [replace(JOINT, state=state) for state in ("returned", "shelved")]
    assert acts.acts(over) == []
    assert acts.dangers(over) == []


def test_a_danger_stands_while_hands_are_in_it() -> None:
    """Nothing more is to be done about it meanwhile; whoever has hands in it must know it all the same."""
    handled = replace(JOINT, state="out-of-service")
    assert acts.acts([handled]) == []
    assert [danger.finding for danger in acts.dangers([handled])] == [handled]


@pytest.mark.parametrize(
    ("found", "caution"),
    [
        (JOINT, acts.ARRAY_LIVE),
        (JOINT, acts.CODES),
        (FAN, acts.AT_BOX),
        (finding("bank-low", "bank.house"), acts.AT_BANK),
        (finding("bank-imbalance", "bank.house"), acts.GAS),
        (finding("charging-while-freezing", "bank.house"), acts.LITHIUM_COLD),
        (finding("bank-freezing", "bank.house"), acts.LEAD_FROZEN),
        (finding("input-overvoltage", "array.cabin"), acts.NOT_CONNECT),
        (finding("array-dead", "array.cabin"), acts.ARRAY_LIVE),
    ],
)
def test_the_caution_stands_beside_its_act(found: Finding, caution: str) -> None:
    """Each kind of work carries the caution of practice for it."""
    assert caution in acts.act(found).cautions


def test_a_caution_in_the_check_itself_is_not_said_twice() -> None:
    """Where the next check already warns of live wires the page does not repeat it."""
    said = replace(JOINT, causes=(Cause("series-resistance", 0.9, "Meter it. Array wires are live in any light."),))
    assert acts.ARRAY_LIVE not in acts.act(said).cautions
    assert acts.FIRE in acts.act(said).cautions


@pytest.mark.parametrize("rule", sorted(wording.RULES))
def test_every_rule_has_something_to_do(rule: str) -> None:
    """Even a finding without causes tells where to begin."""
    todo = acts.act(finding(rule, "array.cabin"))
    assert todo.do.endswith(".")
    assert todo.place
