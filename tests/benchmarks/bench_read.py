"""How long does the whole command take, against a process that only decodes the same file?

    python tests/benchmarks/bench_read.py                       12 megapixels, 5 rounds
    python tests/benchmarks/bench_read.py --megapixels 12 48    also 48
    python tests/benchmarks/bench_read.py --photo my.jpg        your own photo of a target

Whole processes are timed, started in turn (decode, read, decode, read …), so that both meet the same
load; the first round warms the file cache and does not count. Memory is the largest resident size of
each process. The simulated photo has a phone's noise, so that its file is as large as a phone's.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

ROOT = Path(__file__).resolve().parents[2]
BARE = "import sys, cv2; assert cv2.imread(sys.argv[1]) is not None"
# largest time in s, ratio and memory in MB that are aimed at, by megapixels
AIMS = {12: (2.5, 6.0, 700.0), 48: (None, None, 1500.0)}


def run(command: list[str]) -> tuple[float, float, float]:
    """Run a process; seconds, processor seconds and largest resident size in MB.

    This script imports nothing heavy on purpose: a child's figure starts at its parent's size.
    """
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    start = time.perf_counter()
    process = subprocess.Popen(command, cwd=ROOT, env=env, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    seconds = time.perf_counter() - start
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"failed with {process.returncode}: {' '.join(command)}")
    busy = usage.ru_utime + usage.ru_stime
    return seconds, busy, usage.ru_maxrss / (1024.0 if sys.platform != "darwin" else 1024.0**2)


def make_photo(path: Path, megapixels: float) -> None:
    """Make a photo of a pressed 200 mm target with the virtual press and camera."""
    sys.path.insert(0, str(ROOT))
    from colorcheck.sheet import draw
    from colorcheck.sheet.target import make_target
    from tests import virtual as v

    target = make_target(size_mm=(200.0, 200.0), shape="rect", patches="standard")
    sheet = draw.render(target, dpi=300)
    spot = v.Spot(140, 60, 25, v.pale_strength(5.0))
    piece = v.press_sheet(sheet, 300 / 25.4, size_mm=target.size_mm, faults=v.Faults(spots=(spot,)), seed=1)
    pose = v.Pose.megapixels(megapixels, rotation_deg=14, tilt_deg=12, tilt_axis_deg=30, distortion=-0.01, fill=0.85)
    camera = v.Camera(sensitivities="phone-1", noise=0.025, denoise_px=0.4, sharpen=0.4)
    v.save_photo(v.photograph(piece, camera=camera, pose=pose, seed=1), path, quality=95)


def compare(photo: Path, *, rounds: int, scratch: Path, megapixels: int | None) -> None:
    """Time both, in turn, and print."""
    bare = [sys.executable, "-c", BARE, str(photo)]
    options = ["--quiet", "--overwrite", "--json", str(scratch / "out.json")]
    read = [sys.executable, "-m", "colorcheck", "read", str(photo), *options]
    took: dict[str, list[tuple[float, float, float]]] = {"decode": [], "read": []}
    for k in range(rounds + 1):
        for name, command in (("decode", bare), ("read", read)):
            result = run(command)
            if k:
                took[name].append(result)
    print(
        f"{photo.name}, {photo.stat().st_size / 1e6:.1f} MB, {rounds} rounds, "
        f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"
    )
    middle = {}
    for name, rows in took.items():
        seconds = [s for s, *_ in rows]
        middle[name] = median(seconds)
        print(
            f"  {name:7s} median {middle[name]:6.2f} s   {min(seconds):.2f} to {max(seconds):.2f}   "
            f"processor {median(b for _, b, _ in rows):5.2f} s   memory {max(m for *_, m in rows):5.0f} MB"
        )
    ratio = median(r / d for (d, *_), (r, *_) in zip(took["decode"], took["read"], strict=True))
    whole = middle["read"] / middle["decode"]
    print(f"  ratio   {ratio:.2f} (median of the rounds), {whole:.2f} (of the medians)")
    aims = AIMS.get(megapixels or 0)
    if aims:
        words = [f"{v:g} {unit}" for v, unit in zip(aims, ("s", "times", "MB"), strict=True) if v is not None]
        print(f"  aimed at: at most {', '.join(words)}")


def main() -> int:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description="Time the whole read command against decoding alone.")
    parser.add_argument("--photo", type=Path, help="a photo of a target, instead of a simulated one")
    parser.add_argument("--megapixels", type=int, nargs="+", default=[12], help="sizes to simulate (default: 12)")
    parser.add_argument("--runs", type=int, default=5, help="rounds that count (default: 5)")
    parser.add_argument("--keep", type=Path, help="folder for the simulated photos, used again when they are there")
    parser.add_argument("--make", type=Path, help="only make the photo of the first size, as this file")
    args = parser.parse_args()
    if args.make:
        make_photo(args.make, args.megapixels[0])
        return 0
    with tempfile.TemporaryDirectory() as scratch_name:
        scratch = Path(scratch_name)
        helps = [run([sys.executable, "-m", "colorcheck", "--help"]) for _ in range(args.runs + 1)][1:]
        middle, most = median(s for s, *_ in helps), max(m for *_, m in helps)
        print(f"colorcheck --help  median {middle:.3f} s, {most:.0f} MB (aimed at: at most 0.2 s)")
        if args.photo:
            compare(args.photo.resolve(), rounds=args.runs, scratch=scratch, megapixels=None)
            return 0
        folder = (args.keep or scratch).resolve()
        folder.mkdir(parents=True, exist_ok=True)
        for size in args.megapixels:
            photo = folder / f"target-{size}mp.jpg"
            if not photo.exists():
                run([sys.executable, __file__, "--make", str(photo), "--megapixels", str(size)])
            compare(photo, rounds=args.runs, scratch=scratch, megapixels=size)
    return 0


if __name__ == "__main__":
    sys.exit(main())
