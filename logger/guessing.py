"""Owns guessing what a strange device sends: its format, its check, its fields, and a proposal for the settings."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from logger.decoders.checksums import CHECKS, checked
from logger.decoders.delimited import FOUND, split
from logger.decoders.keyvalue import pairs

PLACEHOLDER = "CHOOSE.ONE.CHANNEL"

_NUMBER = re.compile(r"[+-]?[0-9]+(\.[0-9]+)?([eE][+-]?[0-9]+)?")
_COMMA_NUMBER = re.compile(r"[+-]?[0-9]+,[0-9]+")
_PAIR = re.compile(r"[A-Za-z_]\w*\s*[=:]\s*\S")
_SENTENCE = re.compile(rb"[$!][A-Z0-9]{5},[^$!*]*\*[0-9A-Fa-f]{2}")
_LEAST_SHARE = 0.6
_SIGNS, _RARE = b"\xb0\xb2\xb3\xb5", 5
"""Signs of units that are one byte in the encodings of Western Europe, and in how many bytes at most one is such."""

# The channel that a plain quantity of a sentence usually is.
_USUAL = {
    "latitude": "site.position.latitude",
    "longitude": "site.position.longitude",
    "heading": "site.attitude.heading",
    "heel": "site.attitude.heel",
    "pitch": "site.attitude.pitch",
    "wind_speed": "air.outside.wind_speed",
    "air_temperature": "air.outside.temperature",
    "pressure": "air.outside.pressure",
    "humidity": "air.outside.humidity",
}

Example = tuple[int | str, str]


@dataclass(frozen=True, slots=True)
class Guess:
    """What a device seems to send.

    Attributes
    ----------
    format : str or None
        ``delimited``, ``keyvalue``, ``json`` or ``nmea0183``; None where no format fits.
    separator : str or None
        Between fields or pairs.
    checksum : str
        ``none`` or the check that every line passes.
    decimal : str
        Its decimal sign.
    fields : tuple of (field, example)
        Each field, as it is written in the settings, and what it last held.
    encoding : str
        ``utf-8``, or ``cp1252`` where a degree sign or the like is one byte.
    """

    format: str | None
    separator: str | None
    checksum: str
    decimal: str
    fields: tuple[Example, ...]
    encoding: str = "utf-8"


def readable(line: bytes) -> bool:
    """Whether a line looks like text with a figure in it, and not like another speed's noise."""
    try:
        text = line.decode(_encoding([line]))
    except UnicodeDecodeError:
        return False
    return len(text.strip()) > 1 and all(c.isprintable() or c == "\t" for c in text) and any(c.isdigit() for c in text)


def _encoding(lines: Sequence[bytes]) -> str:
    """UTF-8, unless what speaks against it is a rare sign or letter of Western Europe: noise has more, and others."""
    whole = b"\n".join(lines)
    try:
        whole.decode("utf-8")
    except UnicodeDecodeError:
        high = [byte for byte in whole if byte > 0x7F]
        if len(high) * _RARE <= len(whole) and all(byte in _SIGNS or byte >= 0xC0 for byte in high):
            return "cp1252"
    return "utf-8"


def guess(lines: Sequence[bytes]) -> Guess:
    """The format that most of the readable lines share.

    Parameters
    ----------
    lines : sequence of bytes
        Whole lines, each `readable`.
    """
    sentences = _sentences(lines)
    if sentences:
        return sentences
    encoding = _encoding(lines)
    kind = next((k for k in CHECKS if len(lines) > 1 and all(checked(line, k)[1] is None for line in lines)), "none")
    texts = [checked(line, kind)[0].decode(encoding) for line in lines]
    found = _json(texts, kind) or _keyvalue(texts, kind) or _delimited(texts, kind) or Guess(None, None, kind, ".", ())
    return replace(found, encoding=encoding)


def _enough(count: int, texts: Sequence[str] | Sequence[bytes]) -> bool:
    return count >= max(1, _LEAST_SHARE * len(texts))


def _sentences(lines: Sequence[bytes]) -> Guess | None:
    if not _enough(sum(_SENTENCE.match(line) is not None for line in lines), lines):
        return None
    # Only who hears sentences pays for the library that knows them.
    from logger.decoders.nmea0183 import told  # noqa: PLC0415

    heard = [said for line in lines if (said := told(line)) is not None]
    if not _enough(len(heard), lines):
        return None
    fields: dict[int | str, str] = {name: f"{value:g}" for one in heard for name, value in one.items()}
    return Guess("nmea0183", None, "none", ".", tuple(fields.items()))


def _json(texts: Sequence[str], check: str) -> Guess | None:
    documents = []
    for text in texts:
        try:
            document = json.loads(text)
        except (ValueError, RecursionError):
            continue
        if isinstance(document, dict):
            documents.append(document)
    if not _enough(len(documents), texts):
        return None
    fields: dict[int | str, str] = {}
    for document in documents:
        _flatten(document, "", fields)
    return Guess("json", None, check, ".", tuple(fields.items()))


def _flatten(value: object, at: str, into: dict[int | str, str]) -> None:
    steps = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else None
    if steps is None:
        into[at] = value if isinstance(value, str) else json.dumps(value)
        return
    for step, inner in steps:
        _flatten(inner, f"{at}/{str(step).replace('~', '~0').replace('/', '~1')}", into)


def _keyvalue(texts: Sequence[str], check: str) -> Guess | None:
    texts_with = [text for text in texts if _PAIR.search(text)]
    if not _enough(len(texts_with), texts):
        return None
    separator = _separator(texts_with)
    fields: dict[int | str, str] = {}
    for text in texts_with:
        fields.update(pairs(text, separator) or {})
    values = [value for value in fields.values() if _NUMBER.fullmatch(value) or _COMMA_NUMBER.fullmatch(value)]
    if not values:
        return None
    return Guess("keyvalue", _declared(separator), check, _decimal(values, separator), tuple(fields.items()))


def _delimited(texts: Sequence[str], check: str) -> Guess | None:
    separator = _separator(texts)
    rows = [[field.strip() for field in split(text, separator)] for text in texts]
    counts = [len(row) for row in rows]
    usual = max(set(counts), key=counts.count)
    rows = [row for row in rows if len(row) == usual]
    numbers = [f for row in rows for f in row if _NUMBER.fullmatch(f) or _COMMA_NUMBER.fullmatch(f)]
    # Words between blanks are a sentence, unless most of them are figures.
    least = len(rows) * usual / 2 if separator == " " else len(rows)
    if not _enough(len(rows), texts) or len(numbers) < least:
        return None
    return Guess(
        "delimited", _declared(separator), check, _decimal(numbers, separator), tuple(enumerate(rows[-1], start=1))
    )


def _separator(texts: Sequence[str]) -> str:
    return next((mark for mark in FOUND if _enough(sum(mark in text for text in texts), texts)), " ")


def _declared(separator: str) -> str | None:
    return None if separator == " " else separator


def _decimal(values: Sequence[str], separator: str) -> str:
    return "," if separator != "," and any(_COMMA_NUMBER.fullmatch(value) for value in values) else "."


def proposal(found: Guess, port: str, baud: int) -> str:
    """A ``[[source]]`` block for the settings, its channels left for a person to choose."""
    is_sentences = found.format == "nmea0183"
    rows = [
        "[[source]]",
        'name = "cabin controller"       # choose a name',
        f'kind = "{"nmea0183" if is_sentences else "serial"}"',
        f"port = {_toml(port)}",
        f"baud = {baud}",
    ]
    if not is_sentences:
        rows.append(f"format = {_toml(found.format or 'pattern')}")
    if found.format is None:
        rows.append("pattern = '(?P<volts>[0-9.]+)'    # choose: a named group around each number")
    if found.separator:
        rows.append(f"separator = {_toml(found.separator)}")
    if found.encoding != "utf-8":
        rows.append(f"encoding = {_toml(found.encoding)}")
    if found.checksum != "none":
        rows.append(f"checksum = {_toml(found.checksum)}")
    if found.decimal != ".":
        rows.append(f"decimal = {_toml(found.decimal)}")
    for field, example in found.fields or (("volts", ""),):
        written = field if isinstance(field, int) else _toml(field)
        rows += [
            "[[source.channel]]",
            f"field = {written}" + (f"    # last sent: {_comment(example)}" if example else ""),
            _channel_row(_USUAL.get(str(field)) if is_sentences else None),
        ]
    return "\n".join(rows) + "\n"


def _channel_row(usual: str | None) -> str:
    if usual:
        return f'channel = "{usual}"'
    return f'channel = "{PLACEHOLDER}"    # for instance "bank.house.voltage"; delete the block if it is not wanted'


def _toml(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _comment(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text)[:40]
