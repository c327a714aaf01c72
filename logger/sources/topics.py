"""Owns the line of a broker's topics: messages as they arrive, one line of bytes each."""

from __future__ import annotations

from logger.broker import Broker
from logger.messages import framed, topic_field
from logger.plan import SourcePlan

PATIENCE_S = 0.25
MAX_READ = 1000


class TopicLine:
    """The topics of one source.

    Parameters
    ----------
    plan : SourcePlan
        Its broker, and channels whose fields name topics.
    patience_s : float
        How long `read` waits for the first message [s].
    """

    def __init__(self, plan: SourcePlan, patience_s: float = PATIENCE_S) -> None:
        self._broker = Broker(plan.broker or "", plan.password_file)
        self._topics = sorted({topic_field(str(channel.field)).topic for channel in plan.channels})
        self._patience_s = patience_s

    def open(self) -> None:
        """Connect and subscribe; see `Broker` for what is raised."""
        self._broker.open()
        self._broker.subscribe(self._topics)

    def read(self) -> bytes:
        """What has arrived; nothing after `patience_s` of silence."""
        return b"".join(framed(message) for message in self._broker.messages(self._patience_s, MAX_READ))

    def close(self) -> None:
        self._broker.close()
