"""How long does `inspect` take as a whole, against a process that only decodes the same photo?

    python tests/benchmarks/bench_inspect.py                      12 megapixels, 5 rounds
    python tests/benchmarks/bench_inspect.py --megapixels 12 48   also 48
    python tests/benchmarks/bench_inspect.py --picture plaque     an emblem, clock, plaque or scenery

Timed like bench_read.py: whole processes in turn, the first round does not count. The last line compares
processor seconds, which another load on the machine changes least.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).resolve().parent))

from bench_read import BARE, ROOT, run

SIZE_MM = (200.0, 200.0)
# largest time in s, ratio and memory in MB that are aimed at, by megapixels
AIMS = {12: "3 s, 7 times, 700 MB", 48: "1500 MB"}


def make_piece(photo: Path, megapixels: float, picture: str) -> None:
    """Make an artwork beside the photo, press it with a spot on it, and photograph it on white card."""
    sys.path.insert(0, str(ROOT))
    from PIL import Image

    from tests import virtual as v
    from tests.virtual import artworks

    art = artworks.ARTWORKS[picture](SIZE_MM, 8.0, seed=5)
    Image.fromarray(art).save(photo.with_suffix(".png"))
    spot = v.Spot(140, 60, 25, v.pale_strength(5.0))
    piece = v.press_sheet(art, 8.0, size_mm=SIZE_MM, faults=v.Faults(spots=(spot,)), seed=1)
    pose = v.Pose.megapixels(megapixels, rotation_deg=5, tilt_deg=8, tilt_axis_deg=30, distortion=-0.01, fill=0.85)
    camera = v.Camera(sensitivities="phone-1", noise=0.025, denoise_px=0.4, sharpen=0.4)
    v.save_photo(v.photograph(piece, camera=camera, pose=pose, seed=1), photo, quality=95)


def compare(photo: Path, *, rounds: int, scratch: Path, megapixels: int) -> None:
    """Time both, in turn, and print."""
    bare = [sys.executable, "-c", BARE, str(photo)]
    size = f"{SIZE_MM[0]:g}x{SIZE_MM[1]:g}mm"
    given = ["--artwork", str(photo.with_suffix(".png")), "--size", size]
    options = ["--quiet", "--overwrite", "--json", str(scratch / "out.json")]
    inspect = [sys.executable, "-m", "colorcheck", "inspect", str(photo), *given, *options]
    took: dict[str, list[tuple[float, float, float]]] = {"decode": [], "inspect": []}
    for k in range(rounds + 1):
        for name, command in (("decode", bare), ("inspect", inspect)):
            result = run(command)
            if k:
                took[name].append(result)
    load = f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"
    print(f"{photo.name}, {photo.stat().st_size / 1e6:.1f} MB, {rounds} rounds, {load}")
    for name, rows in took.items():
        seconds = [s for s, *_ in rows]
        print(
            f"  {name:7s} median {median(seconds):6.2f} s   {min(seconds):.2f} to {max(seconds):.2f}   "
            f"processor {median(b for _, b, _ in rows):5.2f} s   memory {max(m for *_, m in rows):5.0f} MB"
        )
    for k, word in enumerate(("time", "processor")):
        ratios = [i[k] / d[k] for d, i in zip(took["decode"], took["inspect"], strict=True)]
        print(f"  ratio by {word}: {median(ratios):.2f} (median of the rounds)")
    if megapixels in AIMS:
        print(f"  aimed at: at most {AIMS[megapixels]}")


def main() -> int:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description="Time the whole inspect command against decoding alone.")
    parser.add_argument("--megapixels", type=int, nargs="+", default=[12], help="sizes to simulate (default: 12)")
    parser.add_argument("--runs", type=int, default=5, help="rounds that count (default: 5)")
    parser.add_argument("--picture", default="scenery", help="kind of artwork (default: scenery)")
    parser.add_argument("--keep", type=Path, help="folder for the simulated photos, used again when they are there")
    parser.add_argument("--make", type=Path, help="only make the photo of the first size, as this file")
    args = parser.parse_args()
    if args.make:
        make_piece(args.make, args.megapixels[0], args.picture)
        return 0
    with tempfile.TemporaryDirectory() as scratch_name:
        scratch = Path(scratch_name)
        folder = (args.keep or scratch).resolve()
        folder.mkdir(parents=True, exist_ok=True)
        for size in args.megapixels:
            photo = folder / f"{args.picture}-{size}mp.jpg"
            if not photo.exists():
                made = ["--make", str(photo), "--megapixels", str(size), "--picture", args.picture]
                run([sys.executable, __file__, *made])
            compare(photo, rounds=args.runs, scratch=scratch, megapixels=size)
    return 0


if __name__ == "__main__":
    sys.exit(main())
