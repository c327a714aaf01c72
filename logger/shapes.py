"""Owns the shapes of single values in the settings, each with the rule that a person reads who typed another."""

from __future__ import annotations

import datetime as dt
import difflib
import re
import warnings
import zoneinfo
from typing import Annotated, Any

from pydantic import AfterValidator, Field, PlainValidator

from logger.worst_lines import MOST_S, slow_line
from logger.zones import zone


def _shaped(pattern: str, rule: str) -> AfterValidator:
    def check(value: str) -> str:
        if not re.fullmatch(pattern, value):
            raise ValueError(rule)
        return value

    return AfterValidator(check)


def _field_ref(value: Any) -> int | str:
    if (type(value) is int and value >= 1) or (type(value) is str and value):
        return value
    raise ValueError("should be a position from 1, or a name in quotes")


def _field_refs(value: Any) -> int | str | list[int | str]:
    if type(value) is not list:
        return _field_ref(value)
    if not value:
        raise ValueError("an empty list names no field")
    return [_field_ref(one) for one in value]


def _known_zone(value: str) -> str:
    try:
        zoneinfo.ZoneInfo(value)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError(f"not a zone of the IANA time zone list{_nearest_zone(value)}") from None
    return value


def _nearest_zone(value: str) -> str:
    known = {name.rpartition("/")[2].lower(): name for name in sorted(zoneinfo.available_timezones())}
    near = difflib.get_close_matches(value.rpartition("/")[2].lower(), known, n=1, cutoff=0.75)
    return f"; did you mean {known[near[0]]!r}?" if near else ""


def _stamp_zone(value: str) -> str:
    try:
        zone(value)
    except ValueError:
        hint = _nearest_zone(value)
        raise ValueError(f'not a zone of the IANA time zone list, nor an offset such as "UTC-7"{hint}') from None
    return value


def _not_zero(value: float) -> float:
    if value == 0:
        raise ValueError("a scale of 0 would make every reading 0")
    return value


def _date_pattern(value: str) -> str:
    moment = dt.datetime(2026, 5, 17, 13, 45, 30, tzinfo=dt.UTC)
    with warnings.catch_warnings(action="ignore"):
        try:
            dt.datetime.strptime(moment.strftime(value), value)  # noqa: DTZ007  whether it can be read is all we ask
        except ValueError as fault:
            raise ValueError(f"not a pattern for dates: {fault}") from None
    return value


def _named_groups(value: str) -> str:
    with warnings.catch_warnings(action="ignore"):
        try:
            groups = re.compile(value).groupindex
        except (re.error, OverflowError, RecursionError) as fault:
            raise ValueError(f"not a regular expression: {fault}") from None
    if not groups:
        raise ValueError("it names no group; write (?P<volts>...) around what is to be read")
    line = slow_line(value)
    if line is not None:
        raise ValueError(
            f"a line of {len(line)} characters such as {line[:12] + '...'!r}, which noise can make, keeps it at work "
            f"for over {MOST_S} s, and nothing else is recorded meanwhile; no repeat within a repeat, and [^,]* or "
            "[0-9.]+ where .* stands several times"
        )
    return value


def _broker_address(value: str) -> str:
    found = re.fullmatch(r"(?:\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._-]+)(?::([0-9]{1,5}))?", value)
    if not found or (found[1] and not 0 < int(found[1]) < 65_536):
        raise ValueError('should be "HOST" or "HOST:PORT"')
    return value


def _encoding(value: str) -> str:
    try:
        "".encode(value)
    except (LookupError, ValueError):
        raise ValueError('not a known encoding; try "utf-8" or "cp1252"') from None
    return value


Name = Annotated[str, _shaped("[a-z0-9_-]+", "may hold a-z, 0-9, _ and - alone"), Field(examples=["cabin"])]
FreeText = Annotated[
    str,
    _shaped(r"(?=.*\S)[^\x00-\x1f\x7f]+", "must not be empty or hold control characters"),
    Field(examples=["cabin home run"]),
]
Carried = Annotated[str, _shaped(r"(array|controller)\.[a-z0-9_-]+", 'should be "array.NAME" or "controller.NAME"')]
AirPlace = Annotated[str, _shaped(r"air\.[a-z0-9_-]+", 'should be "air.PLACE"')]
Conductor = Annotated[
    str,
    _shaped("class [1256]( plain| tinned)? copper", "write class 1, 2, 5 or 6 (IEC 60228), plain or tinned, copper"),
]
BrokerAddress = Annotated[str, AfterValidator(_broker_address)]
TopicLevels = Annotated[
    str, _shaped("[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*", "should be words of a-z, 0-9, _ and -, joined by slashes")
]
Host = Annotated[
    str,
    _shaped(
        "[A-Za-z0-9._-]+|[0-9a-fA-F.]*(:[0-9a-fA-F.]*){2,}",
        "should be a name or an address alone; the port goes under tcp_port",
    ),
]
Zone = Annotated[str, AfterValidator(_known_zone)]
StampZone = Annotated[str, AfterValidator(_stamp_zone)]
Positive = Annotated[float, Field(gt=0)]
Count = Annotated[int, Field(ge=1, examples=[2])]
Scale = Annotated[float, AfterValidator(_not_zero)]
FieldRef = Annotated[int | str, PlainValidator(_field_ref)]
FieldRefs = Annotated[int | str | list[int | str], PlainValidator(_field_refs)]
DatePattern = Annotated[str, AfterValidator(_date_pattern)]
NamedGroups = Annotated[str, AfterValidator(_named_groups)]
Encoding = Annotated[str, AfterValidator(_encoding)]
