"""Owns lines that are each one JSON value, their fields named by JSON pointers (RFC 6901)."""

from __future__ import annotations

import json
import re

from logger.decoders.fields import Find
from logger.decoders.lines import Parse
from logger.plan import SourcePlan

_INDEX = re.compile(r"0|[1-9][0-9]*")


def parser(plan: SourcePlan) -> Parse:
    """The format of one source: its pointers, taken apart once."""
    fields = [f for c in plan.channels for f in (c.field if isinstance(c.field, tuple) else (c.field,))]
    tokens: dict[int | str, list[str]] = {field: pointer_tokens(str(field)) for field in fields}

    def parse(text: str) -> Find | None:
        try:
            document = json.loads(text)
        except (ValueError, RecursionError):
            return None
        if not isinstance(document, (dict, list)):
            return None
        return lambda field: resolve(document, tokens[field])

    return parse


def pointer_tokens(pointer: str) -> list[str]:
    """The reference tokens of a pointer, RFC 6901 section 4: ``~1`` is a slash, then ``~0`` a tilde."""
    return [token.replace("~1", "/").replace("~0", "~") for token in pointer.split("/")[1:]]


def resolve(document: object, tokens: list[str]) -> object:
    """What stands at the pointer, or None."""
    here = document
    for token in tokens:
        if isinstance(here, dict):
            here = here.get(token)
        elif isinstance(here, list) and _INDEX.fullmatch(token) and int(token) < len(here):
            here = here[int(token)]
        else:
            return None
    return here
