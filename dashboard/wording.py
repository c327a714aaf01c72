"""Owns the words: one plain word and one line for every key of the contract; `writing` writes numbers and times."""

from __future__ import annotations

from typing import NamedTuple

from dashboard.writing import listed, number, quantity


class Word(NamedTuple):
    """What is shown for a key, and the one line that explains it."""

    word: str
    line: str


class CauseWord(NamedTuple):
    """A cause in plain words, where to look for it, and what to take along."""

    word: str
    line: str
    place: str
    tool: str


STATES: dict[str, Word] = {
    "night": Word("night", "the sun is down"),
    "unhindered": Word("free to give all", "nothing held the array back: only these hours judge it"),
    "bank-limited": Word("bank full", "the bank took less than the array could give"),
    "current-limited": Word("controller at its most", "the controller was at its output limit"),
    "held-back": Word("another charger at work", "another charger held the bank's voltage up"),
    "heat-derated": Word("throttled by heat", "the controller gave less because it was hot"),
    "cold-blocked": Word("stopped by cold", "charging was stopped because the bank was too cold"),
    "too-low": Word("volts too low", "the array's volts lay below what the bank needs"),
    "diverting": Word("dump at work", "the dump load was taking the surplus"),
    "covered": Word("covered", "something lay on the modules: snow, sail, cover, frost"),
    "no-current": Word("no current", "daylight, the instrument was heard, and nothing flowed"),
    "unheard": Word("not heard", "the instrument said nothing"),
    "unknown": Word("cannot tell", "too little is measured to say what held the array"),
}

VERDICTS: dict[str, Word] = {
    "healthy": Word("healthy", "it got what the light allowed"),
    "shortfall": Word("short", "it got less than the light allowed, beyond doubt"),
    "limited": Word("limited", "for most of its light the bank or the controller could not take more"),
    "covered": Word("covered", "something lay on the modules"),
    "cannot tell": Word("cannot tell", "too little judging light, or too little heard"),
}

LOSSES: dict[str, Word] = {
    "clear_sky_wh": Word("cloudless sky", "what a flat array of this size, kept cool, gets of a cloudless sky"),
    "cloud_wh": Word("cloud", "cloud and haze between the sun and the array"),
    "orientation_wh": Word("tilt and bearing", "how the modules lie to the sun, and what their glass reflects"),
    "dim_light_wh": Word("dim light", "cells use weak light less well"),
    "warmth_wh": Word("warmth", "warm cells give less, cold ones more"),
    "unexplained_wh": Word("what nothing else explains", "dirt, shade and faults, and what the reckoning misses"),
    "covered_wh": Word("a cover", "snow, frost or a cloth lay on the modules"),
    "volts_wh": Word("the drawing", "the bank asks for other volts than the modules give best"),
    "limits_wh": Word("limits", "bank full, controller at its most, another charger, heat or cold"),
    "cable_wh": Word("the array's cable", "warmed on the way to the controller"),
    "controller_wh": Word("the controller", "turned to heat in the box"),
    "feed_wh": Word("the feed", "warmed on the way from the controller to the bank"),
    "bank_wh": Word("the bank", "reached the bank"),
}

RULES: dict[str, Word] = {
    "yield-shortfall": Word("less than the light allowed", "an array gives less than the light allows"),
    "yield-excess": Word(
        "more than the light allowed", "an array gives more than its settings allow: drawing, meter or sensor is wrong"
    ),
    "array-dead": Word("array gives nothing", "daylight, and no current from an array"),
    "loop-resistance": Word("bad joint or thin cable", "a run of cable holds back more volts than its copper should"),
    "input-overvoltage": Word("too many volts for the controller", "array volts near or above the controller's limit"),
    "night-backfeed": Word("current runs back at night", "the bank feeds an array in the dark"),
    "enclosure-over-temperature": Word("box too hot", "the air in the box is above its limit"),
    "controller-throttled": Word("controller throttled by heat", "it gave less than its array offered, to stay whole"),
    "fan-ineffective": Word(
        "fan makes no difference", "the box is as hard to cool with the fan told to run as without"
    ),
    "fan-needless": Word("fan runs for nothing", "the fan runs although the box is cool"),
    "condensation-risk": Word("box may sweat", "the air drawn in is near its dew point on the coldest wall"),
    "bank-low": Word("bank low", "the bank has gone below what is good for it"),
    "load-rise": Word("something draws more", "the standing load has risen: check for water first"),
    "bank-imbalance": Word("halves apart", "the two halves of the bank differ"),
    "bank-disconnected": Word("bank parted from its chargers", "charger and bank no longer agree on volts and amps"),
    "bank-freezing": Word("bank may freeze", "the bank is near the freezing point of its acid"),
    "bank-hot": Word("bank hot", "the bank is warmer than is good for it"),
    "charging-while-freezing": Word("charging below freezing", "a lithium bank is charged while its cells are frozen"),
    "charge-voltage-wrong": Word("wrong charge voltage", "the bank is charged at other volts than its set points"),
    "meters-disagree": Word("meters disagree", "two instruments on one conductor do not agree"),
    "sensor-suspect": Word("doubtful sensor", "a sensor says what cannot be"),
    "clock-suspect": Word("doubtful clock", "the light comes at the wrong time of day"),
    "facing-suspect": Word("faces otherwise than drawn", "its light says that an array lies another way"),
    "changed-by-itself": Word("changed by itself", "an instrument restarted, or behaves differently since"),
    "instrument-unheard": Word("not heard", "an instrument that should speak says nothing"),
    "record-trouble": Word("trouble with the record", "readings may be lost or damaged"),
}

_DECK, _BOX, _BANK, _SCREEN = "deck", "box", "bank", "screen"

CAUSES: dict[str, CauseWord] = {
    "cloud": CauseWord("cloud", "the sky, not the array", _SCREEN, "nothing"),
    "low-sun": CauseWord("low sun", "light too flat to judge by", _SCREEN, "nothing"),
    "shade": CauseWord("shade", "something stands between the sun and the modules at some hours", _DECK, "eyes"),
    "soiling": CauseWord("dirt", "dust, salt or droppings on the glass", _DECK, "cloth and fresh water"),
    "snow": CauseWord("snow", "snow or rime on the glass", _DECK, "soft broom"),
    "bypassed-substring": CauseWord(
        "part of a module asleep", "a bypass diode carries part of a module, by shade or by damage", _DECK, "meter"
    ),
    "open-string": CauseWord("a string open", "one of the parallel strings gives nothing", _DECK, "meter, clamp"),
    "series-resistance": CauseWord("bad joint", "a plug, screw or crimp that holds back volts", "deck to box", "meter"),
    "undersized-cable": CauseWord("thin cable", "the copper is too little for this length", _BOX, "meter, rule"),
    "water-in-joint": CauseWord("water in a joint", "comes with spray and dew, dries out again", _DECK, "meter, cloth"),
    "cracked-module": CauseWord("cracked module", "cells broken underfoot or by a knock", _DECK, "eyes, meter"),
    "not-enough-voltage": CauseWord("not enough volts", "array volts below what the bank needs", _BOX, "meter"),
    "controller-limit": CauseWord("controller at its limit", "it cannot give more", _BOX, "nothing"),
    "heat-derating": CauseWord("controller too hot", "it gives less to stay whole", _BOX, "hand, thermometer"),
    "controller-off-best-point": CauseWord(
        "controller off its best point", "it holds the array at the wrong volts", _BOX, "meter"
    ),
    "bank-full": CauseWord("bank full", "there was nowhere to put it", _BANK, "nothing"),
    "other-charger": CauseWord("another charger", "it holds the bank's volts up", _BANK, "nothing"),
    "cold-bank": CauseWord("cold bank", "it takes little charge, or must not take any", _BANK, "thermometer"),
    "wiring-error": CauseWord(
        "loose or wrong wire", "a plug out, a supply lost, series for parallel, a pole swapped", _BOX, "meter"
    ),
    "wrong-setting": CauseWord("wrong setting", "a set point or a key of the settings file", _BOX, "data sheet"),
    "wrong-orientation": CauseWord(
        "lies otherwise than drawn", "another tilt or bearing than the settings say", _DECK, "level, compass"
    ),
    "sensor-offset": CauseWord("sensor off by a constant", "it does not read nothing at nothing", _BOX, "meter"),
    "sensor-gain": CauseWord("sensor off by a factor", "it reads high or low in proportion", _BOX, "meter, clamp"),
    "irradiance-sensor": CauseWord("light sensor wrong", "dirty, tilted, shaded or drifted", _DECK, "cloth, level"),
    "clock-or-position": CauseWord(
        "clock or position wrong", "the sun is looked for in the wrong place", _SCREEN, "watch"
    ),
    "fan-stopped": CauseWord("fan stopped", "stalled, worn or iced", _BOX, "tissue, ears"),
    "fan-supply": CauseWord("no supply to the fan", "fuse, switch, plug or load output", _BOX, "meter"),
    "inlet-blocked": CauseWord("air way blocked", "mesh or filter clogged, at the inlet or the outlet", _BOX, "brush"),
    "hot-surroundings": CauseWord("hot surroundings", "the air it breathes is itself hot", "cabin", "thermometer"),
    "load": CauseWord("a load", "something aboard draws more than it did", "box and bilge", "clamp"),
    "none-of-these": CauseWord("none of these", "no known cause fits what was measured", _BOX, "meter"),
}

# Where an act is done, as said of a person.
_AT = {
    _DECK: "on deck",
    _SCREEN: "at the screen",
    "deck to box": "between deck and box",
    "cabin": "in the cabin",
    "box and bilge": "at the box and in the bilge",
}

PRIORITIES: dict[str, Word] = {
    "high": Word("now", "see to it before anything else"),
    "medium": Word("soon", "see to it on this visit"),
    "low": Word("when there is time", "no harm in waiting"),
}

FINDING_STATES: dict[str, Word] = {
    "unacknowledged": Word("in force", "nobody has said yet that they have seen it"),
    "acknowledged": Word("in force, seen", "someone has seen it"),
    "returned": Word("cancelled", "it is over"),
    "shelved": Word("laid aside", "someone has set it aside for a while"),
    "out-of-service": Word("hands in it", "its subject is being worked on"),
}

_SUBJECTS = {
    "array": "{} array",
    "cable": "{}",
    "controller": "{} controller",
    "enclosure": "{} box",
    "fan": "fan of the {} box",
    "bank": "{} bank",
    "source": "source {}",
    "load": "{} load",
    "wind": "{} wind generator",
    "dump": "{} dump load",
}


def word(table: dict[str, Word] | dict[str, CauseWord], key: str) -> str:
    """The plain word of a key; a key that a later analysis adds is shown as it is, with spaces."""
    known = table.get(key)
    return known.word if known else key.replace("-", " ")


def at_place(place: str) -> str:
    """A place as where one stands: "on deck", "at the box"."""
    return _AT.get(place, f"at the {place}")


def subject(key: str) -> str:
    """A subject as said aloud: ``array.cabin`` is the "cabin array"."""
    kind, _, name = key.partition(".")
    return _SUBJECTS[kind].format(name) if name and kind in _SUBJECTS else key


# -- evidence -------------------------------------------------------------------------------------------------

# The suffix of a key of evidence says its unit, its factor and its digits; the first that fits counts.
_EVIDENCE = (
    ("k_per_w", "K/W", 1.0, 2),
    ("_percent", "%", 1.0, 1),
    ("_fraction", "%", 100.0, 0),
    ("judged_ratio", "%", 100.0, 0),
    ("excess_ratio", "%", 100.0, 0),
    ("grey_ratio", "%", 100.0, 0),
    ("grey_days", "days", 1.0, 0),
    ("ohm", "mΩ", 1000.0, 0),
    ("_wm2", "W/m²", 1.0, 0),
    ("_minutes", "min", 1.0, 0),
    ("_min", "min", 1.0, 0),
    ("_wh", "Wh", 1.0, 0),
    ("_ah", "Ah", 1.0, 0),
    ("_c", "°C", 1.0, 1),
    ("_v", "V", 1.0, 2),
    ("_a", "A", 1.0, 2),
    ("_w", "W", 1.0, 0),
    ("_h", "h", 1.0, 1),
)
# Keys whose words would not be a person's.
_EVIDENCE_WORDS = {
    "ohm": "resistance",
    "ohm_low": "at least",
    "ohm_high": "at most",
    "design_ohm": "by its copper",
    "extra_ohm": "too much by",
    "first_ohm": "when first seen",
    "watts_at_full_current": "heat at full current",
    "drop_percent": "volts lost",
    "intercept_v": "the two meters differ at no current by",
    "judged_ratio": "got of what the light allowed",
    "lost_fraction": "lost",
    "found_by": "found by",
    "hours": "each clear day",
    "light": "light known by",
    "excess_ratio": "gave of what its settings allow",
    "hands_before": "hands were in it before",
    "grey_ratio": "under grey skies, of what the other array got for each rated watt",
    "grey_ratio_low": "at least",
    "grey_ratio_high": "at most",
    "grey_days": "over",
    "grey_minutes": "of grey light",
    "k_per_w": "while the fan is told to run",
    "baseline_k_per_w": "while it worked",
    "ratio": "times as hard to cool",
    "peak_c": "hottest",
    "ceiling_c": "held it before at",
    "beside": "beside an alike array",
    "lost_by_volts_wh": "lost beside it by volts",
    "lost_by_amps_wh": "lost beside it by amps",
    "volts_apart_intervals": "intervals with volts apart by more than 10 %",
    "bright_intervals": "of so many in good light",
    "limit_c": "limit",
    "minutes_over": "over its limit for",
    "estimates": "days on which it was measured",
    "days": "days on which it was seen",
    "clear_days": "clear days",
    "minutes": "minutes of it",
    "array_v": "array volts meanwhile",
    "share_of_open_circuit": "of its open-circuit volts",
    "volts_too_low": "of that time under the bank's need",
    "by_drawing": "of that time by the drawing",
    "daylight_minutes": "daylight not heard",
    "noon_shift_min": "noon late by",
    "with_civil_clock": "as the civil clock changes",
    "throttled_minutes": "throttled for",
    "each_day": "silent each",
    "silent_days": "on days",
    "covered_wh": "lost under the cover",
    "lost_wh": "in all",
}


def evidence(key: str, value: object) -> str | None:
    """One item of a finding's evidence as a phrase; None for what a person cannot read at a glance."""
    if key == "explains" and isinstance(value, list):
        return f"explains also: {listed([_explained(str(item)) for item in value])}"
    if key == "spells" and isinstance(value, list):
        return f"off {listed([f'from {first} to {last}' for first, last in value])}"
    if value is None or key == "to_the_hour" or isinstance(value, (dict, list, tuple)):
        return None
    if key == "grey_against":
        return f"compared with the {subject(str(value))}"
    if key == "mostly":
        return f"lost mostly in the {value}"
    label = _EVIDENCE_WORDS.get(key)
    if isinstance(value, bool):
        shown = "yes" if value else "no"
    elif isinstance(value, (int, float)):
        shown, suffix = _measure(key.removesuffix("_low").removesuffix("_high"), value)
        label = label or key.removesuffix(suffix)
    else:
        shown = str(value)
    return f"{(label or key).replace('_', ' ').strip()}: {shown}"


def _measure(key: str, value: float) -> tuple[str, str]:
    """A number with the unit that the key's suffix tells, and that suffix."""
    if key == "minutes_over":
        return quantity(value, "min"), ""
    if key == "watts_at_full_current":
        return quantity(value, "W"), ""
    for suffix, unit, factor, digits in _EVIDENCE:
        if key.endswith(suffix):
            return quantity(value * factor, unit, digits), suffix
    return number(value, 0 if float(value).is_integer() else 2), ""


def _explained(item: str) -> str:
    rule, _, about = item.partition(" ")
    return f"{subject(about)}, {word(RULES, rule)}"
