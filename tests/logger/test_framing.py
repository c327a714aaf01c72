"""Cutting a stream into lines."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.decoders.framing import FIRST_LINE, INCOMPLETE, MAX_LINE, LineSplitter
from logger.readings import Reject


def lines(*chunks: bytes, distrust_first: bool = False) -> list[bytes | Reject]:
    splitter = LineSplitter(distrust_first)
    return [line for chunk in chunks for line in splitter.feed(chunk)]


@pytest.mark.parametrize("end", [b"\n", b"\r", b"\r\n", b"\n\r"])
def test_every_line_end_ends_a_line(end: bytes) -> None:
    """LF, CR, CRLF and even LFCR: three lines, no empty one."""
    assert lines(b"13.1" + end + b"13.2" + end + b"13.3" + end) == [b"13.1", b"13.2", b"13.3"]


def test_mixed_ends_make_no_empty_lines() -> None:
    """A device and its boot loader may differ."""
    assert lines(b"a\r\nb\nc\rd\n\n\r\r\ne\n") == [b"a", b"b", b"c", b"d", b"e"]


def test_cr_ends_a_line_at_once() -> None:
    """A device that never sends LF is heard with its CR, not with its next line."""
    splitter = LineSplitter(distrust_first=False)
    assert splitter.feed(b"13.1\r") == [b"13.1"]
    assert splitter.feed(b"\n") == []
    assert splitter.feed(b"13.2\r") == [b"13.2"]
    assert splitter.feed(b"\n13.3\n") == [b"13.3"]


def test_an_endless_line_is_cut_once() -> None:
    """Six kilobytes without an end: one reject as soon as the limit is passed, the rest dropped up to its end."""
    splitter = LineSplitter(distrust_first=False)
    assert splitter.feed(b"x" * MAX_LINE) == []
    assert splitter.feed(b"x") == [Reject(b"x" * MAX_LINE, "longer than 4096 bytes")]
    assert splitter.feed(b"y" * 5000) == []
    assert splitter.finish() == []
    assert splitter.feed(b"y\n13.1\n") == [b"13.1"]


def test_a_line_of_the_limit_is_whole() -> None:
    """The limit itself is allowed."""
    assert lines(b"x" * MAX_LINE + b"\n") == [b"x" * MAX_LINE]


def test_the_first_line_after_each_opening_is_distrusted() -> None:
    """It may have begun before we listened; a line end that comes first proves that the next one is whole."""
    splitter = LineSplitter()
    assert splitter.feed(b"3.1\n13.2\n13.") == [Reject(b"3.1", FIRST_LINE), b"13.2"]
    splitter.opened()
    assert splitter.feed(b"13.3\n13.4\n") == [Reject(b"13.3", FIRST_LINE), b"13.4"]
    splitter.opened()
    assert splitter.feed(b"\n13.5\n") == [b"13.5"]


def test_a_half_line_at_the_end_is_told() -> None:
    """A line that is lost in mid-sentence leaves one reject."""
    splitter = LineSplitter(distrust_first=False)
    splitter.feed(b"13.1\n13.")
    assert splitter.finish() == [Reject(b"13.", INCOMPLETE)]
    assert splitter.finish() == []


STREAMS = st.lists(
    st.sampled_from([b"\r", b"\n", b"\r\n", b"13.1", b"V=1", b"\0", b"\xff", b" ", b"x" * 3000]), max_size=25
)


@given(STREAMS, st.lists(st.integers(1, 3000), max_size=30), st.booleans())
def test_any_chunking_gives_the_same_lines(parts: list[bytes], sizes: list[int], distrust_first: bool) -> None:
    """Where the chunks of a stream end says nothing."""
    stream = b"".join(parts)
    chunks, at = [], 0
    for size in [*sizes, len(stream)]:
        chunks.append(stream[at : at + size])
        at += size
    whole, cut = LineSplitter(distrust_first), LineSplitter(distrust_first)
    expected = [*whole.feed(stream), *whole.finish()]
    assert [*(line for chunk in chunks for line in cut.feed(chunk)), *cut.finish()] == expected


@given(st.lists(st.text(alphabet="abc,.=19", min_size=1).map(str.encode)), st.data())
def test_no_line_is_lost_or_joined(texts: list[bytes], data: st.DataObject) -> None:
    """What was sent between line ends comes out, in order, whatever ends were used."""
    ends = [data.draw(st.sampled_from([b"\n", b"\r", b"\r\n"])) for _ in texts]
    assert lines(*(text + end for text, end in zip(texts, ends, strict=True))) == texts
