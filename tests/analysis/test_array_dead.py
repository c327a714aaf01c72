"""An array that gives nothing in good light: told after an hour, by its volts, and over when there is current."""

from __future__ import annotations

import dataclasses
import datetime as dt
from typing import Any

import numpy as np
import pytest

from analysis import controllers, instruments, standstill, states
from analysis.budget import Budget
from analysis.expected import Expected
from analysis.frames import Grid
from analysis.modules import Electrics
from analysis.results import ArrayDay, Finding
from analysis.rules import array_dead
from analysis.sun import DAY_MS, SunPosition
from fixtures.lapwing.modules import Array as Simulated
from fixtures.lapwing.modules import Module as SimulatedModule
from tests.analysis import frames
from tests.analysis.test_findings import history
from tests.analysis.test_states import light as lit

HOUR_MS = 3_600_000


def day(n: int, minutes: float = 0.0, alive: float = 0.0, judging: float = 0.0, **told: Any) -> ArrayDay:
    start = frames.START + n * DAY_MS
    still = {
        "minutes": minutes, "start": start + 9 * HOUR_MS, "stop": start + 15 * HOUR_MS, "alive_min": alive,
        "lost_wh": 400.0, "too_low": 0.0, "by_drawing": 0.0, "array_v": 0.4, "volts_share": 0.01,
    }  # fmt: skip
    fields: dict[str, Any] = dict.fromkeys((f.name for f in dataclasses.fields(ArrayDay)), 0.0)
    return ArrayDay(
        **fields | {
            "array": "a", "day": dt.date(2026, 6, 10) + dt.timedelta(n), "start": start, "stop": start + DAY_MS,
            "judging_min": judging, "verdict": "cannot tell", "cause": None, "states": {}, "evidence": "plane",
            "features": {"standstill": still | told} if minutes else {},
        }
    )  # fmt: skip


def test_an_hour_of_good_light_without_current_raises_it() -> None:
    """Fifty minutes are a passing thing; six hours are not: since the first minute, of high priority, still open."""
    assert array_dead.found(history(array_days=[day(0, judging=300.0), day(1, minutes=50.0, judging=200.0)])) == []
    (found,) = array_dead.found(history(array_days=[day(0, judging=300.0), day(1, minutes=360.0)]))
    assert (found.rule, found.subject, found.priority) == ("array-dead", "array.a", "high")
    assert found.state == "unacknowledged"
    assert found.since == frames.START + DAY_MS + 9 * HOUR_MS
    assert found.evidence["lost_wh"] == 400.0


@pytest.mark.parametrize(("minutes", "raised"), [(100.0, 0), (130.0, 1)])
def test_by_a_weather_series_it_takes_two(minutes: float, raised: int) -> None:
    """A satellite sees no fog in the valley."""
    far = dataclasses.replace(day(0, minutes=minutes), evidence="weather series")
    assert len(array_dead.found(history(array_days=[far]))) == raised


def test_days_that_say_nothing_neither_raise_nor_clear_it() -> None:
    """A dark day between two dead ones: one finding."""
    found = array_dead.found(history(array_days=[day(0, minutes=300.0), day(1), day(2, minutes=300.0)]))
    assert [f.evidence["days"] for f in found] == [["2026-06-10", "2026-06-12"]]


@pytest.mark.parametrize("days", [[day(0, minutes=300.0), day(1, judging=300.0)], [day(0, minutes=300.0, alive=120.0)]])
def test_current_ends_it_with_the_last_minute_of_the_standstill(days: list[ArrayDay]) -> None:
    """The next day's, or that of the same afternoon."""
    (found,) = array_dead.found(history(array_days=days))
    assert (found.state, found.until) == ("returned", frames.START + 15 * HOUR_MS)


def test_a_change_of_the_array_ends_it() -> None:
    """Plugged anew: what was found before ends with the change."""
    at = frames.START + DAY_MS
    (found,) = array_dead.found(history(array_days=[day(0, minutes=300.0)], changes={"array.a": [at]}))
    assert found.until == at


@pytest.mark.parametrize(
    ("told", "first"),
    [
        ({"volts_share": 0.01}, ("open-string", "wiring-error")),
        ({"volts_share": 0.99}, ("controller-off-best-point", "series-resistance")),
        ({"volts_share": 0.74, "too_low": 1.0}, ("not-enough-voltage", "bypassed-substring")),
        ({"volts_share": 0.8, "too_low": 1.0, "by_drawing": 1.0}, ("not-enough-voltage",)),
        ({"volts_share": None}, ("not-enough-voltage", "open-string")),
    ],
)
def test_the_volts_tell_the_causes_apart(told: dict[str, Any], first: tuple[str, ...]) -> None:
    """No volts: the way is open before the controller. Full volts: it, or a joint that passes no current. Volts below
    the bank's need: too few of them; hot by the drawing, or part of a module out."""
    (found,) = array_dead.found(history(array_days=[day(0, minutes=300.0, **told)]))
    assert tuple(c.cause for c in found.causes)[: len(first)] == first
    parting = [c for c in found.causes if "plug" in c.next_check]
    assert all("live in any light" in c.next_check for c in parting)


def test_hot_modules_by_the_drawing_are_of_medium_priority() -> None:
    """Sound modules that do not reach the bank are the drawing's, and no fault of today."""
    (found,) = array_dead.found(history(array_days=[day(0, minutes=300.0, too_low=1.0, by_drawing=1.0)]))
    assert found.priority == "medium"
    assert "do not reach the bank" in found.summary


# -- the barge's own physics: two modules on a 24 V bank, a diode shorted -----------------------------------------

N = 240
GRID = Grid(frames.START + 10 * HOUR_MS + np.arange(N, dtype=np.int64) * 60_000, 60_000)
BANK_V, CELL_C, LIGHT = 26.5, 68.0, 900.0
SIMULATED = Simulated(SimulatedModule(22.0, 5.95, 18.0, 5.55, -0.3, 0.05, 36, 2, 1.2), 2, 1, 0.0, 0.0, 1.0, 25.0, 6.8)


def simulated(substrings: list[float]) -> tuple[float, float]:
    """Volts and amps of the simulated pair at its controller: at its best point above bank and headroom, else at open
    circuit, where the controller does not start."""
    volts = np.linspace(0.0, 45.0, 1801)
    shares = np.array(substrings)[None, None, :] * LIGHT
    amps = SIMULATED.curves(shares, np.array([CELL_C]), np.array([0.01]), volts)[0]
    # A shorted diode leaves its substring without volts, whatever its light.
    reach = volts >= BANK_V + 1.0
    best = int(np.argmax(np.where(reach, volts * amps, 0.0)))
    opened = float(volts[np.flatnonzero(amps > 0.01)[-1]])
    if opened < BANK_V + 5.0:
        return opened, 0.0
    return float(volts[best]), float(amps[best])


def judged(volts: float, amps: float) -> tuple[states.Codes, dict[str, Any]]:
    settings = frames.settings()
    array, controller = settings.array[0], settings.controller[0]

    def steady(value: float) -> Any:
        return frames.minutes(np.full(N, value), first_hour=10.0)

    stretch = frames.stretch(
        array__a__voltage=steady(volts), array__a__current=steady(amps), controller__c__output_voltage=steady(BANK_V),
        controller__c__stage=steady(1),
    )  # fmt: skip
    electrics = Electrics.of(array, np.full(N, LIGHT), np.full(N, CELL_C))
    allowed = controllers.allowed(array, controller, 0.01, electrics, np.full(N, BANK_V), np.arange(N) == 0)
    errors = Budget((0.1 / 1.96 * allowed.power,), 0.0 * allowed.power, 60_000)
    could = Expected(
        allowed.power, 0.9 * allowed.power, 1.1 * allowed.power, electrics.cell, electrics, allowed, errors
    )
    said = instruments.measured(array, controller, stretch, GRID)
    around = instruments.around(settings, stretch, GRID)
    sun = SunPosition(np.full(N, 60.0), np.full(N, 30.0), np.full(N, 120.0))
    codes = states.of_array(
        array,
        controller,
        settings.bank,
        lit(LIGHT),
        sun,
        said,
        around,
        could,
        GRID,
        np.empty(0, np.int64),
        False,
        np.full(N, 850.0),
    )
    return codes, standstill.of_day(np.ones(N, bool), GRID, said, could, codes)


def test_the_sound_pair_charges_the_bank() -> None:
    """Two modules of 36 cells at 68 °C on a 24 V bank at 26.5 V: near their edge, and free to give all."""
    codes, still = judged(*simulated([1.0, 1.0, 1.0, 1.0]))
    assert {states.WORDS[c] for c in codes} == {"unhindered"}
    assert still == {}


def test_a_shorted_diode_stops_the_harvest_and_the_volts_say_so() -> None:
    """With one substring of four without volts the pair shows too few to start its controller: nothing is harvested,
    not three quarters; the state is too-low, the finding array-dead, the cause first not enough volts."""
    volts, amps = simulated([1.0, 1.0, 1.0, 0.0])
    assert BANK_V < volts < BANK_V + 5.0
    assert amps == 0.0
    codes, still = judged(volts, amps)
    assert {states.WORDS[c] for c in codes} == {"too-low"}
    assert still["minutes"] == N
    assert still["by_drawing"] == 0.0
    told = dataclasses.replace(day(0, minutes=1.0), features={"standstill": still})
    (found,) = array_dead.found(history(array_days=[told]))
    assert [c.cause for c in found.causes][:2] == ["not-enough-voltage", "bypassed-substring"]
    assert found.priority == "high"


def lone_panel(amps: float, volts: float = 21.0, bank_v: float = 12.4) -> tuple[states.Codes, Finding | None]:
    """One module of 100 W on a 12 V bank at 850 W/m² and 32 °C, by what its controller says; and what is found."""
    bank = {"name": "house", "nominal_voltage": 12.0, "chemistry": "agm"}
    module = frames.settings().array[0].model_dump(by_alias=True, exclude_none=True) | {"modules_in_series": 1}
    settings = frames.settings(array=[module], bank=bank)
    array, controller = settings.array[0], settings.controller[0]

    def steady(value: float) -> Any:
        return frames.minutes(np.full(N, value), first_hour=10.0)

    stretch = frames.stretch(
        array__a__voltage=steady(volts), array__a__current=steady(amps), controller__c__output_voltage=steady(bank_v),
        bank__house__voltage=steady(bank_v),
    )  # fmt: skip
    electrics = Electrics.of(array, np.full(N, 850.0), np.full(N, 32.0))
    allowed = controllers.allowed(array, controller, 0.01, electrics, np.full(N, bank_v), np.arange(N) == 0)
    errors = Budget((0.1 / 1.96 * allowed.power,), 0.0 * allowed.power, 60_000)
    could = Expected(
        allowed.power, 0.9 * allowed.power, 1.1 * allowed.power, electrics.cell, electrics, allowed, errors
    )
    said = instruments.measured(array, controller, stretch, GRID)
    around = instruments.around(settings, stretch, GRID)
    sun = SunPosition(np.full(N, 60.0), np.full(N, 30.0), np.full(N, 120.0))
    codes = states.of_array(
        array,
        controller,
        settings.bank,
        lit(850.0),
        sun,
        said,
        around,
        could,
        GRID,
        np.empty(0, np.int64),
        False,
        np.full(N, 850.0),
    )
    still = standstill.of_day(np.ones(N, bool), GRID, said, could, codes)
    told = dataclasses.replace(day(0, minutes=1.0), features={"standstill": still} if still else {})
    found = array_dead.found(history(array_days=[told]))
    return codes, found[0] if found else None


@pytest.mark.parametrize("amps", [0.06, 0.1, 0.15])
def test_a_trickle_at_open_circuit_is_a_path_as_good_as_open(amps: float) -> None:
    """21 V and a tenth of an ampere where five would flow, on a bank at 12.4 V: no current, found dead, and a joint
    that lets a trickle through first among the causes."""
    codes, found = lone_panel(amps)
    assert {states.WORDS[c] for c in codes} == {"no-current"}
    assert found is not None
    assert found.priority == "high"
    assert found.causes[0].cause == "series-resistance"
    assert found.causes[0].probability > 0.5


def test_without_any_trickle_the_controller_comes_first() -> None:
    codes, found = lone_panel(0.0)
    assert {states.WORDS[c] for c in codes} == {"no-current"}
    assert found is not None
    assert found.causes[0].cause == "controller-off-best-point"


def test_the_same_trickle_into_a_full_bank_is_a_full_bank() -> None:
    """At 14.4 V the array is turned down: what stands at open circuit then is sound."""
    codes, found = lone_panel(0.1, bank_v=14.4)
    assert {states.WORDS[c] for c in codes} == {"bank-limited"}
    assert found is None


def test_a_weak_array_off_open_circuit_is_judged() -> None:
    """A trickle at its best point's volts is a shortfall for the causes of one, and no open way."""
    codes, _ = lone_panel(0.2, volts=18.0)
    assert {states.WORDS[c] for c in codes} == {"unhindered"}
