"""Are faults of a photo set-up named, and is what a checked set-up states true? On simulated set-ups.

    python tests/benchmarks/bench_setups.py --each 5

For every kind of fault, and none, so many set-ups of `tests.virtual.bench` are photographed and checked. Prints how
often the planted fault was named, what else was, and, for good set-ups, how the stated doubt of a further photo changes
when it is read with the check's file, and how often it covers the truth.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from colorcheck.flows.bench import check_bench, to_dict
from colorcheck.flows.read import read_photos
from colorcheck.flows.requests import BenchRequest
from colorcheck.ground.cielab import delta_e00
from colorcheck.ground.jsontext import write_json
from colorcheck.ground.records import CellFlag, Reading
from colorcheck.show.results import reading_to_dict
from tests import scenes
from tests.virtual import bench

NAMED = {"exposure": "steady", "veil": "stray-light"}  # what a fault is called where its name is not the check's
FOLLOWS = {  # what such a fault does to other checks as well, and is no false alarm
    "flicker": {"turned", "steady"},
    "veil": {"turned"},
    "local-tone": {"turned", "steady"},
}
UNFIT = int(CellFlag.CLIPPED | CellFlag.HIDDEN | CellFlag.GLARE | CellFlag.UNEVEN)


def told(one: Reading, true: np.ndarray) -> dict[str, float]:
    """Stated doubt of a reading, its error, and how often twice the one covers the other."""
    c = one.cells
    ok = ((c.flags & UNFIT) == 0) & np.isfinite(c.lab[:, 0]) & (true[:, 0] < 99.5)
    off = delta_e00(c.lab, true)
    dark = ok & (true[:, 0] < 30)
    return {
        "stated": float(c.uncertainty[ok].mean()),
        "random": float(c.u_noise[ok].mean()),
        "covered": float((off <= 2 * c.uncertainty)[ok].mean()),
        "error": float(off[ok].mean()),
        "dark error": float(off[dark].mean()),
        "bound": float(((c.flags & int(CellFlag.DENSITY_BOUND)) > 0)[dark].mean()),
    }


def check(seed: int, fault: str, folder: Path) -> tuple[set[str], dict[str, dict[str, float]]]:
    """Photograph and check one set-up: names of what was called poor, and figures of readings without and with it."""
    piece = scenes.press("small", substrate=("bright", "warm film", "bluish")[seed % 3])
    own = bench.set_up(seed, fault)
    at = bench.save_all(own, piece, folder)
    earlier = read_photos(at["earlier"])
    write_json(folder / "earlier.json", reading_to_dict(earlier))
    names = {k: str(v) for k, v in at.items() if k != "earlier"}
    result = check_bench(BenchRequest(**names, again=str(folder / "earlier.json")))
    write_json(folder / "bench.json", to_dict(result))
    figures = {}
    if fault in ("", "tone", "veil"):
        target = earlier.target
        true = piece.true_lab(scenes.reading_area(target))
        now = read_photos(at["earlier"], bench=str(folder / "bench.json"))
        both = [read_photos(at["turned"], bench=b) for b in (None, str(folder / "bench.json"))]
        figures = {"without": told(earlier, true), "with": told(now, true)}
        for key, one, other in (("without", earlier, both[0]), ("with", now, both[1])):
            ok = ((one.cells.flags | other.cells.flags) & UNFIT) == 0
            apart = delta_e00(one.cells.lab, other.cells.lab)[ok]
            u = np.hypot(one.cells.u_noise, other.cells.u_noise)[ok]
            figures[key] |= {"two photos covered": float((apart <= 2 * u).mean()), "two photos stated": float(u.mean())}
    return set(result.poor), figures


def main() -> None:
    """Run and print."""
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--each", type=int, default=5, help="set-ups of each kind; eight kinds")
    p.add_argument("--seed", type=int, default=4000)
    p.add_argument("--only", nargs="*", help="of these kinds; 'good' is none")
    args = p.parse_args()
    kinds = [k for k in ("", *bench.FAULTS) if not args.only or (k or "good") in args.only]
    named = alarms = faulty = all_ = 0
    for number, fault in enumerate(kinds):
        rows: list[dict[str, dict[str, float]]] = []
        start, found = time.perf_counter(), []
        for k in range(args.each):
            with tempfile.TemporaryDirectory() as folder:
                poor, figures = check(args.seed + 100 * number + k, fault, Path(folder))
            right = NAMED.get(fault, fault)
            extra = poor - {right} - FOLLOWS.get(fault, set())
            found.append(right in poor or not fault)
            named, faulty = named + (right in poor), faulty + bool(fault)
            alarms, all_ = alarms + bool(extra), all_ + 1
            if extra or not found[-1]:
                print(f"  {fault or 'good'} {args.seed + 100 * number + k}: called {sorted(poor)}")
            rows += [figures] if figures else []
        print(
            f"{fault or 'good':11s} named {sum(found)} of {args.each}, {time.perf_counter() - start:.0f} s", flush=True
        )
        for which in ("without", "with") if rows else ():
            mean = {k: np.mean([r[which][k] for r in rows]) for k in rows[0][which]}
            print(f"  read {which}: " + ", ".join(f"{k} {v:.3f}" for k, v in mean.items()))
    print(f"planted faults named: {named} of {faulty}; something else called poor: {alarms} of {all_}")


if __name__ == "__main__":
    main()
