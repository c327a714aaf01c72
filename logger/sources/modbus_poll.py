"""Owns which registers of which unit are asked when: joined reads, units in turn, patience with what is not there.

Neighbouring registers are read together, never across a hole. A unit that does not answer is asked ever more seldom and
costs the others one time-out each time. A register that the unit says it does not have, or to which it has nothing to
say while it answers for others, is found by halving the read that held it, told once, and asked again once an hour.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from logger.exchange import MOST_REGISTERS, Question, exception
from logger.plan import RegisterPlan

MOST_REST_S = 60.0
ABSENT_S = 3600.0
TOLD_AFTER = 3
"""Questions in a row without an answer after which a unit is told to be silent."""
LATE_TIMES = 3.0
"""Time-outs for which a unit that did not answer is left alone, while the others are asked."""

SILENCE, NO_FUNCTION, NO_REGISTER, NO_SUCH_COUNT = 0, 1, 2, 3
"""Exception codes that say something of the question and not of the unit's state (MODBUS Application Protocol, 7); no
answer at all says it too, where the unit goes on answering other questions."""
BUSY = (5, 6)
"""Codes of a unit that only wants more time."""


class Span(NamedTuple):
    """The registers of one value."""

    address: int
    width: int

    @property
    def end(self) -> int:
        return self.address + self.width


class Block(NamedTuple):
    """Registers that are read with one question."""

    node: int
    function: int
    spans: tuple[Span, ...]

    @property
    def question(self) -> Question:
        first = self.spans[0].address
        return Question(self.node, self.function, first, max(span.end for span in self.spans) - first)


@dataclass(slots=True)
class _Node:
    """One unit: what is to be asked, and how it has been answering."""

    number: int
    spans: dict[int, list[Span]]
    due_s: float
    queue: deque[Block] = field(default_factory=deque)
    rest_s: float = 0.0
    silent: int = 0
    damaged: int = 0
    late: bool = False
    cuts: dict[tuple[int, int], int] = field(default_factory=dict)
    absent: dict[tuple[int, Span], float] = field(default_factory=dict)
    failed: dict[Block, str] = field(default_factory=dict)
    """Questions that failed since the unit last answered one, and why."""
    deaf: dict[Block, int] = field(default_factory=dict)
    """How often in a row the unit answered others beside a question that failed."""

    @property
    def ready_s(self) -> float:
        return max(self.rest_s, 0.0 if self.queue else self.due_s)


class Poll:
    """The order of questions on one bus; it asks nothing itself and owns no clock.

    Parameters
    ----------
    registers : iterable of RegisterPlan
    every_s : float
        From one reading of a unit to the next [s].
    timeout_s : float
        How long an answer may take [s].
    note : callable
        Told a sentence for each thing that a person should know, once.
    now_s : float
        The time of a clock that never steps [s], here and below.
    """

    def __init__(
        self,
        registers: Iterable[RegisterPlan],
        every_s: float,
        timeout_s: float,
        note: Callable[[str], None],
        now_s: float,
    ) -> None:
        self._every_s, self._timeout_s, self._note = every_s, timeout_s, note
        nodes: dict[int, dict[int, set[Span]]] = {}
        for one in registers:
            nodes.setdefault(one.node, {}).setdefault(one.function, set()).add(Span(one.address, one.width))
        self._nodes = deque(
            _Node(number, {function: sorted(spans) for function, spans in functions.items()}, now_s)
            for number, functions in nodes.items()
        )

    def next(self, now_s: float) -> Block | None:
        """What to ask now; None where nothing is due. Units take turns, question by question."""
        for _ in range(len(self._nodes)):
            node = self._nodes[0]
            self._nodes.rotate(-1)
            if node.ready_s > now_s:
                continue
            if not node.queue:
                node.queue.extend(_blocks(node, now_s))
                on_time = node.due_s + self._every_s
                node.due_s = on_time if on_time > now_s else now_s + self._every_s
            if node.queue:
                return node.queue[0]
        return None

    def wait_s(self, now_s: float) -> float:
        """Until something is due [s]."""
        return max(0.0, min(node.ready_s for node in self._nodes) - now_s)

    # -- what came of it ------------------------------------------------------------------------------------------

    def answered(self, block: Block, now_s: float) -> None:
        """Registers came."""
        node = self._taken(block)
        self._speaks(node)
        node.deaf.pop(block, None)
        for span in block.spans:
            if node.absent.pop((block.function, span), None) is not None:
                self._note(f"{_named(block.function, span)} of node {node.number} is there now")
        failed, node.failed = node.failed, {}
        for other, why in failed.items():
            if other == block:
                continue
            node.deaf[other] = node.deaf.get(other, 0) + 1
            if node.deaf[other] >= TOLD_AFTER:  # it is not the unit that cannot
                del node.deaf[other]
                node.queue = deque(waiting for waiting in node.queue if waiting != other)
                self._without(node, other, SILENCE, why, now_s)

    def late(self, number: int) -> None:
        """An answer of that unit came after its time."""
        node = self._node(number)
        if not node.late:
            node.late = True
            self._note(f"node {number} answers, but later than timeout_s = {self._timeout_s:g}; give it more time")

    def damaged(self, block: Block, now_s: float) -> None:
        """Bytes came, but no answer: once more, then not before the next round."""
        node = self._node(block.node)
        node.damaged += 1
        node.rest_s = now_s + LATE_TIMES * self._timeout_s
        if node.damaged > 1:
            self._taken(block)
            node.damaged = 0

    def silent(self, block: Block, now_s: float, why: str = "no answer", lacks: bool = True) -> None:
        """Nothing came, or the unit says that it cannot. The question stays the unit's next one, at first.

        A very late answer then finds the question that it belongs to. From the second time on others have their turn:
        a unit may be deaf to one question alone. `lacks` tells that it may not have what is asked for.
        """
        node = self._node(block.node)
        if any((block.function, span) in node.absent for span in block.spans):
            self._taken(block)
            self._rest(node, block, now_s)
            return
        node.silent += 1
        if lacks:
            node.failed[block] = why
        often = self._every_s * 2 ** min(node.silent - 1, 30)
        rest = min(often, max(MOST_REST_S, self._every_s)) if node.silent > 1 else 0.0
        node.rest_s = max(now_s + rest, now_s + LATE_TIMES * self._timeout_s, node.due_s)
        if node.silent == TOLD_AFTER:
            self._note(
                f"node {node.number}: {why} to {TOLD_AFTER} questions; asked ever more seldom, the others as before"
            )
        if node.silent > 1:
            self._put_last(node, block, now_s)

    def refused(self, block: Block, code: int, now_s: float) -> None:
        """An exception came, with its code."""
        if code not in (NO_FUNCTION, NO_REGISTER, NO_SUCH_COUNT):
            self.silent(block, now_s, exception(code), lacks=code not in BUSY)
            return
        node = self._taken(block)
        self._speaks(node)
        self._without(node, block, code, exception(code), now_s)

    def _without(self, node: _Node, block: Block, code: int, why: str, now_s: float) -> None:
        """The unit has not all that a question asks for: look closer, or note what is not there."""
        if len(block.spans) > 1 and code != NO_FUNCTION:
            self._halve(node, block, code)
            return
        for span in block.spans:
            if (block.function, span) not in node.absent:
                # What was read apart in the hunt for it may be read together again.
                node.cuts = {place: cut for place, cut in node.cuts.items() if cut != code}
                self._note(f"{_named(block.function, span)} of node {node.number}: {why}; asked again once an hour")
        self._rest(node, block, now_s)

    def _rest(self, node: _Node, block: Block, now_s: float) -> None:
        node.absent.update({(block.function, span): now_s + ABSENT_S for span in block.spans})

    def _put_last(self, node: _Node, block: Block, now_s: float) -> None:
        """Ask all else of the unit before that question again."""
        if len(node.queue) == 1:
            node.queue.extend(other for other in _blocks(node, now_s) if other != block)
        node.queue.remove(block)
        node.queue.append(block)

    def _halve(self, node: _Node, block: Block, code: int) -> None:
        """Ask each half at once; from now on the two are read apart, as the unit may not like the seam."""
        middle = len(block.spans) // 2
        node.cuts[block.function, block.spans[middle].address] = code
        node.queue.extendleft((block._replace(spans=block.spans[middle:]), block._replace(spans=block.spans[:middle])))

    def _speaks(self, node: _Node) -> None:
        if node.silent >= TOLD_AFTER:
            self._note(f"node {node.number}: answers again")
        node.silent, node.rest_s = 0, 0.0

    def _node(self, number: int) -> _Node:
        return next(node for node in self._nodes if node.number == number)

    def _taken(self, block: Block) -> _Node:
        node = self._node(block.node)
        node.queue.remove(block)
        node.damaged = 0
        return node


def _blocks(node: _Node, now_s: float) -> list[Block]:
    """The questions of one round: joined neighbours, and alone what was absent and may have come."""
    blocks = []
    for function, spans in node.spans.items():
        there = [span for span in spans if (function, span) not in node.absent]
        cuts = {address for cut, address in node.cuts if cut == function}
        blocks += [Block(node.number, function, run) for run in joined(there, cuts)]
        due = [span for span in spans if node.absent.get((function, span), now_s + 1) <= now_s]
        blocks += [Block(node.number, function, (span,)) for span in due]
    return blocks


def joined(spans: list[Span], cuts: set[int] | frozenset[int] = frozenset()) -> list[tuple[Span, ...]]:
    """Runs of spans without a hole between them, each at most 125 registers, none across a cut.

    Parameters
    ----------
    spans : list of Span
        Rising.
    cuts : set of int
        Addresses at which a new run begins.
    """
    runs: list[list[Span]] = []
    end = -1
    for span in spans:
        fits = runs and span.address <= end and max(end, span.end) - runs[-1][0].address <= MOST_REGISTERS
        if fits and span.address not in cuts:
            runs[-1].append(span)
            end = max(end, span.end)
        else:
            runs.append([span])
            end = span.end
    return [tuple(run) for run in runs]


def _named(function: int, span: Span) -> str:
    kind = "holding" if function == 3 else "input"
    return f"{kind} register {span.address}" if span.width == 1 else f"{kind} registers {span.address}-{span.end - 1}"
