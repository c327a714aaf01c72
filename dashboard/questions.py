"""Owns the questions of `new`: what is asked, in which order, with a default, and again where nonsense is typed."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Annotated, Any, get_args

import click
from pydantic import BaseModel, ConfigDict, TypeAdapter, ValidationError

from dashboard import positions
from dashboard.draft import Answers
from dashboard.setting_notes import NOTES
from dashboard.writing import quantity
from logger.settings import Array, Bank, Cable, Controller, Enclosure, Fan, Module, Site
from logger.settings_mistakes import rule

_MOST = 12
_SHEET = ("power", "voc", "isc", "vmp", "imp", "temp_coeff_power", "temp_coeff_voc", "temp_coeff_isc")
_COUNTS = ("cells_in_series", "substrings")
_STRICT = ConfigDict(strict=True, allow_inf_nan=False)


# The keys that a re-plugged circuit may alter, in the order in which they are asked for.
CHANGING: dict[str, tuple[type[BaseModel], tuple[str, ...]]] = {
    "array": (Array, ("modules_in_series", "strings_in_parallel", "tilt", "azimuth", "mounting")),
    "cable": (Cable, ("length", "area", "conductor")),
    "controller": (Controller, ("type", "input_voltage_limit", "output_current_limit", "absorption_v", "float_v")),
    "enclosure": (Enclosure, ("temperature_limit", "surroundings")),
    "fan": (Fan, ("watts",)),
}


class Interview:
    """Asks for one table after the other; `placeholders` answers everything with its example, and asks nothing."""

    def __init__(self, *, placeholders: bool = False) -> None:
        self._silent = placeholders

    def run(self) -> Answers:
        """All answers, in the shape of the settings file."""
        site = self._site()
        answers: Answers = {"site": site, "store": {"path": f"{_slug(site['name'])}.db"}}
        if self._confirm("Is there a battery bank to charge?"):
            answers["bank"] = self._bank()
        self._boxes(answers)
        answers |= {"array": [], "controller": [], "cable": []}
        for n in range(1, self._count("How many arrays, each on its own controller?", 2) + 1):
            self._array(n, answers)
        return answers

    def differing(self, kind: str, standing: Mapping[str, Any]) -> dict[str, Any]:
        """What differs from now on in a part; each key stands there with its present value for a default."""
        self._tell("Enter leaves a value as it is.")
        model, keys = CHANGING[kind]
        asked = self._table(kind, model, {key: standing.get(key) for key in keys})
        found = {key: value for key, value in asked.items() if value != standing.get(key)}
        if kind == "array" and click.confirm("\nOther modules too?", default=False):
            module = standing["module"]
            new = self._table("module", Module, {key: module.get(key) for key in (*_SHEET, *_COUNTS)})
            found |= {f"module.{key}": value for key, value in new.items() if value != module.get(key)}
        return found

    # -- tables -------------------------------------------------------------------------------------------------

    def _site(self) -> dict[str, Any]:
        self._heading("The vessel", "Where she lies decides the light that could have come.")
        return self._table(
            "site",
            Site,
            {
                "name": "Lapwing",
                "latitude": lambda typed: positions.angle(typed, "N", "S"),
                "longitude": lambda typed: positions.angle(typed, "E", "W"),
                "timezone": _own_zone(),
                "moored": "swinging",
                "coldest_c": None,
                "hottest_c": None,
            },
        )

    def _bank(self) -> dict[str, Any]:
        self._heading("The bank", "What the arrays charge. Figures from the battery maker's sheet.")
        keys = {"name": "house", "chemistry": "agm", "nominal_voltage": None, "capacity_ah": None}
        return self._table("bank", Bank, keys)

    def _boxes(self, answers: Answers) -> None:
        if not self._confirm("Do the controllers hang in a closed box?"):
            return
        self._heading(
            "The box", "Controllers give less when they are hot; a fan that stops is found by the box's heat."
        )
        keys = {"name": "electrics", "temperature_limit": None, "surroundings": None}
        box = self._table("enclosure", Enclosure, keys)
        answers["enclosure"] = [box]
        if self._confirm("Has it a fan?"):
            fan = self._table("fan", Fan, {"name": box["name"], "watts": None})
            answers["fan"] = [{"name": fan["name"], "enclosure": box["name"], **fan}]

    def _array(self, n: int, answers: Answers) -> None:
        self._heading(f"Array {n}", "A group of modules that ends on one controller.")
        taken = [array["name"] for array in answers["array"]]
        name = self._ask("array", Array, "name", ("cabin", "gantry")[n - 1] if n < 3 else f"array{n}", taken=taken)
        module = self._module(answers)
        controller = self._controller(name, answers)
        wiring = self._wiring(module, controller, answers.get("bank"))
        place = self._table("array", Array, {"tilt": 0.0, "azimuth": 180.0, "mounting": None})
        array = {"name": name, "controller": controller["name"], **wiring, **place, "module": module}
        answers["array"].append(array)
        answers["controller"].append(controller)
        for cable in (f"array.{name}", f"controller.{controller['name']}"):
            self._cable(cable, answers)

    def _module(self, answers: Answers) -> dict[str, Any]:
        if answers["array"]:
            last = answers["array"][-1]
            if self._confirm(f"The same modules as {last['name']}?"):
                return dict(last["module"])
        module: dict[str, Any] = {}
        while True:
            self._tell(
                "From the datasheet or the label on the back, for one module; Enter leaves out what is not there."
            )
            module = self._table("module", Module, {key: module.get(key) for key in (*_SHEET, *_COUNTS)})
            try:
                Module.model_validate(module)
            except ValidationError as fault:
                said = fault.errors(include_url=False)[0]["msg"].removeprefix("Value error, ")
                self._tell(f"That does not fit together: {said}. Once more, please.")
            else:
                return module

    def _controller(self, array: str, answers: Answers) -> dict[str, Any]:
        self._heading(f"The controller of {array}", "Figures from its datasheet; set points as they are set.")
        keys: dict[str, Any] = {"name": array, "type": "mppt", "input_voltage_limit": None}
        keys |= {"output_current_limit": None, "absorption_v": None, "float_v": None}
        controller = self._table("controller", Controller, keys, [c["name"] for c in answers["controller"]])
        if answers.get("enclosure"):
            controller["enclosure"] = answers["enclosure"][0]["name"]
        return controller

    def _wiring(
        self, module: dict[str, Any], controller: dict[str, Any], bank: dict[str, Any] | None
    ) -> dict[str, Any]:
        """Series and parallel are different circuits: both sides' figures are shown, and asked about."""
        wiring: dict[str, Any] = {"modules_in_series": 2, "strings_in_parallel": 1}
        while True:
            self._tell("Series and parallel are different circuits: in series volts add up, in parallel amps do.")
            wiring = self._table("array", Array, wiring)
            self._tell(_both_sides(module, wiring, controller, bank))
            if self._confirm("Is that what hangs there?"):
                return wiring

    def _cable(self, carries: str, answers: Answers) -> None:
        kind, name = carries.split(".")
        run = f"{name} modules to controller" if kind == "array" else f"{name} controller to bank"
        if not self._confirm(f"Do you know the cable of {run}?"):
            return
        self._tell("A count of strands says nothing about mm²: the same count may differ threefold.")
        keys = {"length": None, "area": None, "conductor": "class 5 tinned copper"}
        cable = {"name": run, "carries": carries, **self._table("cable", Cable, keys, needed=("length", "area"))}
        answers["cable"].append(cable)

    # -- one question -------------------------------------------------------------------------------------------

    def _table(
        self,
        table: str,
        model: type[BaseModel],
        keys: dict[str, Any],
        taken: list[str] | None = None,
        needed: tuple[str, ...] = (),
    ) -> dict[str, Any]:
        """One table's answers; a key's default stands beside it, a function reads what is typed for it."""
        found = {
            key: self._ask(table, model, key, d, taken=taken or [], needed=key in needed) for key, d in keys.items()
        }
        return {key: value for key, value in found.items() if value is not None}

    def _ask(
        self, table: str, model: type[BaseModel], key: str, default: Any, *, taken: list[str], needed: bool = False
    ) -> Any:
        field = model.model_fields[key]
        optional = not (field.is_required() or needed) and default is None
        read = default if callable(default) else _reader(field.annotation)
        example = field.examples[0] if field.examples else None
        if self._silent:
            return None if optional else example if default is None or callable(default) else default
        shape: Any = Annotated[field.annotation, key, *field.metadata]
        adapter: TypeAdapter[Any] = TypeAdapter(shape, config=_STRICT)
        hint = "" if example is None else f", for instance {example}"
        hint += "; Enter leaves it out" if optional else ""
        shown = None if callable(default) or default is None else default
        click.echo()
        click.echo(f"{NOTES[table][key]}{hint}")
        while True:
            typed = click.prompt(f"  {key}", default="" if optional else shown, show_default=not optional, type=str)
            if optional and not typed.strip():
                return None
            try:
                value = adapter.validate_python(read(str(typed).strip()))
            except ValidationError as fault:
                self._tell(f"  {rule(fault.errors(include_url=False)[0], key, field)}")
            except ValueError as fault:
                self._tell(f"  {fault}")
            else:
                if key == "name" and value in taken:
                    self._tell(f"  {value!r} is taken; names differ")
                    continue
                return value

    def _count(self, question: str, default: int) -> int:
        return default if self._silent else click.prompt(f"\n{question}", default=1, type=click.IntRange(0, _MOST))

    def _confirm(self, question: str) -> bool:
        return self._silent or click.confirm(f"\n{question}", default=True)

    def _heading(self, title: str, line: str) -> None:
        self._tell(f"\n{title}\n{line}")

    def _tell(self, line: str) -> None:
        if not self._silent:
            click.echo(line)


def _both_sides(
    module: dict[str, Any], wiring: dict[str, Any], controller: dict[str, Any], bank: dict[str, Any] | None
) -> str:
    """Array side and battery side of the wiring typed, in one sentence each."""
    series, parallel = wiring["modules_in_series"], wiring["strings_in_parallel"]
    amps, volts = module.get("imp"), module.get("vmp")
    at_input = f"{quantity(amps and amps * parallel, 'A', 1)} at {quantity(volts and volts * series, 'V', 1)}"
    nominal = (bank or {}).get("nominal_voltage")
    given = module["power"] * series * parallel / nominal if nominal else None
    if controller["type"] == "pwm":
        given = amps and amps * parallel
    return f"In full sun that is {at_input} on the array side, and {quantity(given, 'A', 1)} on the battery side."


def _reader(annotation: Any) -> Callable[[str], Any]:
    leaves = _leaves(annotation)
    return positions.number if float in leaves else _whole if int in leaves else str


def _leaves(annotation: Any) -> set[Any]:
    inner = get_args(annotation)
    return {leaf for argument in inner for leaf in _leaves(argument)} if inner else {annotation}


def _whole(typed: str) -> int:
    value = positions.number(typed)
    if value != int(value):
        raise ValueError("should be a whole number")
    return int(value)


def _slug(name: str) -> str:
    kept = "".join(c if c.isascii() and c.isalnum() else "-" for c in name.lower()).strip("-")
    return "-".join(part for part in kept.split("-") if part) or "noonmark"


def _own_zone() -> str:
    """The machine's zone, as a proposal."""
    link = Path("/etc/localtime")
    named = os.environ.get("TZ", "").lstrip(":") or str(link.resolve()).partition("zoneinfo/")[2]
    return named if "/" in named and not named.startswith(("Etc/", "/")) else "UTC"
