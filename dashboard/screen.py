"""Owns how text leaves the process: UTF-8 whatever the locale, plain ASCII on a terminal that can show no more."""

from __future__ import annotations

import codecs
import os
import re
import sys
from collections.abc import Mapping

# Terminals of the ANSI age; Linux's own console and all later ones know UTF-8.
_OLD = re.compile(r"dumb|vt[125]\d\d.*|ansi|cons25")
_HANDLER = "noonmark-ascii"


def prepare(environment: Mapping[str, str] = os.environ) -> None:
    """Set standard output and error so that no character can ever fail to be printed."""
    codecs.register_error(_HANDLER, _plainer)
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is None:
            continue
        if stream.isatty() and not shows_unicode(environment):
            reconfigure(encoding="ascii", errors=_HANDLER)
        else:
            reconfigure(encoding="utf-8", errors="replace")


def shows_unicode(environment: Mapping[str, str]) -> bool:
    """Whether a terminal with this environment can be trusted with more than ASCII.

    A locale that names another character set, or C by name, says no; a locale that is not set says nothing, as on most
    small computers over the network.
    """
    if _OLD.fullmatch(environment.get("TERM", "")):
        return False
    locale = next((environment[key] for key in ("LC_ALL", "LC_CTYPE", "LANG") if environment.get(key)), "")
    return not locale or bool(re.search(r"utf-?8", locale, re.IGNORECASE))


def _plainer(fault: UnicodeError) -> tuple[str, int]:
    from dashboard.writing import ascii_only  # noqa: PLC0415  only where it is needed

    if not isinstance(fault, UnicodeEncodeError):
        raise fault
    return ascii_only(fault.object[fault.start : fault.end]), fault.end
