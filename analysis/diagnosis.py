"""Owns the ranking of causes: how well each explains what was seen, and what to measure next.

Each cause says what it expects of a few features, as a mean and a spread. Its likelihood is set against a broad
background, so that a cause is neither paid nor punished for features of which it says nothing. Causes and their prior
odds for each rule live in `analysis.causes`, one small file each.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from analysis.results import Cause

# What a feature looks like when nothing is known: mean and spread, wide.
BACKGROUND: dict[str, tuple[float, float]] = {
    "evenness": (0.5, 0.6),  # median hourly loss over the whole loss: 1 all day alike, 0 a few hours alone
    "hours_spread": (0.5, 0.5),  # how far the hours lie apart in their loss (standard deviation), over the whole loss
    "beam_minus_grey": (0.0, 1.0),  # loss under beam less loss under cloud, over the whole loss
    "heavy_minus_light": (0.0, 1.0),  # loss at high output less loss at low, over the whole loss
    "sister_loss": (0.5, 0.7),  # what the other arrays lost over what this one lost
    "suddenness": (0.5, 0.6),  # 1 came from one day to the next, 0 crept in
    "creep": (0.3, 0.5),  # share of the loss that the slope of the clear days since the last step explains
    "washed": (0.3, 0.5),  # what a wash brought back, over the whole loss
    "recurs": (0.3, 0.4),  # share of the days on which power went or came back at one hour of the sun
    "frozen": (0.4, 0.5),  # share of the days of loss on which it froze before the light or in it
    "slid": (0.2, 0.4),  # what came back within an hour of daylight, for good, over the whole loss
    "covered": (0.2, 0.5),  # share of the loss while covered after frost
    "string_share": (0.0, 0.3),  # loss less the share of one string
    "substring_share": (0.0, 0.3),  # loss less the nearest whole number of substrings
    "by_volts": (0.4, 0.5),  # of a loss beside an alike array, what its volts lost: 1 volts alone, 0 amps alone
    "cable_share": (0.2, 0.5),  # share of the loss that the measured cable resistance explains
    "growth": (0.5, 0.8),  # growth of a resistance since it was first bad, over that first value
    "intercept": (0.0, 0.5),  # volts between two meters at no current
    "jump": (0.5, 0.6),  # 1 from one day to the next, 0 crept in (K/W)
    "ceiling_kept": (0.5, 0.6),  # 1 the box is held again, at a higher warmth; 0 nothing holds it
    "volts_share": (0.6, 0.5),  # array volts over open circuit while it gave nothing
    "trickle": (0.01, 0.02),  # what flowed at all, over what the light allows
    "below_need": (0.3, 0.5),  # share of that time with volts below the bank's need
    "by_drawing": (0.3, 0.5),  # share of that time in which sound modules would show no more
    "excess_alike": (0.4, 0.6),  # what the other arrays gave too much over what this one did
    "sky_share": (0.4, 0.6),  # share of an excess that the clear sky lays on the light sensor
    "second_share": (0.4, 0.6),  # share of an excess that the controller's counter or output lays on volts and amps
    "hours_apart": (0.7, 0.7),  # how far the hours lie apart in their excess, over the excess
    "beam_over_grey": (0.3, 0.8),  # excess under beam less that under cloud, over the whole
    "count_apart": (0.1, 0.12),  # how far an excess lies from whole or half as many modules again
    "each_day": (0.2, 0.5),  # 1 silent at the same end of each day's light
    "both_ends": (0.4, 0.5),  # silences at the other end too, over those at this one
    "never": (0.2, 0.5),  # 1 not heard once in the whole record
    "alike": (0.4, 0.5),  # share of the other arrays that were silent with it
    "has_fan": (0.5, 0.5),  # 1 the box has a fan by the settings
    "warm_air": (0.5, 0.6),  # share of the excess that warm surroundings explain
}
Expected = Mapping[str, tuple[float, float]]
_NONE_PRIOR = 0.08
# What stays for what no cause names, however well one fits; common practice, no source.
_LEAST_DOUBT = 0.03
_SHOWN = 4


@dataclass(frozen=True, slots=True)
class Explanation:
    """One cause: for which rules it stands, what it expects, what to measure next.

    Attributes
    ----------
    cause : str
        Key of the contract.
    priors : mapping
        Rule to prior weight.
    expects : mapping, or tuple of mappings
        Feature to (mean, spread); several where the cause shows itself in several ways: that which fits best counts.
    next_check : mapping or str
        The next thing to measure, by rule where it differs. Begins with what to do; the caution stands in it.
    """

    cause: str
    priors: Mapping[str, float]
    next_check: Mapping[str, str] | str
    expects: Expected | tuple[Expected, ...] = field(default_factory=dict)

    def check_for(self, rule: str) -> str:
        return self.next_check if isinstance(self.next_check, str) else self.next_check[rule]


def rank(rule: str, features: Mapping[str, float], explanations: tuple[Explanation, ...]) -> tuple[Cause, ...]:
    """Causes of a finding, the likeliest first; probabilities sum to one with those not shown.

    Parameters
    ----------
    rule : str
    features : mapping
        Those that could be worked out; a missing one speaks for nobody.
    explanations : tuple of Explanation
        All causes.
    """
    weights: list[tuple[float, str, str]] = [(_NONE_PRIOR, "none-of-these", _NOTHING_FITS)]
    for e in explanations:
        if rule in e.priors:
            weights.append((e.priors[rule] * math.exp(_support(e, features)), e.cause, e.check_for(rule)))
    # A handful of features never rules out what nobody thought of: that keeps its least share.
    known = sum(weight for weight, _, _ in weights[1:])
    doubt = max(weights[0][0], known * _LEAST_DOUBT / (1.0 - _LEAST_DOUBT))
    total = known + doubt
    ordered = sorted([(doubt, *weights[0][1:]), *weights[1:]], key=lambda row: (-row[0], row[1]))
    return tuple(Cause(cause, round(weight / total, 3), check) for weight, cause, check in ordered[:_SHOWN])


_NOTHING_FITS = "Write what you saw in the logbook, and watch two more sunny days before opening anything."


def _support(explanation: Explanation, features: Mapping[str, float]) -> float:
    ways = explanation.expects if isinstance(explanation.expects, tuple) else (explanation.expects,)
    support = max(_support_of(way, features) for way in ways)
    # Features are not independent of one another: no single cause is believed beyond e^6.
    return max(min(support, 6.0), -12.0)


def _support_of(way: Expected, features: Mapping[str, float]) -> float:
    return sum(
        _log_normal(features[name], mean, spread) - _log_normal(features[name], *BACKGROUND[name])
        for name, (mean, spread) in way.items()
        if name in features
    )


def _log_normal(x: float, mean: float, spread: float) -> float:
    return -0.5 * ((x - mean) / spread) ** 2 - math.log(spread)
