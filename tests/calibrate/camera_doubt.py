"""How far a phone balanced on white is from the eye, on pressed prints: writes ``colorcheck/photo/cameradoubt.json``.

Sensors: the measured sensitivities that colour-science ships, and every file of a folder in the open format of
the *rawtoaces-data* collection (github.com/AcademySoftwareFoundation/rawtoaces-data, ``data/camera``, Apache-2.0;
laboratories are named in each file). Lamps: daylights, CIE typical LEDs and broad-band tubes, and measured
phosphor LEDs (colour-science). Dyes: drawn at random round the bands that such dyes have (invented), with a black
ink that makes none to all of the greys. Coats: bright, warm and bluish (invented). The maker's matrix is fitted
on the 99 reflectances of CIE 224:2017, under the lamp itself or the
nearer of D65 and A, with or without a penalty on noise.

    python -m tests.calibrate.camera_doubt --sensors FOLDER --draws 3000
"""

from __future__ import annotations

import argparse
import hashlib
import json
from pathlib import Path
from typing import Any

import numpy as np

from colorcheck.ground.cielab import delta_e00, xyz_to_lab, xyz_to_linear_srgb
from colorcheck.ground.relative import relative_lab
from colorcheck.photo import cameradoubt as doubt
from colorcheck.photo.camera import OTHER_LIGHT, root_terms
from tests.virtual import spectral

LAMPS = ("D50", "D55", "D65", "LED-B1", "LED-B2", "LED-B3", "LED-B4", "LED-B5", "LED-V1", "FL3.15", "FL8")
MEASURED = ("Phosphor LED YAG", "PHOS-1", "PHOS-2", "PHOS-3", "PHOS-4", "Luxeon WW 2880")
OUT = Path(doubt.__file__).with_name("cameradoubt.json")


def sensors(folder: Path | None) -> dict[str, Any]:
    """Name → sensitivities (36, 3)."""
    science = spectral.colour_science()
    out: dict[str, Any] = {}
    for name, table in science.MSDS_CAMERA_SENSITIVITIES.items():
        out[name] = spectral.on_bands(table.wavelengths, table.values, extend=False)
    for path in sorted(folder.glob("*.json")) if folder else ():
        data = json.loads(path.read_text(encoding="utf-8"))["spectral_data"]["data"]["main"]
        out[path.stem] = spectral.on_bands([float(k) for k in data], list(data.values()), extend=False)
    return {k: np.maximum(v, 0.0) for k, v in out.items()}


def lamp(name: str) -> Any:
    """Spectral power (36,)."""
    if name not in MEASURED:
        return spectral.illuminant(name)
    sd = spectral.colour_science().SDS_LIGHT_SOURCES[name]
    power = spectral.on_bands(sd.wavelengths, sd.values, extend=True)
    return np.maximum(power, 0) / power.mean()


def dyes(rng: np.random.Generator) -> Any:
    """Spectral densities (4, 36) of cyan, magenta, yellow and black, each about 1 at its peak."""
    bump = spectral.bump

    def one(peak: float, left: float, right: float, side: float, at: float) -> Any:
        main = bump(peak, left, right) + rng.uniform(0, 0.5) * bump(peak - rng.uniform(25, 45), 18, 20)
        return main / main.max() + side * bump(at, 35, 40)

    u = rng.uniform
    cyan = one(u(625, 670), u(35, 60), u(45, 70), u(0.02, 0.12), u(395, 440)) + 0.01
    magenta = one(u(535, 565), u(25, 40), u(18, 28), u(0.06, 0.25), u(395, 440))
    yellow = one(u(422, 448), u(38, 55), u(24, 40), 0.0, 400)
    tilt = (spectral.WAVELENGTHS - 555) / 175
    black = np.maximum(1 + u(-0.2, 0.2) * tilt + u(-0.1, 0.1) * tilt**2, 0.3)
    return np.stack([cyan, magenta, yellow, black])


def prints(rng: np.random.Generator, density: Any) -> Any:
    """Reflectances (n, 36) relative to the coat, and the coat (36,): greys first, then colours."""
    coat = np.exp(rng.uniform(-0.12, 0.12) * (spectral.WAVELENGTHS - 555) / 175) * (
        1 - rng.uniform(0, 0.25) * (1 - spectral.step(410, 18))
    )
    share = rng.uniform(0, 1)  # of black ink in the greys
    floor = rng.choice([0.002, 0.01, 0.04])
    weights = spectral.xyz_weights("D50")
    white = coat @ weights
    levels = np.linspace(0.06, 1.0, 12)
    amounts = []
    for level in 1.9 * levels**1.3:  # greys: C, M and Y are balanced for the eye, black takes its share
        k = share * level
        a = np.full(3, level - k)
        for _ in range(25):
            r = coat * (floor + (1 - floor) * 10 ** -(a @ density[:3] + k * density[3]))
            lab = xyz_to_lab((r @ weights) / white * spectral.xyz_weights("D50").sum(axis=0))
            if level == k:
                break
            step = np.array([-0.5 * lab[1] / 100, 0.5 * lab[1] / 100, -0.5 * lab[2] / 100])
            a = np.maximum(a + 1.2 * step, 0)
        amounts.append([*a, k])
    grid = rng.uniform(0, 1, (60, 3)) ** 1.3 * 1.7
    grid[rng.random((60, 3)) < 0.3] = 0
    k = share * 0.6 * grid.min(axis=1)
    amounts = np.concatenate([np.array(amounts), np.column_stack([grid - k[:, None], k])])
    return floor + (1 - floor) * 10 ** -(amounts @ density), coat


def maker(rng: np.random.Generator, sensor: Any, light: Any) -> Any:
    """White-preserving matrix (3, 3) that the maker puts behind a sensor."""
    samples = spectral.test_reflectances()
    warm = light[:14].sum() < 0.75 * light[22:].sum()  # nearer to the warm of the two lights that makers teach with
    taught = light if rng.random() < 0.5 else spectral.illuminant("A" if warm else "D65")
    penalty = rng.choice([0.0, 2e-3])

    def raw(r: Any, power: Any) -> Any:
        w = sensor * power[:, None]
        return r @ (w / w.sum(axis=0))

    cmf = spectral.xyz_weights("D50") / spectral.illuminant("D50")[:, None]
    to_xyz = cmf * taught[:, None]
    to_xyz = to_xyz / to_xyz[:, 1].sum()
    d50 = spectral.xyz_weights("D50").sum(axis=0)
    wanted = xyz_to_linear_srgb(samples @ to_xyz @ spectral.adaptation(to_xyz.sum(axis=0), d50).T)
    got = raw(samples, taught)
    weight = 1 / np.cbrt(np.maximum(wanted, 0.02)) ** 2
    matrix = np.zeros((3, 3))
    for c in range(3):
        others = [k for k in range(3) if k != c]
        a = (got[:, others] - got[:, [c]]) * weight[:, [c]]
        b = (wanted[:, c] - got[:, c]) * weight[:, c]
        ridge = np.sqrt(penalty * len(a)) * np.eye(2)
        p = np.linalg.lstsq(np.vstack([a, ridge]), np.concatenate([b, np.zeros(2)]), rcond=None)[0]
        matrix[c, others], matrix[c, c] = p, 1 - p.sum()
    return matrix


def seen_and_true(rng: np.random.Generator, sensor: Any, light: Any, matrix: Any, density: Any) -> tuple[Any, Any]:
    """Linear colour relative to the coat, as one camera under one lamp sees a print and as it is, (n, 3) each."""
    relative, coat = prints(rng, density)
    w = sensor * light[:, None]
    w = w / w.sum(axis=0)
    d50 = spectral.xyz_weights("D50").sum(axis=0)
    picture = (relative * coat) @ w @ matrix.T
    bare = coat[None] @ w @ matrix.T
    weights = spectral.xyz_weights("D50")
    xyz = (relative * coat) @ weights / (coat @ weights) * d50
    return picture / bare, xyz_to_linear_srgb(xyz)


def alike(sensor: Any, one: Any, other: Any) -> bool:
    """Whether two lamps give nearly the same white, so that nothing tells them apart."""
    a, b = sensor.T @ one, sensor.T @ other
    ratio = (a / a[1]) / (b / b[1])
    return bool(np.abs(np.log(ratio)).max() < OTHER_LIGHT)


def taught(seen: Any, true: Any) -> Any:
    """Root-polynomial of the second degree that a camera file would hold, on ``camera.root_terms``."""

    def design(v: Any) -> Any:
        return root_terms(v, 2) - np.maximum(v[:, 1:2], 0)

    weight = 1 / np.cbrt(np.maximum(true, 0.01)) ** 2
    x = np.stack(
        [np.linalg.lstsq(design(seen) * weight[:, [c]], (true - np.maximum(seen[:, 1:2], 0))[:, c] * weight[:, c])[0]
         for c in range(3)], axis=1,
    )  # fmt: skip
    return lambda v: np.maximum(v[:, 1:2], 0) + design(v) @ x


def fit(seen: Any, true: Any) -> tuple[Any, float]:
    """Amounts (12,) of the modes that take true to seen, and what they leave, relative and weighted as the eye does."""
    y = np.maximum(true, 2e-3)
    wanted = np.log(np.maximum(seen, 2e-3) / y)
    weight = np.cbrt(y)
    a = (doubt.modes(y) * weight[..., None]).reshape(-1, doubt.MODES)
    b = (wanted * weight).ravel()
    x = np.linalg.lstsq(np.vstack([a, 0.05 * np.eye(doubt.MODES)]), np.concatenate([b, np.zeros(doubt.MODES)]))[0]
    return x, float(np.sqrt(np.mean((b - a @ x) ** 2)))


def second_moment(x: Any) -> Any:
    """Second moments (k, k) of rows (n, k) without the furthest tenth: a few sensors would set them all."""
    kept, out = x, np.eye(x.shape[1])
    for _ in range(8):
        out = kept.T @ kept / len(kept) + 1e-6 * np.eye(x.shape[1])
        far = np.einsum("ij,jk,ik->i", x, np.linalg.inv(out), x)
        kept = x[far <= np.percentile(far, 90)]
    return out


def main() -> None:
    """Draw, fit, write, and print how well the stated doubt covers."""
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--sensors", type=Path, help="folder of sensitivities in the rawtoaces-data format")
    p.add_argument("--draws", type=int, default=3000)
    p.add_argument("--seed", type=int, default=1)
    args = p.parse_args()
    rng = np.random.default_rng(args.seed)
    known = sensors(args.sensors)
    lamps = {k: lamp(k) for k in (*LAMPS, *MEASURED)}
    names = sorted(known)
    half = set(names[::2])  # these teach, the others are asked whether the doubt covers them
    draws: dict[str, list[Any]] = {"balanced": [], "referenced": []}
    for _ in range(args.draws):
        name, light = str(rng.choice(names)), str(rng.choice(sorted(lamps)))
        matrix, density = maker(rng, known[name], lamps[light]), dyes(rng)
        seen, true = seen_and_true(rng, known[name], lamps[light], matrix, density)
        draws["balanced"].append((name, seen, true))
        # a camera file made of another piece with the same inks, in half of the cases under another lamp whose
        # white is so near that it goes unnoticed
        near = [k for k, power in lamps.items() if alike(known[name], power, lamps[light])]
        other = str(rng.choice(near)) if rng.random() < 0.5 else light
        model = taught(*seen_and_true(rng, known[name], lamps[other], matrix, density))
        draws["referenced"].append((name, model(seen), true))
    table: dict[str, Any] = {
        "provenance": {
            "script": "tests/calibrate/camera_doubt.py",
            "seed": args.seed,
            "draws": args.draws,
            "sensors": names,
            "sensor_source": "colour-science (MSDS_CAMERA_SENSITIVITIES); rawtoaces-data, Apache-2.0",
            "lamps": sorted(lamps),
        },
    }
    for trust, of in draws.items():
        amounts, rest = zip(*[fit(seen, true) for name, seen, true in of if name in half], strict=True)
        covariance = second_moment(np.array(amounts))
        table[trust] = {"covariance": np.round(covariance, 7).tolist(), "rest": round(float(np.median(rest)), 4)}
    table["provenance"]["digest"] = hashlib.sha256(json.dumps(table, sort_keys=True).encode()).hexdigest()[:16]
    OUT.write_text(json.dumps(table, indent=1) + "\n", encoding="utf-8")
    doubt.camera_doubt.cache_clear()
    print(f"{len(names)} sensors, {args.draws} draws; asked are the sensors that did not teach")
    unit = np.random.default_rng(7).standard_normal((64, doubt.MODES))
    for trust, of in draws.items():
        own = doubt.camera_doubt(trust)
        rows = []
        for name, seen, true in of:
            if name in half or len(rows) == 300:
                continue
            lab = relative_lab(seen)
            moved = [delta_e00(relative_lab(doubt.seen_by(seen, own.spread @ z)), lab) ** 2 for z in unit]
            u = np.sqrt(np.mean(moved, axis=0))
            e = delta_e00(lab, relative_lab(true))
            rows.append((e.mean(), e[:12].mean(), np.mean(e <= 2 * u), np.mean(e[:12] <= 2 * u[:12]), u[:12].mean()))
        mean = np.mean(rows, axis=0)
        print(
            f"{trust}: error {mean[0]:.2f}, greys {mean[1]:.2f} ΔE00, stated for greys {mean[4]:.2f}; "
            f"within twice the doubt {mean[2]:.3f}, greys {mean[3]:.3f}; rest {own.rest:.3f}"
        )


if __name__ == "__main__":
    main()
