"""Owns one line of meaning for every key that a new settings file holds: its comments, and its questions."""

from __future__ import annotations

from typing import Final

NOTES: Final[dict[str, dict[str, str]]] = {
    "site": {
        "name": "what she is called",
        "latitude": "degrees, north is positive",
        "longitude": "degrees, east is positive",
        "elevation": "metres above the sea",
        "timezone": "for showing times only; the record is kept in UTC",
        "moored": "fixed | swinging | under way: whether the bow's bearing is known",
        "coldest_c": "°C, coldest air of the whole cruise, not only of today's berth",
        "hottest_c": "°C, hottest air of the whole cruise",
        "around": "water | land | ice | snow: what throws light back",
        "horizon": "skyline as [azimuth, elevation] pairs in degrees",
    },
    "store": {
        "path": "the record, on a disk of the machine itself; relative paths start at this file's folder",
        "flush_seconds": "a power cut may cost this much, and nothing else",
        "hot_days": "older samples move into compressed files beside the store",
    },
    "array": {
        "name": "one group of modules that ends on one controller; a-z 0-9 _ - alone",
        "controller": "which controller it feeds",
        "modules_in_series": "plus to minus in a chain: volts add up",
        "strings_in_parallel": "such chains side by side: amps add up",
        "tilt": "degrees from horizontal",
        "azimuth": "degrees from north it leans to; with moored = swinging or under way, from the bow",
        "plane_sensor": "pyranometer | reference cell: whether the plane's sensor loses light at glass as modules do",
        "mounting": "rack | gap | glued | insulated: how air reaches the back; decides how hot it gets",
        "group": "modules that lie in a way of their own: modules, tilt, azimuth, mounting, walked_on",
    },
    "module": {
        "power": "W, from the label; alone required",
        "voc": "V, open circuit",
        "isc": "A, short circuit",
        "vmp": "V, at the best point",
        "imp": "A, at the best point",
        "temp_coeff_power": "%/K, negative",
        "temp_coeff_voc": "%/K, negative; decides the volts of a cold morning",
        "temp_coeff_isc": "%/K",
        "cells_in_series": "cells in one module",
        "substrings": "bypass diodes in one module",
        "technology": "mono | poly | cdte | cigs | amorphous; only with a broadband light sensor",
    },
    "cable": {
        "name": "free text",
        "carries": "array.NAME (modules to controller) | controller.NAME (its output to the bank)",
        "length": "metres, one way",
        "area": "mm², of each of the two conductors; not a count of strands",
        "conductor": "class 1, 2, 5 or 6 of IEC 60228, plain or tinned",
    },
    "controller": {
        "name": "the charge controller; a-z 0-9 _ - alone",
        "type": "mppt (seeks the modules' best point) | pwm (joins modules and bank directly)",
        "enclosure": "the box it hangs in",
        "input_voltage_limit": "V, most volts its input bears, from its datasheet",
        "output_current_limit": "A, most it gives, from its datasheet",
        "efficiency": "output over input",
        "absorption_v": "V, as set, at 25 °C",
        "float_v": "V, as set, at 25 °C",
        "temp_comp_mv_per_cell_k": "mV/K and cell, as set, negative; how the set points fall with a warm bank",
        "start_headroom_v": "V above the bank that the array must show before an mppt controller starts",
        "run_headroom_v": "V above the bank below which an mppt controller stops",
    },
    "bank": {
        "name": "the battery bank; a-z 0-9 _ - alone",
        "chemistry": "flooded | agm | gel | lifepo4",
        "nominal_voltage": "V: 12, 24 or 48",
        "capacity_ah": "Ah, at the 20 h rate",
        "charge_min_c": "°C, below which it must not be charged, from the maker's sheet",
    },
    "enclosure": {
        "name": "the box with the electronics in it; a-z 0-9 _ - alone",
        "temperature_limit": '°C, the lowest "full output up to" figure of what hangs in it',
        "surroundings": "air.PLACE: the channel of the air it breathes",
    },
    "fan": {
        "name": "the fan of a box; a-z 0-9 _ - alone",
        "enclosure": "which box",
        "watts": "W, what it draws",
    },
}
