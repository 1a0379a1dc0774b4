"""How quick is a press log of a hundred thousand entries?

    python tests/benchmarks/bench_log.py                              a file in a temporary folder
    python tests/benchmarks/bench_log.py --entries 10000
    python tests/benchmarks/bench_log.py --log postgresql://…?schema=bench     an empty schema of a server

Fills an empty log (not timed), then times what the command line and the page ask of it: the median of five, after
one that does not count, and the processor time of this process. The aim is 0.5 s each; exits with 1 when one is missed.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from colorcheck.shop.presslog import open_log  # noqa: E402
from colorcheck.shop.presslog_records import Filter, parse_moment  # noqa: E402
from tests.logs import fill  # noqa: E402

AIM = 0.5


def main() -> int:
    """Fill, time, print."""
    p = argparse.ArgumentParser(description="Time the queries of a large press log.")
    p.add_argument("--entries", type=int, default=100_000)
    p.add_argument("--log", help="file or URL of an empty log (default: a temporary file)")
    p.add_argument("--runs", type=int, default=5)
    args = p.parse_args()
    with tempfile.TemporaryDirectory() as folder, open_log(args.log or Path(folder) / "bench.sqlite") as log:
        start = time.perf_counter()
        fill(log, args.entries)
        seconds, size = time.perf_counter() - start, log.health().bytes / 1e6
        print(f"filled with {args.entries} entries in {seconds:.0f} s, {size:.0f} MB")
        some = log.entries(limit=1)[0]
        year = Filter(since=parse_moment("2022-01-01"), until=parse_moment("2023-01-01"))
        asks: dict[str, Callable[[], object]] = {
            "list, newest 100": lambda: log.entries(limit=100),
            "list, last page": lambda: log.entries(limit=100, offset=args.entries - 100),
            "list of a piece": lambda: log.entries(Filter(piece=some.piece)),
            "list by kind and action": lambda: log.entries(Filter(kind="inspect", action="reprint")),
            "list of a blank": lambda: log.entries(Filter(blank="glass 3")),
            "list by bounds": lambda: log.entries(Filter(at_least={"evenness": 1.2}, at_most={"black_density": 1.85})),
            "search a common word": lambda: log.entries(Filter(text="re-press")),
            "search a rare word": lambda: log.entries(Filter(text="mark777.")),
            "search a word nobody wrote": lambda: log.entries(Filter(text="chandelier")),
            "count of a search": lambda: log.count(Filter(text="mark777.")),
            "one entry by its id": lambda: log.entry(some.uid[:12]),
            "trend of all": lambda: log.trend("evenness"),
            "trend of a year": lambda: log.trend("mean_delta_e00", year),
            "trend of the last 100": lambda: log.trend("black_density", last=100),
            "yield of all": log.yield_and_repress,
            "yield of a year": lambda: log.yield_and_repress(year),
            "map of 10 000 findings": lambda: log.findings(kinds=("pale",)),
        }
        slow = 0
        for name, ask in asks.items():
            times, busy = [], []
            for _ in range(args.runs + 1):
                start, mine = time.perf_counter(), time.process_time()
                ask()
                times.append(time.perf_counter() - start)
                busy.append(time.process_time() - mine)
            seconds = median(times[1:])
            slow += seconds > AIM
            missed = "   MISSED" if seconds > AIM else ""
            print(f"{name:28}{1000 * seconds:8.1f} ms, processor {1000 * median(busy[1:]):6.1f} ms{missed}")
        print(f"aim: {1000 * AIM:.0f} ms each; much less of the processor means: others kept the machine busy")
    return 1 if slow else 0


if __name__ == "__main__":
    sys.exit(main())
