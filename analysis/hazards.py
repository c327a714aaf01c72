"""Owns what is wrong in the drawing: hazards and costly mistakes that the settings alone show.

Thresholds without a source beside them are common practice, no source.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from analysis import modules, registers
from analysis.conductors import LISTED_AREAS, loop_ohm
from analysis.stringvolts import coldest
from logger.settings import Array, Cable, Controller, Settings

PRIORITIES = ("high", "medium", "low", "cannot tell")

DECK_C, BELOW_DECK_C = 70.0, 50.0
"""Copper of a run on deck in the sun, and of one below deck at full current [°C]."""

ARRAY_DROP = (2.0, 3.0)
"""Drop of an array's run to aim at, and to flag [% of Vmp at Imp]; 3 % is the class of ISO 13297 and ABYC E-11."""

BANK_DROP = (1.0, 2.0)
"""Drop from controller to bank to aim at, and to flag [% of the charge voltage at full output]."""

NEAR_LIMIT = 0.95
SHORT_CIRCUIT_MARGIN = 1.25
"""On the short-circuit current of what nothing limits, NEC 690.8."""

PWM_UNUSED = 0.30
"""Share of the modules' power that a switching controller may leave unused: one meant for the bank leaves a fifth."""

_CHARGE_V_PER_NOMINAL = 1.2
_SET_POINTS_APART = 0.1 / 12
_UNLIKE = 0.05
_TYPICAL_ISC_COEFFICIENT = 0.05


@dataclass(frozen=True, slots=True)
class Hazard:
    """One thing that the drawing shows.

    Attributes
    ----------
    rule : str
        Which check; the words for people are the dashboard's.
    subject : str
        The settings' kind and name, for instance ``array.cabin``; ``serial lines`` for all of them.
    priority : str
        ``high``, ``medium``, ``low``; ``cannot tell`` where a key is missing that `evidence` names under ``needs``.
    evidence : dict
        Numbers with their unit in the name.
    """

    rule: str
    subject: str
    priority: str
    evidence: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Circuit:
    """Both sides of one array's controller, for the wiring declared; None where a datasheet value is missing.

    Attributes
    ----------
    array_a, array_v : float or None
        At the modules' best point [A], [V].
    short_circuit_a, open_circuit_v : float or None
        At standard test conditions [A], [V].
    bank_a, bank_v : float or None
        What the controller gives at the bank's nominal voltage [A], [V].
    """

    array: str
    in_series: int
    in_parallel: int
    array_a: float | None
    array_v: float | None
    short_circuit_a: float | None
    open_circuit_v: float | None
    bank_a: float | None
    bank_v: float | None


def hazards(settings: Settings, today: dt.date) -> list[Hazard]:
    """All that the drawing shows, the worst first: of the parts in force today and of those fitted later.

    Parameters
    ----------
    settings : Settings
    today : date
        Solar day.
    """
    dated = [part for kind in (settings.array, settings.cable, settings.controller) for part in kind]
    days = {today, *(part.from_ for part in dated if part.from_ and part.from_ > today)}
    found: list[Hazard] = []
    for day in sorted(days):
        standing = settings.on(day)
        found += [hazard for check in _CHECKS for hazard in check(standing) if hazard not in found]
    return sorted(found, key=lambda hazard: PRIORITIES.index(hazard.priority))


def circuits(settings: Settings, today: dt.date) -> list[Circuit]:
    """Array side and battery side of each array in force, to be read against what hangs there."""
    standing = settings.on(today)
    return [_circuit(array, standing) for array in standing.array]


def _circuit(array: Array, settings: Settings) -> Circuit:
    return Circuit(
        array=array.name,
        in_series=array.modules_in_series,
        in_parallel=array.strings_in_parallel,
        array_a=_amps(array, "imp"),
        array_v=_volts(array, "vmp"),
        short_circuit_a=_amps(array, "isc"),
        open_circuit_v=_volts(array, "voc"),
        bank_a=_bank_amps(array, settings),
        bank_v=settings.bank.nominal_voltage if settings.bank else None,
    )


def _volts(array: Array, key: str) -> float | None:
    """Volts add up along a string; of unequal strings the most [V]."""
    strings = [[getattr(module, key) for module in string] for string in array.strings]
    return None if any(v is None for string in strings for v in string) else max(sum(string) for string in strings)


def _amps(array: Array, key: str) -> float | None:
    """Amps of the strings add up; of a string's unequal modules the most counts [A]."""
    strings = [[getattr(module, key) for module in string] for string in array.strings]
    return None if any(v is None for string in strings for v in string) else sum(max(string) for string in strings)


def _bank_amps(array: Array, settings: Settings) -> float | None:
    """What one array can put into the bank at its nominal voltage [A], without the controller's limit."""
    controller = _controller(array, settings)
    if controller is None:
        return None
    if controller.type == "pwm":
        return _amps(array, "imp")
    if settings.bank is None or settings.bank.nominal_voltage is None:
        return None
    return array.rated_w * controller.efficiency / settings.bank.nominal_voltage


# -- the checks -------------------------------------------------------------------------------------------------


def _string_volts(settings: Settings) -> Iterator[Hazard]:
    for array in settings.array:
        controller = _controller(array, settings)
        limit = controller.input_voltage_limit if controller else None
        needs = [
            *(["site.coldest_c"] if settings.site.coldest_c is None else []),
            *(["array.module.voc"] if _volts(array, "voc") is None else []),
            *(["array.controller"] if controller is None else []),
            *(["controller.input_voltage_limit"] if controller and limit is None else []),
        ]
        volts = None if settings.site.coldest_c is None else coldest(array, settings.site.coldest_c)
        if needs or volts is None or limit is None:
            yield Hazard("string-volts", f"array.{array.name}", "cannot tell", {"needs": needs})
        elif volts.volts > NEAR_LIMIT * limit:
            evidence = {"string_v": volts.volts, "limit_v": limit, "module_c": volts.module_c, "basis": volts.basis}
            yield Hazard("string-volts", f"array.{array.name}", "high" if volts.volts >= limit else "medium", evidence)


def _output_current(settings: Settings) -> Iterator[Hazard]:
    for controller in settings.controller:
        arrays = _arrays(controller, settings)
        limit = controller.output_current_limit
        if not arrays or limit is None:
            continue
        if controller.type == "pwm":
            shorts = [_amps(a, "isc") for a in arrays]
            if None not in shorts:
                amps = SHORT_CIRCUIT_MARGIN * sum(a for a in shorts if a is not None)
                if amps > limit:
                    evidence = {"current_a": amps, "limit_a": limit, "margin": SHORT_CIRCUIT_MARGIN}
                    yield Hazard("input-current", f"controller.{controller.name}", "high", evidence)
            continue
        given = [_bank_amps(array, settings) for array in arrays]
        amps = sum(a for a in given if a is not None)
        if None not in given and amps > limit:
            evidence = {"current_a": amps, "limit_a": limit, "clipped_percent": 100 * (1 - limit / amps)}
            yield Hazard("output-current", f"controller.{controller.name}", "low", evidence)


def _array_drop(settings: Settings) -> Iterator[Hazard]:
    for array in settings.array:
        circuit = _circuit(array, settings)
        cables = _cables(f"array.{array.name}", settings)
        if not cables:
            yield Hazard("array-drop", f"array.{array.name}", "cannot tell", {"needs": ["cable"]})
        elif circuit.array_a is None or circuit.array_v is None:
            needs = ["array.module.imp", "array.module.vmp"]
            yield Hazard("array-drop", f"array.{array.name}", "cannot tell", {"needs": needs})
        else:
            yield from _drop("array-drop", cables, circuit.array_a, circuit.array_v, DECK_C, ARRAY_DROP)


def _bank_drop(settings: Settings) -> Iterator[Hazard]:
    for controller in settings.controller:
        cables = _cables(f"controller.{controller.name}", settings)
        given = [_bank_amps(array, settings) for array in _arrays(controller, settings)]
        sums = [sum(a for a in given if a is not None)] if given and None not in given else []
        full = [*sums, *([controller.output_current_limit] if controller.output_current_limit else [])]
        volts = _charge_volts(controller, settings)
        if cables and full and volts:
            yield from _drop("bank-drop", cables, min(full), volts, BELOW_DECK_C, BANK_DROP)


def _drop(
    rule: str, cables: list[Cable], amps: float, volts: float, copper_c: float, bounds: tuple[float, float]
) -> Iterator[Hazard]:
    aim, flag = bounds
    ohm = sum(loop_ohm(c.length, c.area, c.conductor, copper_c) for c in cables)
    percent = 100 * amps * ohm / volts
    if percent <= aim:
        return
    evidence = {
        "drop_v": amps * ohm,
        "drop_percent": percent,
        "current_a": amps,
        "of_v": volts,
        "copper_c": copper_c,
        "aim_percent": aim,
        "flag_percent": flag,
        "needs_mm2": _area_for(cables, amps, volts, copper_c, aim),
        "cables": [c.name for c in cables],
    }
    worst = max(cables, key=lambda c: loop_ohm(c.length, c.area, c.conductor, copper_c))
    yield Hazard(rule, f"cable.{worst.name}", "medium" if percent > flag else "low", evidence)


def _area_for(cables: list[Cable], amps: float, volts: float, copper_c: float, aim: float) -> float | None:
    """Smallest listed area that keeps the aim if the whole run had it [mm²]."""
    for area in LISTED_AREAS:
        if 100 * amps * sum(loop_ohm(c.length, area, c.conductor, copper_c) for c in cables) / volts <= aim:
            return area
    return None


def _hot_volts(settings: Settings) -> Iterator[Hazard]:
    """Hot modules lose volts; below the bank's charge voltage and the controller's headroom they give nothing."""
    for array in settings.array:
        controller = _controller(array, settings)
        volts = _charge_volts(controller, settings) if controller else None
        if controller is None or volts is None or array.module.vmp is None:
            continue
        if settings.site.hottest_c is None:
            yield Hazard("hot-volts", f"array.{array.name}", "cannot tell", {"needs": ["site.hottest_c"]})
            continue
        module_c, mounting = _hottest_string(array, settings.site.hottest_c)
        # Of power and current the coefficients are known; what is left is the voltage's.
        isc = array.module.temp_coeff_isc
        coefficient = array.module.temp_coeff_power - (_TYPICAL_ISC_COEFFICIENT if isc is None else isc)
        best = (
            array.modules_in_series * array.module.vmp * (1 + coefficient / 100 * (module_c - modules.STC_TEMPERATURE))
        )
        amps = _amps(array, "imp") or 0.0
        at_controller = best - amps * sum(
            loop_ohm(c.length, c.area, c.conductor, DECK_C) for c in _cables(f"array.{array.name}", settings)
        )
        if at_controller < volts + controller.run_headroom_v:
            evidence = {
                "array_v": at_controller,
                "needed_v": volts + controller.run_headroom_v,
                "module_c": module_c,
                "mounting": mounting,
            }
            yield Hazard("hot-volts", f"array.{array.name}", "medium", evidence)


def _unused_volts(settings: Settings) -> Iterator[Hazard]:
    """A switching controller joins modules and bank: what the modules show above the bank's volts is thrown away."""
    for array in settings.array:
        controller = _controller(array, settings)
        volts, amps = _charge_volts(controller, settings) if controller else None, _amps(array, "imp")
        if controller is None or controller.type != "pwm" or volts is None or amps is None:
            continue
        unused = 1.0 - volts * amps / array.rated_w
        if unused > PWM_UNUSED:
            evidence = {
                "array_v": _volts(array, "vmp"),
                "bank_v": volts,
                "unused_percent": 100 * unused,
                "flag_percent": 100 * PWM_UNUSED,
            }
            yield Hazard("volts-unused", f"array.{array.name}", "medium", evidence)


def _hottest_string(array: Array, air_c: float) -> tuple[float, str]:
    """Warmth in full sun and air so hot, in the mean of the modules of the hottest string [°C], and their mountings."""

    def warmth(mounting: str | None) -> float:
        u0, u1 = modules.faiman_factors(mounting or "glued")
        return air_c + modules.STC_IRRADIANCE / (u0 + u1 * modules.NOCT_WIND)

    length = array.modules_in_series
    strings = [array.mountings[i : i + length] for i in range(0, len(array.mountings), length)]
    hottest = max(strings, key=lambda string: sum(map(warmth, string)))
    words = sorted({m or "glued, as mounting is not given" for m in hottest})
    return sum(map(warmth, hottest)) / length, " and ".join(words)


def _set_points(settings: Settings) -> Iterator[Hazard]:
    nominal = (settings.bank.nominal_voltage if settings.bank else None) or 12.0
    for key in ("absorption_v", "float_v"):
        known = [(getattr(c, key), c.name) for c in settings.controller if getattr(c, key) is not None]
        if len(known) > 1:
            (low, lower), (high, higher) = min(known), max(known)
            if high - low > _SET_POINTS_APART * nominal + 1e-9:
                evidence = {"key": key, "lower": lower, "lower_v": low, "higher": higher, "higher_v": high}
                yield Hazard("set-points-apart", f"controller.{lower}", "medium", evidence)


def _unlike_arrays(settings: Settings) -> Iterator[Hazard]:
    for controller in settings.controller:
        known = [(c.array_v, c.array) for a in _arrays(controller, settings) if (c := _circuit(a, settings)).array_v]
        volts = [(v, name) for v, name in known if v is not None]
        if len(volts) > 1:
            (low, lower), (high, higher) = min(volts), max(volts)
            if high > (1 + _UNLIKE) * low:
                evidence = {"lower": lower, "lower_v": low, "higher": higher, "higher_v": high}
                yield Hazard("arrays-unlike", f"controller.{controller.name}", "medium", evidence)


def _loose_ends(settings: Settings) -> Iterator[Hazard]:
    for controller in settings.controller:
        if not _arrays(controller, settings):
            yield Hazard("no-array", f"controller.{controller.name}", "low")
    for array in settings.array:
        if None in array.mountings:
            yield Hazard("mounting", f"array.{array.name}", "cannot tell", {"needs": ["array.mounting"]})
    measured = {entry.channel for source in settings.source for entry in source.channel}
    for array in settings.array:
        at_input = {f"array.{array.name}.{q}" for q in ("voltage", "current")}
        output = {f"controller.{array.controller}.output_{q}" for q in ("voltage", "current")}
        enough = (at_input, output, {f"array.{array.name}.power"}, {f"controller.{array.controller}.output_power"})
        if not any(channels <= measured for channels in enough):
            yield Hazard("unmeasured", f"array.{array.name}", "low", {"needs": sorted(at_input)})
    unchecked = [s.name for s in settings.source if s.kind == "serial" and s.checksum == "none"]
    if unchecked:
        yield Hazard("line-unchecked", "serial lines", "low", {"sources": unchecked})


def _buses(settings: Settings) -> Iterator[Hazard]:
    for doubt in registers.doubts(settings):
        yield Hazard(doubt.rule, f"source.{doubt.source}", doubt.priority, doubt.evidence)


_CHECKS: tuple[Callable[[Settings], Iterable[Hazard]], ...] = (
    _string_volts,
    _output_current,
    _array_drop,
    _bank_drop,
    _hot_volts,
    _unused_volts,
    _set_points,
    _unlike_arrays,
    _loose_ends,
    _buses,
)


def _controller(array: Array, settings: Settings) -> Controller | None:
    return next((c for c in settings.controller if c.name == array.controller), None)


def _arrays(controller: Controller, settings: Settings) -> list[Array]:
    return [array for array in settings.array if array.controller == controller.name]


def _cables(carries: str, settings: Settings) -> list[Cable]:
    return [cable for cable in settings.cable if cable.carries == carries]


def _charge_volts(controller: Controller, settings: Settings) -> float | None:
    """The absorption set point, or what is typical of the bank's nominal voltage."""
    if controller.absorption_v is not None:
        return controller.absorption_v
    nominal = settings.bank.nominal_voltage if settings.bank else None
    return None if nominal is None else _CHARGE_V_PER_NOMINAL * nominal
