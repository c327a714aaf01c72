"""One small file a cause; this is the one place where they are registered."""

from analysis.causes import (
    bypassed_substring,
    clock_or_position,
    controller_off_best_point,
    fan_stopped,
    fan_supply,
    hot_surroundings,
    inlet_blocked,
    irradiance_sensor,
    not_enough_voltage,
    open_string,
    sensor_gain,
    series_resistance,
    shade,
    snow,
    soiling,
    undersized_cable,
    water_in_joint,
    wiring_error,
)
from analysis.diagnosis import Explanation

CAUSES: tuple[Explanation, ...] = (
    shade.EXPLANATION,
    soiling.EXPLANATION,
    snow.EXPLANATION,
    bypassed_substring.EXPLANATION,
    not_enough_voltage.EXPLANATION,
    open_string.EXPLANATION,
    series_resistance.EXPLANATION,
    undersized_cable.EXPLANATION,
    water_in_joint.EXPLANATION,
    sensor_gain.EXPLANATION,
    irradiance_sensor.EXPLANATION,
    controller_off_best_point.EXPLANATION,
    fan_stopped.EXPLANATION,
    fan_supply.EXPLANATION,
    inlet_blocked.EXPLANATION,
    hot_surroundings.EXPLANATION,
    wiring_error.EXPLANATION,
    clock_or_position.EXPLANATION,
)
