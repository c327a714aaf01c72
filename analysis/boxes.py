"""Owns which boxes are looked at over spells of days, and when: those of whose fan nobody hears whether it runs.

A day hardly tells a thermostat's set point from its own weather; a week does. So each box is fitted once over each
seven solar days from the record's beginning, or from the box's or its fan's last change, on: the spell that is open
grows until it is full.
"""

from __future__ import annotations

import datetime as dt
import sqlite3
from collections.abc import Collection, Mapping, Sequence

import numpy as np

from analysis import ceiling, enclosure, hands, standing
from analysis.ceiling import Steps
from analysis.frames import Grid, Stretch, grid_for, load
from analysis.in_force import SettingsThroughTime
from analysis.results import SunDay
from analysis.results_boxes import REFUSED, TOLD, TOO_COOL, BoxSpell
from analysis.results_reading import Results
from analysis.results_writing import write_spells
from analysis.sun import DAY_MS
from analysis.wanted import ALWAYS, window
from logger import hands_on
from logger.settings import Enclosure, Settings

SPELL_DAYS = 7
_STEP_MS = 10 * 60_000
# A ceiling is known no better than this, however many steps tell it [K]; common practice, no source.
_LEAST_SIGMA_K = 0.25

Fresh = Mapping[tuple[str, dt.date], Steps]


def unheard(settings: Settings) -> list[Enclosure]:
    """The boxes of whose fans, if they have any, no source says whether they run."""
    brought = {entry.channel for source in settings.source for entry in source.channel}
    heard = {fan.enclosure for fan in settings.fan if f"fan.{fan.name}.running" in brought}
    return [box for box in settings.enclosure if box.name not in heard]


def of_day(box: Enclosure, settings: Settings, stretch: Stretch, sun: SunDay) -> Steps | None:
    """One box over one solar day in steps of ten minutes, or as long as its thermometer's means; None without any."""
    inside = stretch[f"enclosure.{box.name}.temperature"].between(sun.start, sun.stop)
    if not len(inside.start):
        return None
    grid = grid_for([inside], sun.start, sun.stop)
    if grid.step < _STEP_MS:
        grid = Grid(np.arange(sun.start, sun.stop, _STEP_MS, dtype=np.int64), _STEP_MS)
    air = stretch[f"{box.surroundings}.temperature"].on(grid) if box.surroundings else None
    loss = enclosure.measured_loss(box, settings, stretch, grid)
    first, last = window(sun)
    # Outside the window nothing of the arrays is read, and nothing is lost.
    dark = (grid.start + grid.step <= first) | (grid.start >= last)
    return Steps(grid.start, grid.step, inside.on(grid), np.where(dark & ~np.isfinite(loss), 0.0, loss), air)


def spell(name: str, start: int, stop: int, days: Sequence[Steps | None]) -> BoxSpell:
    """One box over some days."""
    steps = _joined([day for day in days if day is not None])
    fit = ceiling.best(steps) if steps else None
    if steps is None or fit is None:
        return BoxSpell(name, start, stop, len(days), TOO_COOL, 0)
    model = fit.model
    if not ceiling.is_told(fit, steps):
        cool = model.k_per_w > 0 and ceiling.rise(fit, steps) < ceiling.LEAST_RISE_K
        told = TOO_COOL if cool else REFUSED
        return BoxSpell(name, start, stop, len(days), told, fit.n, fit.r2, fit.rmse_k)
    low = high = warmest = None
    if model.ceiling_c is not None:
        half = ceiling.NINETY_FIVE * max(fit.ceiling_sigma_k or 0.0, _LEAST_SIGMA_K)
        low, high = model.ceiling_c - half, model.ceiling_c + half
        held = ceiling.simulated(model, steps) >= model.ceiling_c - 1e-9
        warmest = None if steps.air is None else float(steps.air[held].max())
    return BoxSpell(
        name, start, stop, len(days), TOLD, fit.n, fit.r2, fit.rmse_k, model.k_per_w, model.tau_min, model.base_c,
        model.ceiling_c, low, high, fit.held_min, warmest,
    )  # fmt: skip


def _joined(days: Sequence[Steps]) -> Steps | None:
    """The days as one, those of the commonest step."""
    if not days:
        return None
    lengths = [day.step for day in days]
    step = max(lengths, key=lambda length: (lengths.count(length), length))
    alike = [day for day in days if day.step == step and (day.air is None) == (days[-1].air is None)]
    if not alike:
        return None
    airs = [day.air for day in alike if day.air is not None]
    return Steps(
        np.concatenate([day.start for day in alike]),
        step,
        np.concatenate([day.warmth for day in alike]),
        np.concatenate([day.loss for day in alike]),
        np.concatenate(airs) if airs else None,
    )


def in_spells(suns: Sequence[SunDay], changes: Collection[int]) -> list[list[SunDay]]:
    """Days in spells of seven, a new one where the box or its fan changed."""
    found: list[list[SunDay]] = []
    for sun in suns:
        begin = found[-1][0].start if found else None
        changed = begin is not None and any(begin < t <= sun.start for t in changes)
        if begin is None or changed or sun.start >= begin + SPELL_DAYS * DAY_MS:
            found.append([])
        found[-1].append(sun)
    return found


def work_out(
    connection: sqlite3.Connection,
    settings: SettingsThroughTime,
    now: Settings,
    fresh: Fresh,
    done: Collection[dt.date],
    method: str,
) -> None:
    """Bring the table of spells up to date. Call inside a transaction.

    Parameters
    ----------
    settings : SettingsThroughTime
    now : Settings
        In force now: of its boxes alone.
    fresh : mapping
        Box and day to the steps that were worked out just now.
    done : collection of datetime.date
        Days that were judged just now.
    method : str
    """
    results = Results(connection)
    boxes, known = unheard(now), {(s.enclosure, s.start): s for s in results.box_spells()}
    if not boxes and not known:
        return
    suns, changes = results.days(), settings.changes()
    wanted, new = set(), []
    for name in dict.fromkeys(box.name for box in boxes):
        fans = {f"fan.{fan.name}" for fan in now.fan if fan.enclosure == name}
        moments = {t for subject in {f"enclosure.{name}", *fans} for t in changes.get(subject, ())}
        for group in in_spells(suns, moments):
            key = (name, group[0].start)
            wanted.add(key)
            old = known.get(key)
            if old and (old.stop, old.days) == (group[-1].stop, len(group)) and not any(s.day in done for s in group):
                continue
            days = [fresh.get((name, sun.day)) or _read(connection, settings, name, sun) for sun in group]
            new.append(spell(name, group[0].start, group[-1].stop, days))
    write_spells(connection, [key for key in known if key not in wanted], new, method)


def _read(connection: sqlite3.Connection, through: SettingsThroughTime, name: str, sun: SunDay) -> Steps | None:
    """A day that was judged earlier, from the record."""
    settings = through.on(sun.day).settings
    box = next((b for b in unheard(settings) if b.name == name), None)
    if box is None:
        return None
    channels = [f"enclosure.{name}.temperature", *([f"{box.surroundings}.temperature"] if box.surroundings else [])]
    for controller in (c for c in settings.controller if c.enclosure == name):
        channels.append(f"controller.{controller.name}.output_power")
        for array in (a for a in settings.array if a.controller == controller.name):
            channels += [f"array.{array.name}.{quantity}" for quantity in ("voltage", "current", "power")]
    always = [channel for channel in channels if channel.startswith(ALWAYS)]
    work = hands_on.between(connection, sun.start, sun.stop)
    stretch = load(connection, sun.start, sun.stop, [window(sun)], channels, always)
    return of_day(box, settings, standing.left_out(hands.left_out(stretch, work, settings), [sun.start]), sun)
