"""Whatever a line or a file can send: no exception escapes a decoder, and no decoder keeps what it has read.

    python -m tests.bench_fuzz [--seconds N]

Half of the time hypothesis makes streams out of the pieces that lines are made of; the other half goes to atheris, a
coverage-guided fuzzer, where it is installed (it is no dependency: ``pip install atheris``). What breaks a decoder is
printed as bytes: it becomes a folder of ``fixtures/captures``.
"""

from __future__ import annotations

import argparse
import importlib.util
import math
import subprocess
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from logger import settings_file
from logger.decoders.csv_table import CsvTable
from logger.decoders.registry import FORMATS, make
from logger.errors import ImportFault
from logger.plan import ChannelPlan, SourcePlan, TimePlan
from logger.readings import Record, Reject

MOST_GROWTH_MB = 2.0
"""What a decoder may hold for each megabyte of anything: its half line, its layout, rows whose day is not settled."""

CAPTURES = Path(__file__).parents[1] / "fixtures" / "captures"
_STAGE = "controller.cabin.stage"
_FIELDS: dict[str, tuple[int | str, int | str, int | str]] = {
    "delimited": (1, 2, 3),
    "keyvalue": ("V", "I", "S"),
    "json": ("/V", "/I", "/S"),
    "pattern": ("V", "I", "S"),
    "csv": ("v", "i", "s"),
}
_PIECES = (
    *b"13.1 4.2 -4.2 1. .5 1e9 1e999 nan inf - + 0x1 1_0 13,1 1.068,4 bulk float 7".split(b" "),
    *b'V= I= S= V: {"V":1,"I":2} {"V": [ ] {} null true \\ud800 $ ! * ** *00 *0000 *ffff'.split(b" "),
    *b"time v i s 2024-06-01T12:00:00Z 2024-10-27 02:30 01.06.2024 12:00 24:00 31/02/2024 -99".split(b" "),
    *(b",", b";", b"\t", b" ", b"=", b":", b'"', b"'", b"\r", b"\n", b"\r\n", b"\0" * 16, b"\xff", b"\xef\xbb\xbf"),
    *(sign.encode() for sign in ("°", "٤", "²", "\u2028", "\x85", "\x1c", "−")),
)


def plans() -> dict[str, list[SourcePlan]]:
    """Every format with every check, with points and commas, in UTF-8 and in an old encoding."""
    made: dict[str, list[SourcePlan]] = {}
    for name in (*FORMATS, "csv"):
        checks = ("none",) if name == "csv" else ("none", "sum8", "xor8", "crc16-modbus")
        made[name] = [
            _plan(name, check, decimal, encoding)
            for check in checks
            for decimal in (".", ",")
            for encoding in ("utf-8-sig", "cp1252")
        ]
    for kind, case in (("modbus", "word_order_and_sign"), ("onewire", "power_on_value")):
        located = settings_file.read(CAPTURES / kind / case / "settings.toml")
        made[kind] = list(settings_file.plan(located).sources)
    return made


def _plan(name: str, check: str, decimal: str, encoding: str) -> SourcePlan:
    volts, amps, stage = _FIELDS[name]
    channels = (
        ChannelPlan(volts, "bank.house.voltage", "V", 1.0, 0.0, -1.0, 150.0),
        ChannelPlan(amps, "bank.house.current", "A", 1.0, 0.0, -3000.0, 3000.0),
        ChannelPlan(stage, _STAGE, "text", 1.0, 0.0, 0.0, 0.0, {"7": "bulk"}, is_text=True),
    )
    when = TimePlan("time", None, None, "Europe/Paris", None, "instant", None, None) if name == "csv" else None
    pattern = r"V\W*(?P<V>[^ ]+)(?: I\W*(?P<I>[^ ]+))?(?: S\W*(?P<S>.*))?$" if name == "pattern" else None
    return SourcePlan(
        "fuzz",
        "csv" if name == "csv" else "serial",
        channels,
        format="delimited" if name == "csv" else name,
        checksum=check,
        pattern=pattern,
        time=when,
        decimal=decimal,
        encoding=encoding,
    )


def feed(plan: SourcePlan, chunks: list[bytes]) -> None:
    """Give a decoder all of it; what comes out must be sound.

    Raises
    ------
    AssertionError
        A value is not finite, or is of the wrong type.
    """
    if plan.kind == "csv":
        _feed_table(plan, chunks)
        return
    decoder = make(plan)
    decoder.opened()
    for item in [item for chunk in chunks for item in decoder.feed(chunk)] + decoder.finish():
        if isinstance(item, Reject):
            assert isinstance(item.raw, bytes)
            continue
        assert isinstance(item, Record)
        for reading in item.readings:
            _sound(reading.channel, reading.value)


def _feed_table(plan: SourcePlan, chunks: list[bytes]) -> None:
    table = CsvTable(plan, "fuzz.csv")
    try:
        blocks = [table.feed(chunk) for chunk in chunks] + [table.finish()]
    except ImportFault:
        return  # it does not fit the mapping, in words
    for block in blocks:
        for channel, column in zip(plan.channels, block.columns, strict=True):
            assert len(column) == len(block.times)
            for value in column:
                if value is not None:
                    _sound(channel.channel, value)


def _sound(channel: str, value: float | str) -> None:
    if channel == _STAGE:
        assert isinstance(value, str)
        value.encode("utf-8")
    else:
        assert isinstance(value, float)
        assert math.isfinite(value)


def streams() -> st.SearchStrategy[list[bytes]]:
    """Chunks of a stream: pieces of lines in any order, and bytes of any kind."""
    part = st.one_of(st.sampled_from(_PIECES), st.sampled_from((b",", b"\n")), st.binary(max_size=6))
    return st.lists(st.lists(part, max_size=30).map(b"".join), max_size=6)


def by_hypothesis(name: str, seconds: float) -> int:
    """Give the decoders of one format made streams for so long; how many."""
    deadline, tries, kinds = time.monotonic() + seconds, 0, plans()[name]

    @settings(
        max_examples=100,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
        phases=(Phase.generate, Phase.shrink),
    )
    @given(st.sampled_from(kinds), streams())
    def give(plan: SourcePlan, chunks: list[bytes]) -> None:
        nonlocal tries
        if time.monotonic() < deadline:
            feed(plan, chunks)
            tries += 1

    while time.monotonic() < deadline:
        give()
    return tries


def growth_mb(name: str, megabytes: float) -> float:
    """What the decoders of one format still hold after so much of anything, at most [MB]."""
    worst = 0.0
    for stream in (
        b"x" * 997,
        b"13.1,4.2\xff\n" * 97,
        b'{"V":' * 97,
        b"V=1,I=2,S=7\r" * 97,
        b"\0" * 997,
        b"[" * 997 + b"\n",
    ):
        plan = plans()[name][0]
        tracemalloc.start()
        try:
            consumer: Callable[[bytes], object] = CsvTable(plan).feed if name == "csv" else make(plan).feed
            _sink(consumer, b"time,v,i,s\n")
            before = tracemalloc.get_traced_memory()[0]
            for _ in range(int(megabytes * 1e6) // len(stream)):
                _sink(consumer, stream)
            worst = max(worst, (tracemalloc.get_traced_memory()[0] - before) / 1e6)
        finally:
            tracemalloc.stop()
    return worst


def _sink(consumer: Callable[[bytes], object], data: bytes) -> None:
    try:
        consumer(data)
    except ImportFault:
        return


def run(seconds: float, megabytes: float = 1.0) -> dict[str, int]:
    """Fuzz every format for its share of the time by hypothesis; how many streams each was given."""
    formats = plans()
    tries = {}
    for name in formats:
        tries[name] = by_hypothesis(name, seconds / len(formats))
        if (grown := growth_mb(name, megabytes)) > MOST_GROWTH_MB * megabytes:
            raise SystemExit(f"{name}: holds {grown:.1f} MB after {megabytes:g} MB of input")
    return tries


# -- coverage-guided -----------------------------------------------------------------------------------------


def by_coverage(seconds: float) -> str:
    """The same under atheris, in a process of its own, begun from the captures that are kept; its last words.

    Raises
    ------
    SystemExit
        It found something.
    """
    with tempfile.TemporaryDirectory() as folder:
        seeds = [path for path in CAPTURES.glob("*/*/input.*") if path.suffix != ".capture"]
        for number, path in enumerate(seeds):
            for kind in (0, 40, 80):
                (Path(folder) / f"{number}-{kind}").write_bytes(bytes([number + kind, 7]) + path.read_bytes()[:500])
        limits = [f"-max_total_time={max(int(seconds), 1)}", "-max_len=600", "-rss_limit_mb=500"]
        command = [sys.executable, "-m", "tests.bench_fuzz", "--guided", f"-artifact_prefix={folder}/", *limits, folder]
        done = subprocess.run(command, check=False, capture_output=True, text=True)
    if done.returncode:
        raise SystemExit(f"atheris found something:\n{done.stdout[-3000:]}\n{done.stderr[-3000:]}")
    return "\n".join(done.stderr.splitlines()[-2:])


def guided(arguments: list[str]) -> None:
    """What runs under atheris: the first byte chooses format and plan, the second the chunking."""
    import atheris  # noqa: PLC0415

    for name in [name for name in sys.modules if name.partition(".")[0] == "logger"]:
        del sys.modules[name]
    with atheris.instrument_imports(include=["logger"]):
        target = importlib.import_module("tests.bench_fuzz")
    kinds = [plan for each in target.plans().values() for plan in each]

    def one(data: bytes) -> None:
        if len(data) > 2:
            plan, step = kinds[data[0] % len(kinds)], data[1] % 17 + 1
            body = data[2:]
            target.feed(plan, [body[at : at + step] for at in range(0, len(body), step)])

    atheris.Setup([sys.argv[0], *arguments], one)
    atheris.Fuzz()


def main() -> int:
    if sys.argv[1:2] == ["--guided"]:
        guided(sys.argv[2:])
        return 0
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--seconds", type=float, default=600)
    options = parser.parse_args()
    with_atheris = importlib.util.find_spec("atheris") is not None
    tries = run(options.seconds / (2 if with_atheris else 1))
    for name, count in tries.items():
        print(f"{name:10} {count:9,} streams by hypothesis")
    print(by_coverage(options.seconds / 2) if with_atheris else "no atheris here: all of the time went to hypothesis")
    return 0


if __name__ == "__main__":
    sys.exit(main())
