"""Random photos of pressed targets with known truth, each told by one seed.

`Shot` carries everything a test asks: the layout, the pressed piece (spectral truth), the photo (exact
geometry and light) and the file on disk. The distributions span what a workshop does: a lamp anywhere
around the piece (up to about 2 : 1 over it), window light, vignetting, tilt up to 28°, any rotation, lenses that
bend by up to ±2 %, phones that lay an S-curve over the picture or sharpen it, JPEG quality 85–95.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from colorcheck.ground.records import PhotoResult, Target
from colorcheck.sheet import draw
from colorcheck.sheet.target import make_target

from . import virtual as v

SHEETS: dict[str, dict[str, Any]] = {
    "square": {"size_mm": (200.0, 200.0), "shape": "rect", "patches": "standard"},
    "round": {"size_mm": (200.0, 200.0), "shape": "round", "patches": "standard"},
    "small": {"size_mm": (100.0, 100.0), "shape": "rect", "patches": "compact"},
    "plaque": {"size_mm": (120.0, 120.0), "shape": "rect", "patches": "compact"},
    "oblong": {"size_mm": (240.0, 150.0), "shape": "rect", "patches": "standard"},
}
LIGHTS = ("D50", "D65", "LED-B2", "LED-B3", "LED-B4", "LED-B5")
_GOOD = v.Faults()


def rng_of(seed: int) -> np.random.Generator:
    """One generator per scene: a failing scene is named by its seed alone."""
    return np.random.Generator(np.random.PCG64(seed))


@lru_cache(maxsize=8)
def sheet(kind: str, seed: int = 1) -> tuple[Target, Any, float]:
    """Layout, its picture as the viewer sees it, and that picture's pixels per mm."""
    target = make_target(seed=seed, **SHEETS[kind])
    dpi = 200 if target.size_mm[0] >= 150 else 300
    return target, draw.render(target, dpi=dpi), dpi / 25.4


@lru_cache(maxsize=3)
def _good_piece(kind: str, substrate: str, seed: int) -> v.PressedPiece:
    target, picture, scale = sheet(kind)
    return v.press_sheet(
        picture, scale, size_mm=target.size_mm, shape=target.shape, substrate=v.SUBSTRATES[substrate], seed=seed
    )


def press(
    kind: str, *, faults: v.Faults = _GOOD, printer: v.Printer | None = None, substrate: str = "bright", seed: int = 0
) -> v.PressedPiece:
    """Press one target; good pieces are kept and used again."""
    if faults == _GOOD and printer is None:
        return _good_piece(kind, substrate, seed)
    target, picture, scale = sheet(kind)
    return v.press_sheet(
        picture,
        scale,
        size_mm=target.size_mm,
        shape=target.shape,
        printer=printer,
        substrate=v.SUBSTRATES[substrate],
        faults=faults,
        seed=seed,
    )


def random_substrate(rng: np.random.Generator) -> str:
    """One of the usual coats."""
    return str(rng.choice(["bright", "warm film", "bluish"]))


def random_scene(rng: np.random.Generator, **fixed: Any) -> v.Scene:
    """A lamp somewhere around the piece, sometimes a window; card or table below."""
    lamps: tuple[v.Lamp | v.Window, ...] = (
        v.Lamp(x_mm=rng.uniform(-450, 450), y_mm=rng.uniform(-450, 450), height_mm=rng.uniform(380, 900)),
    )
    if rng.random() < 0.3:
        window = v.Window(towards_deg=rng.uniform(0, 360), ratio=rng.uniform(1.1, 1.6), weight=rng.uniform(0.3, 1))
        lamps = (*lamps, window)
    scene = v.Scene(
        illuminant=str(rng.choice(LIGHTS)),
        lamps=lamps,
        ambient=rng.uniform(0.05, 0.3),
        vignetting=rng.uniform(0, 0.35),
        card=str(rng.choice(["white card", "wood", "dark table"])),
        veil=float(rng.choice([0, 0.002, 0.005])),
    )
    return replace(scene, **fixed)


def random_camera(rng: np.random.Generator, **fixed: Any) -> v.Camera:
    """One of several sensors, some with an S-curve, some sharpened."""
    camera = v.Camera(
        sensitivities=str(rng.choice(["phone-1", "phone-2", "phone-3", "measured-1"])),
        tone="phone" if rng.random() < 0.3 else "srgb",
        contrast=rng.uniform(0.1, 0.35),
        saturation=float(rng.choice([1, 1, 1.1])),
        sharpen=float(rng.choice([0, 0, 0.4, 0.7])),
        noise=rng.uniform(0.006, 0.02),
        exposure_ev=rng.uniform(-0.6, 0.2),
    )
    return replace(camera, **fixed)


def random_pose(rng: np.random.Generator, megapixels: float = 3.0, **fixed: Any) -> v.Pose:
    """Any rotation, tilt to 28°, bent by up to ±2 %."""
    pose = v.Pose.megapixels(
        megapixels,
        rotation_deg=rng.uniform(0, 360),
        tilt_deg=rng.uniform(0, 28),
        tilt_axis_deg=rng.uniform(0, 360),
        distortion=rng.uniform(-0.02, 0.02),
        fill=rng.uniform(0.75, 0.92),
        blur_px=rng.uniform(0.5, 1.2),
    )
    return replace(pose, **fixed)


@dataclass(frozen=True, slots=True, eq=False)
class Shot:
    """One photo of one pressed target, on disk, with its truth."""

    target: Target
    piece: v.PressedPiece
    photo: v.Photo
    path: Path

    def true_lab(self) -> Any:
        """CIELAB (n, 3) of the cells' reading areas, coat = (100, 0, 0)."""
        return self.piece.true_lab(reading_area(self.target))


def reading_area(target: Target) -> Any:
    """Central 60 % of every cell, (n, 4) mm."""
    box = target.box_mm
    return np.column_stack([box[:, :2] + 0.2 * box[:, 2:], 0.6 * box[:, 2:]])


def shoot(
    rng: np.random.Generator,
    folder: Path,
    kind: str = "square",
    *,
    piece: v.PressedPiece | None = None,
    faults: v.Faults = _GOOD,
    printer: v.Printer | None = None,
    substrate: str | None = None,
    scene: v.Scene | None = None,
    camera: v.Camera | None = None,
    pose: v.Pose | None = None,
    name: str = "photo.jpg",
    seed: int = 0,
    **saving: Any,
) -> Shot:
    """Press a target (unless one is given), photograph it, store the photo.

    What is not given is drawn from ``rng``, always in the same order.
    """
    drawn_scene, drawn_camera, drawn_pose = random_scene(rng), random_camera(rng), random_pose(rng)
    drawn_coat, quality, noise_seed = random_substrate(rng), int(rng.integers(85, 96)), int(rng.integers(1_000_000))
    if piece is None:
        piece = press(kind, faults=faults, printer=printer, substrate=substrate or drawn_coat, seed=seed)
    photo = v.photograph(
        piece, scene=scene or drawn_scene, camera=camera or drawn_camera, pose=pose or drawn_pose, seed=noise_seed
    )
    path = v.save_photo(photo, folder / name, **{"quality": quality, **saving})
    return Shot(sheet(kind)[0], piece, photo, path)


def geometry_error_mm(result: PhotoResult, photo: v.Photo, target: Target, *, scale: float = 1.0) -> Any:
    """Distance (n,) in mm between where cells were measured and where they truly lie.

    ``scale`` is the size of the stored photo over that of the rendered one.
    """
    centre = target.box_mm[:, :2] + target.box_mm[:, 2:] / 2
    true = (photo.mm_to_px(centre) + 0.5) * scale - 0.5
    step = 0.5
    jx = (photo.mm_to_px(centre + [step, 0]) - photo.mm_to_px(centre - [step, 0])) * scale / (2 * step)
    jy = (photo.mm_to_px(centre + [0, step]) - photo.mm_to_px(centre - [0, step])) * scale / (2 * step)
    jac = np.stack([jx, jy], axis=2)
    off = np.linalg.solve(jac, (np.asarray(result.samples.centre_px) - true)[..., None])[..., 0]
    return np.hypot(off[:, 0], off[:, 1])


def enlarged(photo: v.Photo, scale: float, seed: int = 0) -> Any:
    """The photo as a sensor of many more pixels behind the same lens gives it: (h, w, 3) uint8, with noise."""
    h, w = photo.rgb.shape[:2]
    big = cv2.resize(photo.rgb, (round(w * scale), round(h * scale)), interpolation=cv2.INTER_LINEAR)
    noise = np.empty(big.shape, np.int8)
    cv2.setRNGSeed(seed)
    cv2.randn(noise, 0, 1.5)
    return cv2.add(big, noise, dtype=cv2.CV_8U)


def free_places(
    rng: np.random.Generator, target: Target, count: int, *, apart_mm: float = 50.0, rim_mm: float = 14.0
) -> list[tuple[float, float]]:
    """Places for faults: on cells or field, clear of markers, code and text, and apart from one another."""
    w, h = target.size_mm
    out: list[tuple[float, float]] = []
    for _ in range(4000):
        if len(out) == count:
            break
        x, y = float(rng.uniform(rim_mm, w - rim_mm)), float(rng.uniform(rim_mm, h - rim_mm))
        if target.shape == "round" and np.hypot(x - w / 2, y - h / 2) > w / 2 - rim_mm:
            continue
        if any(a - 3 < x < a + c + 3 and b - 3 < y < b + d + 3 for a, b, c, d in target.keep_out_mm):
            continue
        if all(np.hypot(x - p, y - q) > apart_mm for p, q in out):
            out.append((x, y))
    return out


__all__ = [
    "LIGHTS",
    "SHEETS",
    "Shot",
    "enlarged",
    "free_places",
    "geometry_error_mm",
    "press",
    "random_camera",
    "random_pose",
    "random_scene",
    "random_substrate",
    "reading_area",
    "rng_of",
    "sheet",
    "shoot",
]


@lru_cache(maxsize=1)
def little_photo() -> bytes:
    """A small good target as a JPEG of 2 megapixels: for tests of the way a photo takes, not of what it shows."""
    photo = v.photograph(press("small"), scene=v.Scene(), pose=v.Pose.megapixels(2.0, fill=0.7), seed=3)
    with tempfile.TemporaryDirectory() as folder:
        return v.save_photo(photo, Path(folder) / "little.jpg").read_bytes()
