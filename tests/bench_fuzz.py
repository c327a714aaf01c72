"""Whatever a line or a file can send: no exception escapes a decoder, and no decoder keeps what it has read.

    python -m tests.bench_fuzz [--seconds N]

What is fuzzed is in `tests.fuzz_targets`. Half of the time hypothesis makes streams out of the pieces that lines are
made of; the other half goes to atheris, a coverage-guided fuzzer, where it is installed (it is no dependency: ``pip
install atheris``). What breaks a decoder is printed as bytes: it becomes a folder of ``fixtures/captures``.
"""

from __future__ import annotations

import argparse
import importlib.util
import subprocess
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from logger.decoders.csv_table import CsvTable
from logger.decoders.registry import make
from logger.errors import ImportFault
from tests.fuzz_targets import Target, plans, seeds, targets

MOST_GROWTH_MB = 2.0
"""What a decoder may hold for each megabyte of anything: its half line, its layout, rows whose day is not settled."""

_PIECES = (
    *b"13.1 4.2 -4.2 1. .5 1e9 1e999 nan inf - + 0x1 1_0 13,1 1.068,4 bulk float 7".split(b" "),
    *b'V= I= S= V: {"V":1,"I":2} {"V": [ ] {} null true \\ud800 $ ! * ** *00 *0000 *ffff'.split(b" "),
    *b"time v i s 2024-06-01T12:00:00Z 2024-10-27 02:30 01.06.2024 12:00 24:00 31/02/2024 -99".split(b" "),
    *b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,, GPRMC A 230394 XDR C 41.5 ENCL0 HDG".split(b","),
    *b'{"I":1,"a/b":["-4.2"]} t=21400 -127000 85000 YES NO crc= 28-000005e2fdc3 \xd8\x01'.split(b" "),
    b"GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",
    b"GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W",
    b"IIXDR,C,41.5,C,ENCL0,U,35.20,V,PV0,I,4.10,A,PV0",
    b"GPZDA,201530.00,04,07,2002,00,00",
    *(b",", b";", b"\t", b" ", b"=", b":", b'"', b"'", b"\r", b"\n", b"\r\n", b"\0" * 16, b"\xff", b"\xef\xbb\xbf"),
    *(sign.encode() for sign in ("°", "٤", "²", "\u2028", "\x85", "\x1c", "−")),
)


def streams() -> st.SearchStrategy[list[bytes]]:
    """Chunks of a stream: pieces of lines in any order, and bytes of any kind."""
    part = st.one_of(st.sampled_from(_PIECES), st.sampled_from((b",", b"\n")), st.binary(max_size=6))
    return st.lists(st.lists(part, max_size=30).map(b"".join), max_size=6)


def by_hypothesis(name: str, seconds: float) -> int:
    """Give the targets of one name made streams for so long; how many."""
    deadline, tries, kinds = time.monotonic() + seconds, 0, targets()[name]

    @settings(
        max_examples=100,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
        phases=(Phase.generate, Phase.shrink),
    )
    @given(st.sampled_from(kinds), streams())
    def give(target: Target, chunks: list[bytes]) -> None:
        nonlocal tries
        if not tries or time.monotonic() < deadline:
            target(chunks)
            tries += 1

    while not tries or time.monotonic() < deadline:
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
    tries, names = {}, targets()
    for name in names:
        tries[name] = by_hypothesis(name, seconds / len(names))
    for name in plans():
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
    names = [target for each in targets().values() for target in each]
    with tempfile.TemporaryDirectory() as folder:
        for number, data in enumerate(seeds()):
            for kind in range(0, len(names), 5):
                (Path(folder) / f"{number}-{kind}").write_bytes(bytes([(number + kind) % 256, 7]) + data)
        limits = [
            f"-max_total_time={max(int(seconds), 1)}",
            "-max_len=600",
            "-rss_limit_mb=500",
            "-print_final_stats=1",
        ]
        command = [sys.executable, "-m", "tests.bench_fuzz", "--guided", f"-artifact_prefix={folder}/", *limits, folder]
        done = subprocess.run(command, check=False, capture_output=True, text=True)
    if done.returncode:
        raise SystemExit(f"atheris found something:\n{done.stdout[-3000:]}\n{done.stderr[-3000:]}")
    return "\n".join(line for line in done.stderr.splitlines() if line.startswith(("Done", "stat::")))


def guided(arguments: list[str]) -> None:
    """What runs under atheris: the first byte chooses format and plan, the second the chunking."""
    import atheris  # noqa: PLC0415

    for name in [name for name in sys.modules if name.partition(".")[0] == "logger" or name == "tests.fuzz_targets"]:
        del sys.modules[name]
    with atheris.instrument_imports(include=["logger"]):
        target = importlib.import_module("tests.fuzz_targets")
    kinds = [one for each in target.targets().values() for one in each]

    def one(data: bytes) -> None:
        if len(data) > 2:
            give, step = kinds[data[0] % len(kinds)], data[1] % 60 + 1
            body = data[2:]
            give([body[at : at + step] for at in range(0, len(body), step)])

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
        print(f"{name:24} {count:9,} streams by hypothesis")
    print(by_coverage(options.seconds / 2) if with_atheris else "no atheris here: all of the time went to hypothesis")
    return 0


if __name__ == "__main__":
    sys.exit(main())
