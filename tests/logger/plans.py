"""Owns short ways to write a plan in a test."""

from __future__ import annotations

from typing import Any

from logger.plan import ChannelPlan, Field, SourcePlan


def channel(field: Field, name: str = "bank.house.voltage", **more: Any) -> ChannelPlan:
    """A channel of volts, or of words where `is_text` is given, with the vocabulary's range of a bank."""
    return ChannelPlan(
        **{
            "field": field,
            "channel": name,
            "unit": "text" if more.get("is_text") else "V",
            "scale": 1.0,
            "offset": 0.0,
            "low": -1.0,
            "high": 150.0,
            **more,
        }
    )


def source(*channels: ChannelPlan, **more: Any) -> SourcePlan:
    """A serial source."""
    return SourcePlan(
        **{"name": "cabin controller", "kind": "serial", "port": "/dev/null", "channels": channels, **more}
    )
