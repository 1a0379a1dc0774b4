"""How surely does `batch` find and match several pieces in a photo, and what do more processes bring?

    python tests/benchmarks/bench_batch.py --photos 30           found and matched, six pieces of 60 to 100 mm a photo
    python tests/benchmarks/bench_batch.py --photos 10 --judge   the whole command on them, verdicts too
    python tests/benchmarks/bench_batch.py --single 12           one piece a photo: the pool against single commands

Every scene is told by its number: other artworks, lamp, camera and lay. Half of the pieces judged have a pale spot.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from pathlib import Path
from statistics import median
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))

from bench_read import ROOT, run

sys.path.insert(0, str(ROOT))

TURNS = ("any", "quarters", "upright")


def run_with_children(command: list[str]) -> tuple[float, float, float]:
    """Run a command; seconds, processor seconds of it and of all that it starts, largest resident size of any, MB.

    Looked up in /proc five times a second: workers are children of a server, which the usual accounting leaves out.
    """
    start = time.perf_counter()
    process = subprocess.Popen(
        command, cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)}, stdout=subprocess.DEVNULL
    )
    busy: dict[int, float] = {}
    largest = 0.0
    while process.poll() is None:
        parents, used = {}, {}
        for entry in Path("/proc").iterdir():
            if entry.name.isdigit():
                with suppress(OSError):
                    fields = (entry / "stat").read_text().rpartition(")")[2].split()
                    parents[int(entry.name)] = int(fields[1])
                    used[int(entry.name)] = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
        ours = {process.pid}
        while more := {pid for pid, parent in parents.items() if parent in ours} - ours:
            ours |= more
        for pid in ours & used.keys():
            busy[pid] = used[pid]
            with suppress(OSError):
                status = Path(f"/proc/{pid}/status").read_text()
                peak = [float(line.split()[1]) / 1024 for line in status.splitlines() if line.startswith("VmHWM")]
                largest = max(largest, *peak, 0.0)
        time.sleep(0.2)
    if process.returncode:
        raise SystemExit(f"failed with {process.returncode}: {' '.join(command)}")
    return time.perf_counter() - start, sum(busy.values()), largest


def make_scene(folder: Path, seed: int, *, pieces: int, megapixels: float) -> None:
    """Draw two artworks more than there are pieces, press, lay out and photograph them."""
    import numpy as np

    from tests import loads
    from tests import virtual as v

    folder.mkdir(parents=True)
    rng = np.random.default_rng([seed, 77])
    arts = loads.draw_artworks(rng, folder, pieces + 2)
    pick = [arts[i] for i in rng.permutation(len(arts))[:pieces]]
    spotted = [bool(rng.random() < 0.5) for _ in pick]
    pressed = []
    for k, (art, spot) in enumerate(zip(pick, spotted, strict=True)):
        at = 0.35 * art.size_mm[0], 0.4 * art.size_mm[1]
        faults = v.Faults(spots=(v.Spot(*at, 22, v.pale_strength(9.0)),)) if spot else None
        pressed.append((art, loads.press(art, faults=faults, seed=10 * seed + k)))
    lying = loads.lie(rng, pressed, turn=TURNS[seed % 3], apart_mm=float(rng.uniform(8, 30)))
    fill = 0.9 if pieces > 1 else 0.6
    photo, middles = loads.photograph(rng, lying, megapixels=megapixels, fill=fill)
    v.save_photo(photo, folder / "photo.jpg")
    loads.write_list(folder / "LIST.csv", arts)
    truth = [
        {"artwork": p.art.name, "at": [float(x) for x in at], "spot": spot}
        for p, at, spot in zip(lying, middles, spotted, strict=True)
    ]
    (folder / "truth.json").write_text(json.dumps(truth), encoding="utf-8")


def scenes(keep: Path, count: int, *, pieces: int, megapixels: float) -> list[Path]:
    """Give so many scenes, made where they are not there yet."""
    out = []
    for seed in range(count):
        folder = keep / f"{pieces}-{megapixels:g}mp-{seed:03d}"
        if not (folder / "truth.json").exists():
            make_scene(folder, seed, pieces=pieces, megapixels=megapixels)
        out.append(folder)
    return out


def found_and_matched(folders: list[Path]) -> None:
    """Count pieces found where they lie, and those matched with their artwork by the coarse pictures alone."""
    import numpy as np

    from colorcheck.flows.pieces import load_candidates
    from colorcheck.photo.decode import decode
    from colorcheck.piece.several import cut_out, find_regions
    from colorcheck.piece.whichart import matches
    from colorcheck.shop.joblist import load_jobs

    total = found = right = extra = 0
    took = []
    for folder in folders:
        sketches = load_candidates(load_jobs(folder / "LIST.csv"), view="front").sketches
        image = decode(folder / "photo.jpg", max_pixels=6_500_000)
        start = time.process_time()
        regions = find_regions(image)
        named = [matches(cut_out(image, r, regions), sketches) for r in regions]
        took.append(time.process_time() - start)
        truth = json.loads((folder / "truth.json").read_text())
        left = list(range(len(regions)))
        for piece in truth:
            total += 1
            at = (np.array(piece["at"]) + 0.5) * image.scale - 0.5
            off = [float(np.hypot(*(regions[i].middle - at))) for i in left]
            if not off or min(off) > 20:
                print(f"  not found: {piece['artwork']} in {folder.name}")
                continue
            i = left.pop(int(np.argmin(off)))
            found += 1
            if named[i] and named[i][0].name == piece["artwork"]:
                right += 1
            else:
                print(f"  {piece['artwork']} taken for {named[i][0].name if named[i] else 'nothing'} in {folder.name}")
        extra += len(left)
    print(
        f"{len(folders)} photos, {total} pieces: found {found} ({found / total:.3f}), right artwork {right} "
        f"({right / max(found, 1):.3f} of those found), {extra} that are none; "
        f"finding and matching {median(took):.2f} s of processor a photo"
    )


def judged(folders: list[Path], workers: int) -> None:
    """Run the whole command on each scene, and compare with the truth."""
    import numpy as np

    counts = {"pieces": 0, "right": 0, "judged": 0, "spots": 0, "spots seen": 0, "good": 0, "good accepted": 0}
    for folder in folders:
        photos = folder / "photos"
        photos.mkdir(exist_ok=True)
        if not (photos / "photo.jpg").exists():
            os.link(folder / "photo.jpg", photos / "photo.jpg")
        out = folder / "out.jsonl"
        command = [sys.executable, "-m", "colorcheck", "batch", str(photos), "--jobs", str(folder / "LIST.csv")]
        run([*command, "--json", str(out), "--workers", str(workers), "--overwrite", "--quiet"])
        lines = [json.loads(row) for row in out.read_text().splitlines()]
        for piece in json.loads((folder / "truth.json").read_text()):
            counts["pieces"] += 1
            near = [x for x in lines if x["centre_px"] and np.hypot(*(np.array(x["centre_px"]) - piece["at"])) < 25]
            if not near:
                continue
            (line,) = near
            counts["right"] += line["artwork"] == piece["artwork"]
            counts["judged"] += line["verdict"] is not None
            kinds = {f["kind"] for f in line["findings"]}
            if piece["spot"]:
                counts["spots"] += 1
                counts["spots seen"] += bool(kinds)
            else:
                counts["good"] += 1
                counts["good accepted"] += bool(line["verdict"]) and line["verdict"]["action"] == "accept"
    print(", ".join(f"{k} {n}" for k, n in counts.items()))


def throughput(folders: list[Path], workers: int, scratch: Path) -> None:
    """One `inspect` after another against one `batch`, on the same photos of one piece each."""
    photos = scratch / "photos"
    photos.mkdir()
    rows: list[dict[str, Any]] = []
    for folder in folders:
        truth = json.loads((folder / "truth.json").read_text())[0]
        row = next(r for r in csv.DictReader((folder / "LIST.csv").open()) if r["artwork"] == truth["artwork"])
        (photos / f"{folder.name}.jpg").symlink_to(folder / "photo.jpg")
        rows.append({**row, "artwork": str(folder / row["artwork"])})
    (scratch / "LIST.csv").write_text(
        "artwork,size,shape,count\n" + "".join(f"{r['artwork']},{r['size']},{r['shape']},1\n" for r in rows)
    )
    alone = [0.0, 0.0]
    for folder, row in zip(folders, rows, strict=True):
        command = [
            sys.executable,
            "-m",
            "colorcheck",
            "inspect",
            str(folder / "photo.jpg"),
            "--artwork",
            row["artwork"],
        ]
        options = ["--size", row["size"], "--shape", row["shape"], "--json", str(scratch / "o.json")]
        seconds, processor, _ = run([*command, *options, "--overwrite", "--quiet"])
        alone = [alone[0] + seconds, alone[1] + processor]
    batch = [sys.executable, "-m", "colorcheck", "batch", str(photos), "--jobs", str(scratch / "LIST.csv")]
    out = ["--json", str(scratch / "out.jsonl"), "--workers", str(workers), "--quiet"]
    seconds, processor, memory = run_with_children([*batch, *out])
    n = len(folders)
    print(f"{n} photos of one piece, load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    print(f"  one command after another  {alone[0] / n:5.2f} s a photo, processor {alone[1] / n:5.2f} s")
    print(
        f"  batch, {workers} workers           {seconds / n:5.2f} s a photo, processor {processor / n:5.2f} s, "
        f"largest process {memory:.0f} MB"
    )
    print(f"  {alone[0] / seconds:.2f} times as many a second")


def main() -> int:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description="Measure the command batch.")
    parser.add_argument("--photos", type=int, default=0, help="scenes of several pieces")
    parser.add_argument("--pieces", type=int, default=6, help="pieces in each (default: 6)")
    parser.add_argument("--judge", action="store_true", help="run the whole command on them")
    parser.add_argument("--single", type=int, default=0, help="photos of one piece each, for the throughput")
    parser.add_argument("--megapixels", type=float, default=12.0)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--keep", type=Path, help="folder for the scenes, used again when they are there")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        scratch = Path(name)
        keep = (args.keep or scratch / "scenes").resolve()
        if args.photos:
            folders = scenes(keep, args.photos, pieces=args.pieces, megapixels=args.megapixels)
            (judged(folders, args.workers) if args.judge else found_and_matched(folders))
        if args.single:
            folders = scenes(keep, args.single, pieces=1, megapixels=args.megapixels)
            throughput(folders, args.workers, scratch)
    return 0


if __name__ == "__main__":
    sys.exit(main())
