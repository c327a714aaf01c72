"""What Lapwing's story promises to whoever judges her: the same each time, and as bad or as well as it says."""

from __future__ import annotations

import csv
import io
import json
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from fixtures.lapwing.controller import BULK
from fixtures.lapwing.faults import Corrosion, Faults
from fixtures.lapwing.history import history_csv, main, planted, write
from fixtures.lapwing.kit import BARE, METERS, fields, settings_text
from fixtures.lapwing.story import GREY_DAYS, WORKING_DAYS, Story
from fixtures.lapwing.vessel import Voyage, sail
from logger import settings_file

JUDGING = 200.0  # W/m², light that casts a shadow
LIMIT_C = 50.0


@cache
def voyage(days: int = 14, healthy: bool = False) -> Voyage:
    return sail(Story.told(days, healthy))


def by_day(ship: Voyage, value: np.ndarray) -> np.ndarray:
    return np.bincount((ship.hour // 24).astype(int), value)


def unhindered_minutes(ship: Voyage, name: str) -> np.ndarray:
    side = ship.sides[name]
    free = (side.stage == BULK) & ~side.limited & (ship.horizontal > JUDGING)
    return by_day(ship, free.astype(float))


def clearness(ship: Voyage) -> np.ndarray:
    return by_day(ship, ship.horizontal) / by_day(ship, ship.sun.normal * ship.sun.height)


def test_story_is_the_same_byte_for_byte(tmp_path: Path) -> None:
    """Two tellings write the same settings, history and truth."""
    tellings = []
    for _ in range(2):
        made = write(tmp_path, Story.told(), sail(Story.told()))
        tellings.append([p.read_bytes() for p in (made.settings, made.history, made.truth)])
    assert tellings[0] == tellings[1]


def test_a_longer_story_begins_like_the_fortnight() -> None:
    """More days continue it: what was written for the first days stays as it was."""
    short = history_csv(Story.told(3), voyage(3)).splitlines()
    longer = history_csv(Story.told(5), voyage(5)).splitlines()
    assert longer[: len(short)] == short


def test_faults_do_not_change_the_weather() -> None:
    """The healthy story has the same light, so that the two can be compared."""
    assert np.array_equal(voyage().horizontal, voyage(healthy=True).horizontal)


def test_the_middle_of_the_fortnight_is_a_cloudy_week() -> None:
    """Bright before and after (clearness over 0.6), 0.2 to 0.45 between; even then hours of light to judge by."""
    ship = voyage()
    for day, kt in enumerate(clearness(ship)[:13], 1):
        assert 0.2 < kt < 0.45 if day in GREY_DAYS else 0.6 < kt < 0.75, (day, kt)
    for name in ("cabin", "gantry"):
        assert min(unhindered_minutes(ship, name)) >= 90


def test_bright_days_bring_what_june_brings() -> None:
    """7 to 8.6 kWh/m² on a bright June day at 47.6° N: between two thirds and three quarters of 11.5 from above."""
    for day, wh in enumerate(by_day(voyage(), voyage().horizontal)[:13] / 60, 1):
        assert 7000 < wh < 8600 or day in GREY_DAYS


def test_the_bank_fills_on_the_first_days() -> None:
    """On days one to three the bank takes the light from late morning on: full and no fault."""
    ship = voyage()
    for day in range(3):
        of_day = ship.hour // 24 == day
        assert ship.charge[of_day].max() > 0.98
        assert (ship.sides["cabin"].stage[of_day] > BULK).sum() > 240


def test_both_controllers_are_free_on_the_days_of_the_jib() -> None:
    """Work aboard keeps the bank below full, so what is missing then is the shade's alone."""
    ship = voyage()
    shaded = np.isin(ship.hour // 24 + 1, [10, 11, 12, 13])
    for side in ship.sides.values():
        assert not side.limited[shaded].any()
    assert {10, 11, 12, 13} < WORKING_DAYS
    assert ship.charge.min() > 0.2


def test_jib_takes_at_least_fifteen_hundredths_of_each_of_its_days() -> None:
    """Measured at the controller's input against what the light would have allowed, while free to give all."""
    ship = voyage()
    side = ship.sides["cabin"]
    free = (side.stage == BULK) & ~side.limited
    got = by_day(ship, side.volts * side.amps * free)
    could = by_day(ship, side.unshaded_w * free)
    lost = 1 - got / could
    assert all(0.15 < share < 0.28 for share in lost[9:13])
    assert np.abs(lost[[*range(9), 13]]).max() < 0.02


def test_enclosure_stays_under_its_limit_all_along() -> None:
    """The dead fan has to be found by K/W: the box never passes 48 °C, limit 50."""
    assert voyage().box_c.max() < 48.0 < LIMIT_C
    assert voyage(60).box_c.max() < 48.0


def test_box_of_the_story_keeps_its_thermal_resistance() -> None:
    """Over whole days the mean rise is the mean heat times K/W: 0.45 with the fan, 1.10 without."""
    ship = voyage()
    heat = sum(side.heat_w for side in ship.sides.values())
    rise = ship.box_c - ship.weather.cabin
    for day, expected in ((1, 0.45), (10, 1.10), (12, 1.10)):
        of_day = ship.hour // 24 == day
        assert rise[of_day].mean() / heat[of_day].mean() == pytest.approx(expected, rel=0.03)


def test_gantry_run_corrodes_as_told() -> None:
    """Sound before its onset (0.10 to 0.13 Ω), 0.12 Ω more at it, 0.55 Ω more at the end; volts over amps agree."""
    ship = voyage()
    side = ship.sides["gantry"]
    story = Story.told()
    onset = int((story.at(Corrosion().onset_hour) - story.start_s) // 60)
    assert 0.10 < side.loop_ohm[: onset - 1].min() < side.loop_ohm[: onset - 1].max() < 0.13
    assert side.loop_ohm[onset + 1] - voyage(healthy=True).sides["gantry"].loop_ohm[onset + 1] == pytest.approx(
        0.12 - 0.002, abs=0.002
    )
    assert side.loop_ohm[-1] - voyage(healthy=True).sides["gantry"].loop_ohm[-1] == pytest.approx(
        0.55 - 0.002, abs=0.002
    )
    bright = side.amps > 1
    drop = (side.module_v - side.volts)[bright] / side.amps[bright]
    assert drop == pytest.approx(side.loop_ohm[bright], abs=1e-9)


def test_energy_is_nowhere_made() -> None:
    """What a controller takes in is what it gives out and what it loses, in every minute."""
    for side in voyage().sides.values():
        on = side.stage >= BULK
        balance = side.volts * side.amps - side.out_v * side.out_a - side.heat_w
        assert np.abs(balance[on]).max() < 0.5
        assert side.heat_w.min() >= 0


def test_truth_names_three_faults_with_their_sizes() -> None:
    """Rule, subject, cause, unit as the contract has them, sizes at least hourly over all the fault's time."""
    told = planted(Story.told(), voyage())
    assert [(p["rule"], p["subject"], p["cause"], p["unit"]) for p in told["planted"]] == [
        ("loop-resistance", "cable.gantry home run", "series-resistance", "ohm"),
        ("fan-ineffective", "fan.electrics", "fan-stopped", "K/W"),
        ("yield-shortfall", "array.cabin", "shade", "fraction"),
    ]
    assert (told["from"], told["to"]) == ("2026-06-06", "2026-06-19")
    for entry in told["planted"]:
        stamps = np.array([np.datetime64(t[:-1]) for t, _ in entry["size"]])
        assert np.diff(stamps).max() <= np.timedelta64(1, "h")
        assert entry["size"][0][0] == entry["onset"]
    joint, fan, shade = told["planted"]
    assert joint["size"][-1][1] == pytest.approx(0.66, abs=0.01)
    assert {size for _, size in fan["size"]} == {1.1}
    assert min(size for _, size in shade["size"]) >= 0.15
    assert (joint["onset"][:10], fan["onset"][:10], shade["onset"][:10]) == ("2026-06-09", "2026-06-14", "2026-06-15")
    assert (joint["until"], fan["until"], shade["until"][:10]) == (None, None, "2026-06-18")


def test_healthy_story_plants_nothing_and_short_one_only_what_has_begun() -> None:
    """A fault whose onset lies after the record's end is not in the truth."""
    assert planted(Story.told(healthy=True), voyage(healthy=True))["planted"] == []
    assert [p["rule"] for p in planted(Story.told(5), voyage(5))["planted"]] == ["loop-resistance"]


def test_each_fault_can_be_moved_or_left_out() -> None:
    """A story with one fault, elsewhere in time, plants that one alone."""
    story = Story(days=3, faults=Faults(corrosion=Corrosion(onset_hour=30, last_hour=60), fan=None, jib=None))
    (entry,) = planted(story, sail(story))["planted"]
    assert (entry["rule"], entry["onset"][:10]) == ("loop-resistance", "2026-06-07")


def test_healthy_sixty_days_can_nearly_all_be_judged() -> None:
    """At most a fifth of the days have less than an hour of unhindered judging light."""
    for name in ("cabin", "gantry"):
        minutes = unhindered_minutes(voyage(60, healthy=True), name)
        assert (minutes < 60).sum() <= 12


def test_history_ends_ten_minutes_before_the_record_around_midday() -> None:
    """One row a minute without a gap from solar midnight on; the live minutes lie around solar noon of the last day."""
    story = Story.told()
    rows = list(csv.DictReader(io.StringIO(history_csv(story, voyage()))))
    assert rows[0]["minute"] == "2026-06-06T00:12:00Z"
    assert rows[-1]["minute"] == "2026-06-19T12:26:00Z"
    assert len(rows) == (story.live_s - story.start_s) // 60
    assert 12.0 < (story.live_s - story.start_s) / 3600 % 24 < 12.5


def test_meters_err_within_their_class() -> None:
    """Volts within 0.3 %, amps within 0.6 %, the light sensor within 1.5 % with a small night offset below zero."""
    for channel, meter in METERS.items():
        allowed = 0.015 if channel.startswith("irradiance") else 0.003 if "voltage" in channel else 0.006
        assert abs(meter.gain - 1) <= allowed, channel
    rows = list(csv.DictReader(io.StringIO(history_csv(Story.told(3), voyage(3)))))
    night = [float(r["light W/m2"]) for r in rows[:120]]
    assert -3 <= min(night) <= max(night) <= 0


def test_history_says_what_happened_in_its_own_units() -> None:
    """Read back by header and unit, each column lies within its instrument's error of the truth."""
    ship, rows = voyage(3), list(csv.DictReader(io.StringIO(history_csv(Story.told(3), voyage(3)))))
    noon = 720
    cabin, gantry = ship.sides["cabin"], ship.sides["gantry"]
    assert float(rows[noon]["cabin sun mV"]) / 1000 == pytest.approx(cabin.volts[noon], rel=0.004)
    assert float(rows[noon]["cabin out mA"]) / 1000 == pytest.approx(cabin.out_a[noon], rel=0.01)
    assert float(rows[noon]["gantry sun V"]) == pytest.approx(gantry.volts[noon], rel=0.004)
    assert float(rows[noon]["bank mV"]) / 1000 == pytest.approx(ship.bank_v[noon], rel=0.002)
    assert float(rows[noon]["box degC"]) == pytest.approx(ship.box_c[noon], abs=0.5)


@pytest.mark.parametrize("kit", ["full", "bare"])
def test_settings_pass_the_check_and_fit_what_is_sent(kit: str, tmp_path: Path) -> None:
    """The sample settings load without a mistake; each live line together carries every channel of the history."""
    settings = settings_file.parse(settings_text(kit, tmp_path))  # type: ignore[arg-type]
    live = {c.channel for s in settings.source if s.kind == "serial" for c in s.channel}
    kept = {c.channel for s in settings.source if s.kind == "csv" for c in s.channel}
    assert live == kept
    assert (kept == BARE) is (kit == "bare")
    assert {s.format for s in settings.source if s.kind == "serial"} == {"delimited", "keyvalue", "json"}
    assert [f.channel for f in fields("history", kit)] == [  # type: ignore[arg-type]
        c.channel for s in settings.source if s.name == "history" for c in s.channel
    ]
    assert all(s.port == str(tmp_path / "lines" / Path(s.port).name) for s in settings.source if s.port)


def test_bare_history_holds_nothing_but_the_bare_kit() -> None:
    """Controllers' own volts, amps and stage and the bank's volts and amps: no light, no box, no module end."""
    header = history_csv(Story.told(1), voyage(1), "bare").splitlines()[0].split(",")
    assert len(header) == 1 + len(BARE)
    assert not [h for h in header if "light" in h or "box" in h or "modules" in h or "back" in h]


def test_command_writes_the_three_files(tmp_path: Path) -> None:
    """``python -m fixtures.lapwing.history FOLDER --days 1 --healthy`` leaves settings, history and truth."""
    done = CliRunner().invoke(main, [str(tmp_path / "made"), "--days", "1", "--healthy"])
    assert done.exit_code == 0, done.output
    assert sorted(p.name for p in (tmp_path / "made").iterdir()) == ["history.csv", "noonmark.toml", "truth.json"]
    assert json.loads((tmp_path / "made" / "truth.json").read_text())["planted"] == []
