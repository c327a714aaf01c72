"""A fortnight aboard Lapwing, written straight into the result tables: what the pages are tested on.

The sun is the textbook one (declination 23.2°, equation of time left out); powers are the sine of its height. Nothing
here needs to be right, it needs to look like what the analysis writes.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from analysis.frames import Grid
from analysis.results import (
    ArrayDay,
    BankDay,
    Cause,
    EnclosureEstimate,
    Finding,
    Ladder,
    LoopEstimate,
    StateRun,
    StorageDay,
    SunDay,
    TwinDay,
)
from analysis.results_writing import DayResults, Minutes, write_day, write_findings
from logger.rollup import refresh
from logger.schema import prepare
from logger.store import Channels, open_writer, transaction
from tests.dashboard.story_settings import SETTINGS

LATITUDE, LONGITUDE = 47.58, -2.90
FIRST = dt.date(2026, 6, 5)
DAYS = 14
NOW = "2026-06-18T19:05:00+02:00"
MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000
METHOD = "test"

# What each day's sky left of a clear day's light.
SKY = (0.97, 0.95, 0.90, 0.98, 0.96, 0.30, 0.18, 0.25, 0.22, 0.35, 0.60, 0.93, 0.96, 0.95)
BANK_FULL_FROM = {1: 0.5, 2: 1.2, 3: -0.4, 4: 0.8}  # day number -> hours after noon
FAN_DEAD = 8
SHADE = 10
RATED = {"cabin": 700.0, "gantry": 525.0}


@dataclass(frozen=True)
class Story:
    """Where the fortnight lies."""

    store: Path
    settings: Path


def write(folder: Path) -> Story:
    """Settings file and store of the whole fortnight, in an existing empty folder."""
    settings, store = folder / "noonmark.toml", folder / "lapwing.db"
    settings.write_text(SETTINGS, encoding="utf-8")
    prepare(store)
    connection = open_writer(store)
    try:
        for number in range(DAYS):
            with transaction(connection):
                write_day(connection, day_results(number), METHOD)
        with transaction(connection):
            write_findings(connection, findings(), METHOD)
        with transaction(connection):
            _write_samples(connection)
    finally:
        connection.close()
    return Story(store, settings)


def sun_day(number: int) -> SunDay:
    day = FIRST + dt.timedelta(days=number)
    midnight = round(dt.datetime(day.year, day.month, day.day, tzinfo=dt.UTC).timestamp() * 1000)
    start = midnight - round(LONGITUDE / 15 * HOUR)
    noon = start + DAY // 2
    half = round(math.degrees(math.acos(-math.tan(math.radians(LATITUDE)) * math.tan(math.radians(23.2)))) / 15 * HOUR)
    return SunDay(day, start, start + DAY, noon - half, noon, noon + half, "hash")


def day_results(number: int) -> DayResults:
    sun = sun_day(number)
    minutes, states, days = {}, [], []
    for array in RATED:
        frame, runs = array_of_day(array, number, sun)
        minutes[array] = _minutes(frame)
        states += runs
        days.append(_array_day(array, number, sun, frame, runs))
    ladders = [_ladder(day) for day in days]
    loops, boxes = _loops(number, sun), _boxes(number, sun)
    grey = _twins(days) if SKY[number] < 0.4 else []
    return DayResults(sun, days, minutes, states, loops, boxes, _bank(number, sun), ladders=ladders, twins=grey,
                      storage=_storage(days, sun))  # fmt: skip


def _ladder(day: ArrayDay) -> Ladder:
    """A cloudless sky of twice what was expected, and plain shares of it down to the bank."""
    could, got = day.expected_wh or 0.0, day.measured_wh or 0.0
    limits, cover = day.curtailed_wh or 0.0, day.covered_wh or 0.0
    return Ladder(
        array=day.array, day=day.day, start=day.start, clear_sky_wh=2.0 * could, cloud_wh=0.9 * could,
        orientation_wh=-0.05 * could, dim_light_wh=0.02 * could, warmth_wh=0.12 * could,
        unexplained_wh=could - got - limits - cover, covered_wh=cover, volts_wh=0.0, limits_wh=limits,
        cable_wh=0.01 * could, controller_wh=0.04 * got, feed_wh=0.0, bank_wh=0.96 * got,
    )  # fmt: skip


def _minutes(frame: pd.DataFrame) -> Minutes:
    t = frame.index.as_unit("ms").asi8  # type: ignore[attr-defined]
    return Minutes.of(Grid(t, MINUTE), **{name: frame[name].to_numpy() for name in frame if name != "interval_ms"})


def array_of_day(array: str, number: int, sun: SunDay) -> tuple[pd.DataFrame, list[StateRun]]:
    """Minutes and states of one array on one day of the story."""
    assert sun.first_light is not None
    assert sun.last_light is not None
    t = np.arange(sun.first_light // MINUTE + 1, sun.last_light // MINUTE) * MINUTE
    hours = (t + MINUTE / 2 - sun.noon) / HOUR
    lat, dec = math.radians(LATITUDE), math.radians(23.2)
    height = np.sin(lat) * np.sin(dec) + np.cos(lat) * np.cos(dec) * np.cos(np.radians(15 * hours))
    random = np.random.default_rng(number)
    clouds = np.repeat(random.uniform(0.55, 1.25, len(t) // 9 + 1), 9)[: len(t)] if SKY[number] < 0.9 else 1.0
    expected = RATED[array] * 0.86 * np.clip(height, 0, None) ** 1.15 * SKY[number] * clouds
    measured = expected * random.normal(0.985, 0.012, len(t))
    state = np.full(len(t), "unhindered", dtype=object)
    if array == "cabin" and number >= SHADE:
        shaded = (hours > 1.5) & (hours < 5.5)
        measured[shaded] *= 0.42
    if number in BANK_FULL_FROM:
        full = (hours > BANK_FULL_FROM[number]) & (hours < 6)
        measured[full] = np.minimum(measured[full], 0.35 * RATED[array] * np.exp(-(hours[full] - 0.5) / 3))
        state[full] = "bank-limited"
    if array == "gantry" and number == 6:
        cover = (hours > -7) & (hours < -1)
        measured[cover] *= 0.05
        state[cover] = "covered"
    if number == 7:
        silent = (hours > 1) & (hours < 3.2)
        measured[silent] = np.nan
        state[silent] = "unheard"
    if array == "cabin" and number == 0:
        clipped = np.abs(hours) < 1
        measured[clipped] = np.minimum(measured[clipped], 470)
        state[clipped] = "current-limited"
    frame = pd.DataFrame(
        {
            "interval_ms": MINUTE, "measured_w": measured, "expected_w": expected, "low_w": expected * 0.93,
            "high_w": expected * 1.07, "plane_wm2": expected / RATED[array] * 1150, "module_c": 25 + expected / 30,
        },
        index=pd.DatetimeIndex(pd.to_datetime(t, unit="ms", utc=True), name="t"),
    )  # fmt: skip
    evidence = {"bank-limited": "absorption at 28.6 V, current falling", "covered": "grey light, no current",
                "unheard": "no reading for 130 min", "current-limited": "output at 30 A"}  # fmt: skip
    edges = np.flatnonzero(np.append(True, state[1:] != state[:-1]))
    runs = [StateRun(array, sun.start, int(t[0]), "night", "sun down")]
    for start, stop in zip(edges, np.append(edges[1:], len(t)), strict=True):
        name = str(state[start])
        runs.append(
            StateRun(array, int(t[start]), int(t[stop - 1]) + MINUTE, name, evidence.get(name, "nothing held it"))
        )
    runs.append(StateRun(array, int(t[-1]) + MINUTE, sun.stop, "night", "sun down"))
    return frame, runs


def _array_day(array: str, number: int, sun: SunDay, frame: pd.DataFrame, runs: list[StateRun]) -> ArrayDay:
    minutes: dict[str, float] = {}
    for run in runs:
        minutes[run.state] = minutes.get(run.state, 0.0) + (run.stop - run.start) / MINUTE
    t = frame.index.as_unit("ms").asi8  # type: ignore[attr-defined]

    def within(*states: str) -> pd.DataFrame:
        mask = np.zeros(len(t), dtype=bool)
        for run in runs:
            if run.state in states:
                mask |= (t >= run.start) & (t < run.stop)
        return frame[mask & frame["measured_w"].notna().to_numpy()]

    def wh(part: pd.DataFrame, column: str) -> float:
        return float(part[column].sum() / 60)

    known, judged = frame[frame["measured_w"].notna()], within("unhindered")
    limited, covered = within("bank-limited", "current-limited"), within("covered")
    short = array == "cabin" and number >= SHADE
    curtailed = wh(limited, "expected_w") - wh(limited, "measured_w")
    lost = wh(covered, "expected_w") - wh(covered, "measured_w")
    verdict = "healthy"
    if lost > 0.05 * wh(known, "expected_w"):
        verdict = "covered"
    elif short:
        verdict = "shortfall"
    elif wh(limited, "expected_w") > 0.5 * wh(known, "expected_w"):
        verdict = "limited"
    return ArrayDay(
        array=array, day=sun.day, start=sun.start, stop=sun.stop, rated_w=RATED[array],
        measured_wh=wh(known, "measured_w"), expected_wh=wh(known, "expected_w"),
        expected_low_wh=wh(known, "low_w"), expected_high_wh=wh(known, "high_w"),
        judged_measured_wh=wh(judged, "measured_w"), judged_expected_wh=wh(judged, "expected_w"),
        judged_low_wh=wh(judged, "low_w"), judged_high_wh=wh(judged, "high_w"),
        curtailed_wh=max(curtailed, 0.0), covered_wh=max(lost, 0.0), limited_wh=wh(limited, "expected_w"),
        performance_ratio=0.81, plane_wh_m2=wh(known, "plane_wm2"), daylight_min=float(len(t)),
        known_min=float(len(known)), judging_min=float(len(judged)), completeness=len(known) / len(t),
        verdict=verdict, cause="shade" if short else ("snow" if verdict == "covered" else None),
        states=minutes, features=_features(number, wh(judged, "measured_w"), wh(judged, "expected_w")),
        plane_min=float(len(known)), plane_weighed_wh_m2=0.94 * wh(known, "plane_wm2"),
        evidence="measured against the light, minute by minute",
    )  # fmt: skip


def _features(number: int, got: float, could: float) -> dict[str, list[float]]:
    """All of the judged light is beam on a clear day, none of it on a grey one."""
    clear, nothing = [got, could], [0.0, 0.0]
    return {"beam": clear if SKY[number] >= 0.9 else nothing, "grey": nothing if SKY[number] >= 0.9 else clear}


def _twins(days: list[ArrayDay]) -> list[TwinDay]:
    """The two arrays under the grey sky of a day, alike but for the meters."""
    one, other = days
    got, could = one.judged_measured_wh or 0.0, one.judged_expected_wh or 0.0
    same, allowed = other.judged_measured_wh or 0.0, other.judged_expected_wh or 0.0
    return [TwinDay("cabin", "gantry", one.day, one.start, one.stop, one.judging_min, got, could, same, allowed, 0.016)]


def _storage(days: list[ArrayDay], sun: SunDay) -> StorageDay:
    """All that the arrays gave passed the controllers at 96 %; the bank took a tenth of it for good."""
    got = sum(day.measured_wh or 0.0 for day in days)
    return StorageDay("house", sun.day, sun.start, sun.stop, got, 0.0, 0.5 * got, 0.4 * got, 0.86 * got, 1440.0)


def _loops(number: int, sun: SunDay) -> list[LoopEstimate]:
    grey = SKY[number] < 0.5
    gantry = 0.125 + 0.43 / (1 + math.exp(-(number - 8) / 1.3))
    cable = [("cabin home run", 0.072, 0.068, 17.3), ("gantry home run", gantry, 0.118, 8.67)]
    return [
        LoopEstimate(name, sun.noon, sun.start, sun.stop, None if grey and number == 6 else ohm,
                     ohm - (0.03 if grey else 0.008), ohm + (0.03 if grey else 0.008), 0.02, design, amps,
                     ohm * amps**2 * 2.1, 100 * ohm * amps / 40.4, 300)
        for name, ohm, design, amps in cable
    ]  # fmt: skip


def _boxes(number: int, sun: SunDay) -> list[EnclosureEstimate]:
    dead = number >= FAN_DEAD
    wide = 0.09 if SKY[number] < 0.5 else 0.04
    running = (0.97 if dead else 0.52) + 0.01 * math.sin(number)
    both = [("running", running), ("stopped", 1.0 + 0.015 * math.cos(number))]
    return [
        EnclosureEstimate("electrics", sun.noon, sun.start, sun.stop, fan, value, value - wide, value + wide,
                          38 + 6 * SKY[number] + (2 if dead else 0), sun.noon + 2 * HOUR, 50.0, 0.0, 17.0, 240)
        for fan, value in both
    ]  # fmt: skip


def _bank(number: int, sun: SunDay) -> BankDay:
    full = sun.noon + round(BANK_FULL_FROM[number] * HOUR) if number in BANK_FULL_FROM else None
    low = 25.3 - (0.9 if 5 <= number <= 11 else 0)
    return BankDay("house", sun.stop - 1, sun.start, sun.stop, low, sun.start + 4 * HOUR, 28.6 if full else 26.4, full,
                   12.0, 64.0 + number / 10, 58.0)  # fmt: skip


def findings() -> list[Finding]:
    """Three in force, one cancelled."""
    at = [sun_day(n).noon for n in range(DAYS)]
    return [
        Finding(
            "instrument-unheard", "source.history", "returned", "medium", at[7] + HOUR, at[7] + 3 * HOUR + 12 * MINUTE,
            "Source history said nothing for 132 minutes.", {"array": "cabin", "daylight_minutes": 132}, (),
        ),
        Finding(
            "loop-resistance", "cable.gantry home run", "unacknowledged", "high", at[8], None,
            "The gantry home run has gone from 125 to 551 mΩ since 10 June; by its copper it should have 118.",
            {"ohm": 0.551, "ohm_low": 0.543, "ohm_high": 0.559, "design_ohm": 0.118, "extra_ohm": 0.433,
             "watts_at_full_current": 32.5, "drop_percent": 11.8, "intercept_v": 0.02, "estimates": 6},
            (
                Cause("series-resistance", 0.81, "Feel each plug of the gantry home run for warmth at midday, then "
                      "measure volts from the modules' end to the controller above 3 A."),
                Cause("water-in-joint", 0.14, "Open the deck gland of the gantry home run and look for green copper."),
                Cause("undersized-cable", 0.05, "Measure the diameter of its strands."),
            ),
        ),
        Finding(
            "fan-ineffective", "fan.electrics", "unacknowledged", "medium", at[9], None,
            "Since 13 June the electrics box is as hard to cool with its fan told to run as with it stopped.",
            {"k_per_w": 0.97, "baseline_k_per_w": 0.52, "ratio": 1.87, "peak_c": 45.8, "limit_c": 50.0, "days": 5,
             "explains": ["enclosure-over-temperature enclosure.electrics"]},
            (
                Cause("fan-stopped", 0.62, "Hold a tissue at the outlet of the electrics box when it should run."),
                Cause("fan-supply", 0.27, "Measure the volts at the fan's plug while it is told to run."),
                Cause("inlet-blocked", 0.11, "Brush the mesh at the inlet and at the outlet."),
            ),
        ),
        Finding(
            "yield-shortfall", "array.cabin", "unacknowledged", "medium", at[11] + HOUR, None,
            "The cabin array has given 78 % of what the light allowed since 16 June, and next to none of the loss "
            "lies in the morning.",
            {"days": ["2026-06-16"], "judged_ratio": 0.78, "lost_fraction": 0.22, "lost_wh": 2590.0,
             "features": {"evenness": 0.1}, "mostly": "afternoon"},
            (
                Cause("shade", 0.88, "Look between 15:00 and 19:00 what stands between the sun and the cabin top."),
                Cause("bypassed-substring", 0.07, "Compare the volts of both strings at the same moment in full sun."),
                Cause("soiling", 0.05, "Wipe one module and compare it with its neighbour."),
            ),
        ),
    ]  # fmt: skip


def _write_samples(connection) -> None:  # type: ignore[no-untyped-def]
    channels = Channels(connection)
    start, stop = sun_day(0).start, sun_day(DAYS - 1).noon + 5 * HOUR
    t = np.arange(start // (10 * MINUTE) + 1, stop // (10 * MINUTE)) * 10 * MINUTE
    hour = ((t - start) % DAY) / HOUR - 12
    number = (t - start) // DAY
    sun = np.clip(np.cos(np.radians(15 * (hour - 1.5))), 0, None) * np.take(SKY, number)
    air = 17 + 6 * np.cos(np.radians(15 * (hour - 3)))
    box = air + (10 + 10 * (number >= FAN_DEAD)) * sun
    fan = (sun > 0.3).astype(float)
    columns = {("enclosure.electrics.temperature", "°C"): box, ("air.cabin.temperature", "°C"): air,
               ("fan.electrics.running", "0/1"): fan}  # fmt: skip
    for quantity, unit in (("voltage", "V"), ("current", "A"), ("module_voltage", "V")):
        for array in RATED:
            columns[(f"array.{array}.{quantity}", unit)] = np.where(sun > 0, 36.0, 2.0)
    for (name, unit), values in columns.items():
        channel = channels.id(name, unit)
        connection.executemany(
            "INSERT INTO sample (t, channel, value) VALUES (?, ?, ?)",
            ((moment, channel, value) for moment, value in zip(t.tolist(), values.tolist(), strict=True)),
        )
    refresh(connection, start, stop, stop)
