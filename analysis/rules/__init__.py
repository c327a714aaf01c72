"""One small file a rule; this is the one place where they are registered."""

from collections.abc import Callable

from analysis.findings import History
from analysis.results import Finding
from analysis.rules import (
    array_dead,
    changed_by_itself,
    clock_suspect,
    controller_throttled,
    enclosure_over_temperature,
    facing_suspect,
    fan_ineffective,
    instrument_unheard,
    loop_resistance,
    meters_disagree,
    record_trouble,
    sensor_suspect,
    yield_excess,
    yield_shortfall,
)

RULES: tuple[Callable[[History], list[Finding]], ...] = (
    yield_shortfall.found,
    yield_excess.found,
    array_dead.found,
    loop_resistance.found,
    enclosure_over_temperature.found,
    controller_throttled.found,
    fan_ineffective.found,
    instrument_unheard.found,
    record_trouble.found,
    changed_by_itself.found,
    sensor_suspect.found,
    clock_suspect.found,
    facing_suspect.found,
    meters_disagree.found,
)
