"""Owns what 1-Wire thermometers say through the kernel's files, and which of it is a temperature.

A message is the sensor's folder name, a line end, the text of its ``w1_slave`` or ``temperature`` file, and an empty
line. ``w1_slave`` shows the nine bytes as they were read twice, first with the CRC and YES or NO, then with the value
in m°C; ``temperature`` shows the value alone (Linux, Documentation/w1/slaves/w1_therm.rst).

Two values are no measurement. -127 °C is what drivers say of a sensor that is gone; no sensor measures that low.
85 °C stands in the sensor's registers when it gets power, until its first conversion is done; a box can reach it too.
It is kept where the sensor's last reading, with no failed one in between, lies near.
"""

from __future__ import annotations

import dataclasses
import re

from logger.decoders.fields import BadField, Mapping
from logger.plan import SourcePlan
from logger.readings import Record, Reject

POWER_ON_C = 85.0
NEAR_K = 15.0
"""A sensor that warms by 30 K a minute and is asked each half minute: common practice, no source."""
LOWEST_C, HIGHEST_C = -55.0, 125.0
"""What the sensors measure (their datasheets: -55 to +125 °C)."""
DISCONNECTED_C = -127.0
POWER_ON = "85 °C, far from the last reading: the sensor's value at power-on"
END = b"\n\n"
MOST_BYTES = 1024

_MESSAGE = re.compile(r"(?P<sensor>[^\n]+)\n(?P<text>.*)", re.DOTALL)
_RAW = re.compile(r"(?P<bytes>[0-9a-f]{2}(?: [0-9a-f]{2}){8}) : crc=[0-9a-f]{2} (?P<sound>YES|NO)")
_VALUE = re.compile(r"(?:^|t=)(?P<value>-?[0-9]{1,7})\s*$")


class SensorDecoder:
    """Decoder of what the kernel says of each sensor.

    Parameters
    ----------
    plan : SourcePlan
        Of kind ``onewire``; a field is the sensor's folder name.
    """

    def __init__(self, plan: SourcePlan) -> None:
        self._data = b""
        self._last: dict[str, float] = {}
        # A message speaks of one sensor, which may feed several channels.
        self._mappings: dict[str, Mapping] = {}
        for channel in plan.channels:
            self._mappings.setdefault(str(channel.field), _mapping(plan, str(channel.field)))

    def feed(self, data: bytes) -> list[Record | Reject]:
        items: list[Record | Reject] = []
        self._data += data
        while END in self._data:
            message, _, self._data = self._data.partition(END)
            items += self._message(message)
        if len(self._data) > MOST_BYTES:
            items += self.finish()
        return items

    def opened(self) -> None:
        self._data = b""
        self._last.clear()

    def finish(self) -> list[Record | Reject]:
        rest, self._data = self._data, b""
        return [Reject(rest, "half a message")] if rest else []

    def _message(self, raw: bytes) -> list[Record | Reject]:
        found = _MESSAGE.fullmatch(raw.decode("ascii", errors="replace"))
        mapping = self._mappings.get(found["sensor"]) if found else None
        if not found or mapping is None:
            return [Reject(raw, "no sensor of these settings")]
        sensor = found["sensor"]
        try:
            celsius = _celsius(found["text"])
            self._judge(sensor, celsius)
        except BadField as fault:
            if str(fault) != POWER_ON:
                self._last.pop(sensor, None)
            return [Reject(raw, str(fault))]
        self._last[sensor] = celsius
        return mapping.items(lambda _: celsius, raw)

    def _judge(self, sensor: str, celsius: float) -> None:
        if celsius == DISCONNECTED_C:
            raise BadField("-127 °C: the sensor is disconnected")
        if not LOWEST_C <= celsius <= HIGHEST_C:
            raise BadField("outside what the sensor can measure")
        last = self._last.get(sensor)
        if celsius == POWER_ON_C and (last is None or abs(celsius - last) > NEAR_K):
            raise BadField(POWER_ON)


def _mapping(plan: SourcePlan, sensor: str) -> Mapping:
    return Mapping(dataclasses.replace(plan, channels=tuple(c for c in plan.channels if c.field == sensor)))


def _celsius(text: str) -> float:
    """The value of a sensor's file, if its bytes are sound."""
    raw = _RAW.search(text)
    if raw and raw["sound"] == "NO":
        raise BadField("check does not match")
    if raw and not raw["bytes"].strip("0 "):
        raise BadField("all bits are 0: the data wire is shorted to ground")
    found = _VALUE.search(text.strip())
    if not found:
        raise BadField("not a reading")
    return int(found["value"]) / 1000
