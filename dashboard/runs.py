"""Owns the runs of cable as the settings draw them: stations and the legs between, from the modules to the bank."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from logger.settings import Array, Cable, Settings


@dataclass(frozen=True, slots=True)
class Leg:
    """One run of cable between two stations.

    Attributes
    ----------
    cable : Cable
        As the settings describe it.
    needs : tuple of str
        Channels that would have to be heard before its resistance can be known.
    """

    cable: Cable
    needs: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Run:
    """The way of one array's current: `stations` read top to bottom, ``legs[i]`` lies below ``stations[i]``.

    A leg that the settings do not describe is None.
    """

    array: str
    stations: tuple[str, ...]
    legs: tuple[tuple[Leg, ...], ...]


def runs(settings: Settings, heard: Collection[str]) -> list[Run]:
    """Every array's way to the bank; `heard` are the channels of the record."""
    bank = settings.bank
    found = []
    for array in settings.array:
        controller = array.controller or array.name
        stations = [
            f"{array.name} array, modules' end",
            f"{controller} controller, array side",
            f"{controller} controller, bank side",
            f"{bank.name} bank" if bank else "bank",
        ]
        found.append(Run(array.name, tuple(stations), (_array_legs(settings, array, heard), (), _bank_legs(
            settings, controller, heard
        ))))  # fmt: skip
    return found


def _array_legs(settings: Settings, array: Array, heard: Collection[str]) -> tuple[Leg, ...]:
    wanted = [f"array.{array.name}.{quantity}" for quantity in ("module_voltage", "voltage", "current")]
    return _legs(settings, f"array.{array.name}", [channel for channel in wanted if channel not in heard])


def _bank_legs(settings: Settings, controller: str, heard: Collection[str]) -> tuple[Leg, ...]:
    bank = settings.bank.name if settings.bank else "NAME"
    wanted = [f"controller.{controller}.output_voltage", f"controller.{controller}.output_current",
              f"bank.{bank}.voltage"]  # fmt: skip
    return _legs(settings, f"controller.{controller}", [channel for channel in wanted if channel not in heard])


def _legs(settings: Settings, carries: str, needs: list[str]) -> tuple[Leg, ...]:
    return tuple(
        Leg(cable, tuple(needs))
        for cable in settings.cable
        if cable.carries == carries
    )  # fmt: skip
