"""The figures that README.md and DEVELOPERS.md quote, each with its label: made again here, or by the command named.

    python tests/benchmarks/bench_figures.py           the quick ones, a minute
    python tests/benchmarks/bench_figures.py --slow    also those that other scripts and tests make (an hour)

Labels: *published* compares with data, standards or papers (tests/data/SOURCES.md); *simulated* names its world;
*bench* would be measured on a user's set-up (scans/real). Prints a table in Markdown.
"""

from __future__ import annotations

import argparse
import random
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from colorcheck.colour.printer_model import fit_printer
from colorcheck.ground.cielab import delta_e00, xyz_to_lab
from colorcheck.shop.controlchart import individuals
from tests import virtual as v
from tests.printers import offset_data
from tests.test_outside import cells_seen
from tests.virtual import spectral

ROOT = Path(__file__).resolve().parents[2]
Figure = tuple[str, str, str]  # what, value, label

SLOW = {  # what other scripts and tests make: figure → label and command
    "faults of a set-up named; doubt with --bench": (
        "simulated (tests/virtual/bench.py)",
        ["tests/benchmarks/bench_setups.py", "--each", "5"],
    ),
    "pieces in one photo found and matched": (
        "simulated (tests/loads.py)",
        ["tests/benchmarks/bench_batch.py", "--photos", "30"],
    ),
    "best time of a step test, 200 series": (
        "simulated (tests/test_ladder.py)",
        ["-m", "pytest", "-q", "tests/test_ladder.py"],
    ),
    "volume, ties, rooms of a comparison": (
        "simulated (tests/virtual)",
        ["-m", "pytest", "-q", "tests/test_compare.py"],
    ),
    "yellowed coat found": ("simulated (tests/virtual)", ["-m", "pytest", "-q", "tests/test_prints.py"]),
    "closed loop of a profile": ("simulated (tests/printers.py)", ["-m", "pytest", "-q", "tests/test_profile.py"]),
    "photos of measured sheets": ("bench: none so far", ["-m", "pytest", "-q", "tests/test_real.py"]),
}


def reflectances() -> list[Figure]:
    """CIE 224:2017 through two published sensors under five lamps, in even light."""
    reflectance, to_xyz = spectral.test_reflectances(), spectral.xyz_weights("D50")
    true = xyz_to_lab(reflectance @ to_xyz / to_xyz.sum(axis=0), np.ones(3))
    led = spectral.colour_science().SDS_LIGHT_SOURCES["Phosphor LED YAG"]
    lamps = {k: spectral.illuminant(k) for k in ("D50", "D65", "LED-B3", "LED-B4")}
    lamps["phosphor LED"] = spectral.on_bands(led.wavelengths, led.values, extend=True)
    errors, covered = [], []
    for sensor in ("measured-1", "measured-2"):
        for power in lamps.values():
            weights = spectral.sensitivities(sensor) * power[:, None]
            seen = reflectance @ (weights / weights.sum(axis=0)) @ v.colour_matrix(sensor, "D65", "srgb").T
            cells = cells_seen(0.7 * np.maximum(seen, 1e-4), np.full(3, 0.7))
            off = delta_e00(cells.lab, true)
            errors.append(off.mean())
            covered.append(np.mean(off <= 2 * cells.uncertainty))
    return [
        (
            "mean error of a balanced camera, CIE 224 reflectances, 2 sensors × 5 lamps",
            _span(errors, "ΔE00"),
            "published",
        ),
        ("share of them within twice the stated doubt", _span(np.array(covered) * 100, "%", 0), "published"),
    ]


def printer() -> list[Figure]:
    """Offset data (FOGRA39L by way of colord): 100 colours fitted, 48 between them asked."""
    rgb, lab, test = offset_data()
    rng = np.random.default_rng(1)
    out = []
    for name, noise in (("48 offset colours between 100 fitted", 0.0), ("the same with noise of SD 1", 1.0)):
        taught = lab[~test] + noise * rng.standard_normal(lab[~test].shape)
        model = fit_printer(rgb[~test], taught, np.full((~test).sum(), max(0.3, noise)))
        out.append((name, f"{delta_e00(model.lab(rgb[test]), lab[test]).mean():.2f} ΔE00", "published"))
    return out


def charts() -> list[Figure]:
    """Steady presses: 25 normal values for the limits and 100 more; skewed ones with plain limits and with logs."""
    rng = random.Random(1)

    def alarms(scale: str, draw: Callable[[], float]) -> int:
        chart = individuals([draw() for _ in range(125)], baseline=25, scale=scale)  # type: ignore[arg-type]
        return sum(i >= 25 for i in {*chart.outside, *chart.drifting})

    steady = np.mean([alarms("linear", lambda: rng.gauss(1.9, 0.05)) > 0 for _ in range(400)])
    plain, log = (sum(alarms(s, lambda: rng.lognormvariate(0.0, 0.4)) for _ in range(400)) for s in ("linear", "log"))
    return [
        (
            "steady presses with an alarm within 100 pieces, limits from 25",
            f"{100 * steady:.0f} %",
            "simulated (random numbers)",
        ),
        (
            "alarms on skewed values, plain limits against logarithms",
            f"{plain / log:.1f} times",
            "simulated (random numbers)",
        ),
    ]


def _span(values: object, unit: str, digits: int = 1) -> str:
    known = np.asarray(values, float)
    return f"{known.min():.{digits}f} to {known.max():.{digits}f} {unit}"


def main() -> None:
    """Print the table."""
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--slow", action="store_true", help="run the other scripts and tests too")
    args = p.parse_args()
    print("| figure | value | label |\n|---|---|---|")
    for make in (reflectances, printer, charts):
        for row in make():
            print(f"| {' | '.join(row)} |", flush=True)
    for what, (label, command) in SLOW.items():
        value = f"`python {' '.join(command)}`"
        if args.slow:
            done = subprocess.run([sys.executable, *command], cwd=ROOT, capture_output=True, text=True, check=False)
            value = " ".join((done.stdout.strip().splitlines() or ["nothing"])[-1].split())
        print(f"| {what} | {value} | {label} |", flush=True)


if __name__ == "__main__":
    main()
