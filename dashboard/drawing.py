"""Owns the words of `check`: what the drawing shows, what to do about it, and the caution that stands beside it."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator, Sequence
from typing import Any, NamedTuple

from analysis.hazards import Circuit, Hazard
from dashboard.acts import ARRAY_LIVE, CODES, NOT_CONNECT
from dashboard.wording import subject
from dashboard.writing import NBSP, UNKNOWN, capital, count, listed, quantity
from logger.place import WHY
from logger.settings import Settings

_WIDTH = 80
_FUSE = "Size the fuse to protect the cable; local code, class rules and the cable's own table come first."


class Words(NamedTuple):
    """What is the matter, what to do, and the caution beside it (empty where nobody can be hurt)."""

    what: str
    do: str
    caution: str = ""


def words(hazard: Hazard) -> Words:
    """A hazard in plain words."""
    if hazard.priority == "cannot tell":
        return _missing(hazard)
    return _WORDS[hazard.rule](hazard.evidence)


def _missing(hazard: Hazard) -> Words:
    asked = {
        "string-volts": "the volts of the coldest morning, and whether the controller bears them",
        "array-drop": "the volts lost between modules and controller",
        "hot-volts": "whether hot modules still have the volts to charge the bank",
        "mounting": "how hot the modules get: the expected yield takes a band from rack to glued",
    }
    return Words(asked[hazard.rule], f"add {listed(hazard.evidence['needs'])} to the settings")


def _string_volts(e: dict[str, Any]) -> Words:
    over = e["string_v"] >= e["limit_v"]
    what = (
        f"{quantity(e['string_v'], 'V', 1)} open circuit on the coldest morning (modules at "
        f"{quantity(e['module_c'], '°C')}; {e['basis']}), and the controller bears {quantity(e['limit_v'], 'V')}"
    )
    if over:
        return Words(what, "put fewer modules in series, or take a controller with a higher input limit", NOT_CONNECT)
    return Words(what, "leave a margin: fewer modules in series, or a higher input limit", ARRAY_LIVE)


def _input_current(e: dict[str, Any]) -> Words:
    what = (
        f"the modules can push {quantity(e['current_a'], 'A', 1)} (short circuit × {e['margin']:g}) and nothing limits "
        f"it; the controller bears {quantity(e['limit_a'], 'A')}"
    )
    return Words(what, "fewer strings in parallel, or a larger controller", NOT_CONNECT)


def _output_current(e: dict[str, Any]) -> Words:
    what = (
        f"its arrays could give {quantity(e['current_a'], 'A', 1)}, and it gives at most "
        f"{quantity(e['limit_a'], 'A')}: in full sun up to {quantity(e['clipped_percent'], '%')} is not taken"
    )
    return Words(what, "nothing, if it is meant so: clipped noons are no fault and are not judged as one")


def _array_drop(e: dict[str, Any]) -> Words:
    return _drop(e, "of Vmp at Imp", ARRAY_LIVE + " " + _FUSE)


def _bank_drop(e: dict[str, Any]) -> Words:
    return _drop(e, "of the charge voltage at full output; the bank sees less than the controller says", _FUSE)


def _drop(e: dict[str, Any], of_what: str, caution: str) -> Words:
    what = (
        f"{quantity(e['drop_v'], 'V', 2)} lost at {quantity(e['current_a'], 'A', 1)}, "
        f"{quantity(e['drop_percent'], '%', 1)} {of_what} "
        f"(copper at {quantity(e['copper_c'], '°C')}; aim at {e['aim_percent']:g}, flagged above "
        f"{e['flag_percent']:g})"
    )
    if len(e["cables"]) > 1:
        what += f"; counted together: {listed(e['cables'])}"
    area = e["needs_mm2"]
    return Words(
        what, f"{quantity(area, 'mm²', 2 if area % 1 else 0)} keeps the aim" if area else "shorten the run", caution
    )


def _hot_volts(e: dict[str, Any]) -> Words:
    what = (
        f"only {quantity(e['array_v'], 'V', 1)} reach the controller from hot modules "
        f"({quantity(e['module_c'], '°C')}, mounting {e['mounting']}), and charging needs "
        f"{quantity(e['needed_v'], 'V', 1)}"
    )
    return Words(
        what, "one more module in series, if the cold morning's volts allow it; or more air behind the modules"
    )


def _volts_unused(e: dict[str, Any]) -> Words:
    what = (
        f"its modules work best at {quantity(e['array_v'], 'V', 1)} and a pwm controller holds them at the bank's "
        f"{quantity(e['bank_v'], 'V', 1)}: {quantity(e['unused_percent'], '%')} of their power is never used"
    )
    return Words(what, "a controller that seeks the best point (mppt), or modules made for this bank", ARRAY_LIVE)


def _set_points(e: dict[str, Any]) -> Words:
    what = (
        f"{e['key']} {quantity(e['lower_v'], 'V', 1)} on {e['lower']} and {quantity(e['higher_v'], 'V', 1)} on "
        f"{e['higher']}: the lower one stops first and looks faulty"
    )
    return Words(what, "set both to what the battery maker's sheet says")


def _unlike(e: dict[str, Any]) -> Words:
    what = (
        f"{e['lower']} works best at {quantity(e['lower_v'], 'V', 1)} and {e['higher']} at "
        f"{quantity(e['higher_v'], 'V', 1)}: on one controller neither does"
    )
    return Words(what, "give each its own controller, or strings of like volts", ARRAY_LIVE)


def _no_array(_: dict[str, Any]) -> Words:
    return Words("no array feeds it", 'write controller = "NAME" in its [[array]], or take the controller out')


def _unmeasured(e: dict[str, Any]) -> Words:
    return Words("nothing measures it, so its harvest cannot be judged", f"give a source {listed(e['needs'])}")


def _line_unchecked(e: dict[str, Any]) -> Words:
    what = f"no checksum on {listed(e['sources'])}: a bit that flips on the way can become a wrong value"
    return Words(what, "if the device can send one (sum8, xor8, crc16-modbus), name it under checksum")


def _overlap(e: dict[str, Any]) -> Words:
    what = (
        f"register {e['address']} of node {e['node']} is read in two ways: {e['one_type']} for {e['one']}, "
        f"{e['other_type']} for {e['other']}"
    )
    return Words(what, "see the unit's sheet: a value of 32 bits takes two registers, and orders differ between makes")


def _node_shared(e: dict[str, Any]) -> Words:
    what = f"node {e['node']} speaks for {listed(e['controllers'])}: if these are two units, both answer at once"
    return Words(what, "give each unit a number of its own, one unit on the bus at a time; nothing, if it is one unit")


def _sheet_number(e: dict[str, Any]) -> Words:
    what = f"address {e['address']} looks like a sheet's number"
    if e["channels"] > 1:
        what += f", as do {e['channels'] - 1} more"
    return Words(
        what, f"addresses count from 0: on the wire that is address {e['meant']} with function {e['function']}"
    )


def _gateway_twice(e: dict[str, Any]) -> Words:
    what = f"source {e['first']} asks {e['host']} already, and many gateways take few connections"
    return Words(what, "put all channels of one gateway under one source")


def _place(e: dict[str, Any]) -> Words:
    kind = WHY[e["kind"]]
    return Words(kind.format(e["file_system"]), "put store.path on a disk of the machine itself, for instance ext4")


def _names(e: dict[str, Any]) -> Words:
    return Words(str(e["sentence"]), "install Noonmark into an environment of its own (see README)")


_WORDS: dict[str, Callable[[dict[str, Any]], Words]] = {
    "string-volts": _string_volts,
    "input-current": _input_current,
    "output-current": _output_current,
    "array-drop": _array_drop,
    "bank-drop": _bank_drop,
    "hot-volts": _hot_volts,
    "volts-unused": _volts_unused,
    "set-points-apart": _set_points,
    "arrays-unlike": _unlike,
    "no-array": _no_array,
    "unmeasured": _unmeasured,
    "line-unchecked": _line_unchecked,
    "registers-overlap": _overlap,
    "node-shared": _node_shared,
    "sheet-number": _sheet_number,
    "gateway-twice": _gateway_twice,
    "store-place": _place,
    "names-shared": _names,
}


# -- the sheet ------------------------------------------------------------------------------------------------


def sheet(settings: Settings, circuits: Sequence[Circuit], found: Sequence[Hazard]) -> str:
    """The whole answer of `check`: the drawing in a sentence, both sides of each circuit, numbered hazards."""
    lines = [_sentence(settings, found), ""]
    if circuits:
        lines += ["Circuits as declared. Compare them with what hangs there.", *_both_sides(circuits), ""]
    for number, hazard in enumerate(found, 1):
        lines += [*_numbered(number, hazard), ""]
    return "\n".join([*lines, CODES]).replace(NBSP, " ")


def _sentence(settings: Settings, found: Sequence[Hazard]) -> str:
    worst = [h for h in found if h.priority in ("high", "medium")]
    drawn = count(len(settings.array), "array"), count(len(settings.source), "source")
    told = f"{count(len(worst), 'thing')} to mend" if worst else "nothing to mend" + (", some to know" if found else "")
    return f"{settings.site.name}: the settings are in form ({listed(list(drawn))}); {told}."


def _both_sides(circuits: Sequence[Circuit]) -> Iterator[str]:
    for c in circuits:
        yield f"  {c.array}: {c.in_series} in series, {c.in_parallel} in parallel"
        yield "    array side    " + (
            UNKNOWN
            if {c.array_a, c.array_v, c.open_circuit_v, c.short_circuit_a} == {None}
            else f"{quantity(c.array_a, 'A', 1)} at {quantity(c.array_v, 'V', 1)}; open circuit "
            f"{quantity(c.open_circuit_v, 'V', 1)}, short circuit {quantity(c.short_circuit_a, 'A', 1)}"
        )
        at_bank = (
            UNKNOWN if c.bank_a is c.bank_v is None else f"{quantity(c.bank_a, 'A', 1)} at {quantity(c.bank_v, 'V')}"
        )
        yield f"    battery side  {at_bank}"


def _numbered(number: int, hazard: Hazard) -> list[str]:
    what, do, caution = words(hazard)
    said = what if hazard.priority != "cannot tell" else f"cannot tell {what}"
    head = f"{number:>2}. {'' if hazard.priority == 'cannot tell' else capital(hazard.priority) + '. '}"
    lines = _wrapped(f"{head}{capital(subject(hazard.subject))}: {said}.")
    lines += _wrapped(f"    {capital(do)}.")
    return [*lines, *(_wrapped(f"    {caution}") if caution else [])]


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, _WIDTH, subsequent_indent="    ", break_on_hyphens=False)
