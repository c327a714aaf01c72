"""A listener for the story's lines that is no logger: opens them, keeps all bytes and two times, ends on SIGTERM."""

from __future__ import annotations

import json
import os
import select
import signal
import sys
from pathlib import Path

from fixtures.lapwing.clock import StoryClock


def main() -> int:
    """Write what was heard, as JSON, to the plan's store path."""
    shared, moment_ms, boot_ns, rate = (int(word) for word in sys.argv[1:5])
    plan = json.load(sys.stdin)
    clock = StoryClock(moment_ms, boot_ns, shared, rate)
    if plan["settings_text"] == "deaf":
        return 7
    told_to_stop = []
    signal.signal(signal.SIGTERM, lambda *_: told_to_stop.append(True))
    standing = clock.now_ms()
    ends = {os.open(s["port"], os.O_RDONLY | os.O_NOCTTY): s["name"] for s in plan["sources"] if s["port"]}
    heard = dict.fromkeys(ends.values(), b"")
    while not told_to_stop:
        for end in select.select(list(ends), [], [], 0.05)[0]:
            heard[ends[end]] += os.read(end, 4096)
    times = {"standing": standing, "stopped": clock.now_ms()}
    Path(plan["store_path"]).write_text(json.dumps({**times, **{k: v.decode() for k, v in heard.items()}}))
    return 0


if __name__ == "__main__":
    sys.exit(main())
