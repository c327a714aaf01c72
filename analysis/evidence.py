"""Owns the sentence that says why an array was in a state over a stretch, with the numbers that decided it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from analysis import states
from analysis.expected import Expected
from analysis.instruments import Measured, Surroundings
from analysis.irradiance import Light
from analysis.sun import Floats
from logger.settings import Controller

Tell = Callable[[int, int, int], str]
_Part = str | None


def teller(
    controller: Controller | None,
    light: Light,
    said: Measured,
    around: Surroundings,
    expected: Expected,
    handled: npt.NDArray[np.bool_],
) -> Tell:
    """What tells the evidence of a state over the intervals ``a <= i < b`` of the grid: ``tell(code, a, b)``.

    Parameters
    ----------
    handled : ndarray of bool
        Where hands were in the array.
    """
    return _Teller(controller, light, said, around, expected, handled).tell


class _Teller:
    def __init__(
        self,
        controller: Controller | None,
        light: Light,
        said: Measured,
        around: Surroundings,
        expected: Expected,
        handled: npt.NDArray[np.bool_],
    ) -> None:
        self.controller = controller
        self.light = light
        self.said = said
        self.around = around
        self.expected = expected
        self.handled = handled
        self._running: dict[str, tuple[Floats, Floats]] = {}

    def tell(self, code: int, a: int, b: int) -> str:
        said, numbers = _SAID[code](self, a, b)
        known = [part for part in numbers if part is not None]
        return f"{said}: {', '.join(known)}" if known else said

    # -- means over a stretch, each quantity summed up once ---------------------------------------------------------

    def mean(self, name: str, a: int, b: int) -> float | None:
        if name not in self._running:
            values = self._values(name)
            known = np.isfinite(values)
            sums = np.concatenate([[0.0], np.cumsum(np.where(known, values, 0.0))])
            self._running[name] = sums, np.concatenate([[0], np.cumsum(known)])
        total, count = self._running[name]
        n = count[b] - count[a]
        return float((total[b] - total[a]) / n) if n else None

    def _values(self, name: str) -> Floats:
        if name in ("bank_v", "bank_a", "bank_c", "solar_a", "dump_a"):
            return np.asarray(getattr(self.around, name))
        if name == "plane":
            return self.light.plane
        if name == "bound":
            return self.light.bound
        if name in ("free", "open_volts"):
            return np.asarray(getattr(self.expected.allowed, name))
        if name == "could":
            return self.expected.power
        return np.asarray(getattr(self.said, name))

    def number(self, name: str, words: str, a: int, b: int, digits: int = 1) -> _Part:
        value = self.mean(name, a, b)
        return None if value is None else words.format(f"{value:.{digits}f}".replace("-", "−"))

    # -- the pieces that several states share ------------------------------------------------------------------------

    def yielded(self, a: int, b: int) -> _Part:
        got, could = self.mean("power", a, b), self.mean("could", a, b)
        if got is None or could is None:
            return None
        return f"{got:.0f} W of the {could:.0f} W that the light allowed"

    def stage(self, a: int, b: int) -> _Part:
        """The stage that its controller named in the middle of the stretch."""
        word = self.said.stage_word((a + b) // 2)
        return None if word is None else f"stage {word}"

    def volts(self, a: int, b: int) -> _Part:
        volts, opened = self.mean("voltage", a, b), self.mean("open_volts", a, b)
        if volts is None:
            return None
        share = f", {100 * volts / opened:.0f} % of open circuit" if opened else ""
        return f"array at {volts:.1f} V{share}"

    def need(self, a: int, b: int) -> _Part:
        if self.controller is None:
            return None
        bank = self.mean("output_voltage", a, b)
        bank = self.mean("bank_v", a, b) if bank is None else bank
        if bank is None:
            return None
        volts, need = self.mean("voltage", a, b), bank + self.controller.run_headroom_v
        if volts is not None and volts >= need:
            return f"the bank needs {bank + self.controller.start_headroom_v:.1f} V to start"
        return f"the bank needs {need:.1f} V"


_Said = Callable[[_Teller, int, int], tuple[str, list[_Part]]]


def _night(t: _Teller, a: int, b: int) -> tuple[str, list[_Part]]:
    return "no light to judge by", [t.number("plane", "{} W/m² in the plane", a, b, 0)]


def _unheard(t: _Teller, a: int, b: int) -> tuple[str, list[_Part]]:
    return "no instrument of the array was heard", []


def _unknown(t: _Teller, a: int, b: int) -> tuple[str, list[_Part]]:
    if t.handled[a:b].any():
        return "hands in it", []
    return "heard, but power, or the time, cannot be told", [t.volts(a, b)]


def _diverting(t: _Teller, a: int, b: int) -> tuple[str, list[_Part]]:
    return "the dump takes the surplus", [t.number("dump_a", "{} A into the dump", a, b), t.yielded(a, b)]


def _held_back(t: _Teller, a: int, b: int) -> tuple[str, list[_Part]]:
    return "another charger lifts the bank", [
        t.number("bank_a", "{} A into the bank", a, b),
        t.number("solar_a", "{} A of it solar", a, b),
        t.number("output_voltage", "{} V out", a, b),
        t.volts(a, b),
    ]


def _bank(t: _Teller, a: int, b: int) -> tuple[str, list[_Part]]:
    out = t.number("output_voltage", "{} V out", a, b)
    return "the controller holds its set point", [t.stage(a, b), out, t.volts(a, b), t.yielded(a, b)]


def _current(t: _Teller, a: int, b: int) -> tuple[str, list[_Part]]:
    limit = t.controller.output_current_limit if t.controller else None
    return "output at the controller's limit", [
        t.number("output_current", "{} A out", a, b),
        None if limit is None else f"its limit is {limit:g} A",
        t.yielded(a, b),
    ]


def _heat(t: _Teller, a: int, b: int) -> tuple[str, list[_Part]]:
    return "the controller gives less because it is hot", [
        t.number("heatsink", "heatsink at {} °C", a, b, 0),
        t.number("output_current", "{} A out", a, b),
        t.yielded(a, b),
    ]


def _cold(t: _Teller, a: int, b: int) -> tuple[str, list[_Part]]:
    return "the bank is too cold to be charged", [t.number("bank_c", "bank at {} °C", a, b), t.volts(a, b)]


def _covered(t: _Teller, a: int, b: int) -> tuple[str, list[_Part]]:
    return "almost no light reaches its cells since a frost", [t.yielded(a, b), t.volts(a, b)]


def _too_low(t: _Teller, a: int, b: int) -> tuple[str, list[_Part]]:
    return "the array's volts lie below what the bank needs", [
        t.number("voltage", "array at {} V", a, b), t.need(a, b), t.yielded(a, b),
    ]  # fmt: skip


def _no_current(t: _Teller, a: int, b: int) -> tuple[str, list[_Part]]:
    return "good light, instruments heard, no current", [t.stage(a, b), t.volts(a, b), t.yielded(a, b)]


def _unhindered(t: _Teller, a: int, b: int) -> tuple[str, list[_Part]]:
    return "nothing held it back", [t.yielded(a, b)]


_SAID: dict[int, _Said] = {
    states.NIGHT: _night,
    states.UNHEARD: _unheard,
    states.UNKNOWN: _unknown,
    states.DIVERTING: _diverting,
    states.HELD_BACK: _held_back,
    states.BANK: _bank,
    states.CURRENT: _current,
    states.HEAT: _heat,
    states.COLD: _cold,
    states.COVERED: _covered,
    states.TOO_LOW: _too_low,
    states.NO_CURRENT: _no_current,
    states.UNHINDERED: _unhindered,
}
