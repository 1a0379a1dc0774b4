"""Several pressed pieces on one card, each told by one seed, as one virtual piece that can be photographed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image

from . import virtual as v
from .virtual import artworks

G = 6.0  # pixels per mm of artworks and pieces


@dataclass(frozen=True, slots=True)
class Drawn:
    """One artwork on the disk, with the size of its blank."""

    name: str
    rgb: Any
    size_mm: tuple[float, float]
    shape: str


@dataclass(frozen=True, slots=True)
class Lying:
    """One pressed piece: which artwork, where its middle lies on the card (mm), how far it is turned clockwise."""

    art: Drawn
    piece: v.PressedPiece
    at_mm: tuple[float, float]
    turn_deg: float


_KINDS = (("plaque", "rect"), ("clock", "round"), ("scenery", "rect"), ("emblem", "rect"), ("scenery", "round"))
_ASPECTS = (1.0, 0.8, 0.75, 0.667)


def draw_artworks(
    rng: np.random.Generator, folder: Path, count: int, *, sides_mm: tuple[float, float] = (60.0, 100.0)
) -> list[Drawn]:
    """Draw so many different artworks, of sizes between the two given, and write them as PNG."""
    out = []
    for k in range(count):
        kind, shape = _KINDS[int(rng.integers(len(_KINDS)))]
        wide = float(np.round(rng.uniform(*sides_mm)))
        tall = wide if shape == "round" else float(np.round(wide * rng.choice(_ASPECTS)))
        more = {"number": str(rng.integers(1, 99))} if kind == "plaque" else {}
        rgb = artworks.ARTWORKS[kind]((wide, tall), G, seed=int(rng.integers(1_000_000)), **more)
        name = f"{kind}-{k + 1}.png"
        Image.fromarray(rgb).save(folder / name)
        out.append(Drawn(name, rgb, (wide, tall), shape))
    return out


def write_list(path: Path, arts: Sequence[Drawn], counts: Sequence[int] | None = None) -> Path:
    """Write the day's job list."""
    lines = ["artwork,size,shape,count"]
    for a, n in zip(arts, counts or [1] * len(arts), strict=True):
        lines.append(f"{a.name},{a.size_mm[0]:g}x{a.size_mm[1]:g}mm,{a.shape},{n}")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def press(art: Drawn, *, faults: v.Faults | None = None, seed: int = 0) -> v.PressedPiece:
    """Press one piece of an artwork."""
    return v.press_sheet(art.rgb, G, size_mm=art.size_mm, shape=art.shape, faults=faults, seed=seed, raster_px_per_mm=G)


def lie(
    rng: np.random.Generator,
    pieces: Sequence[tuple[Drawn, v.PressedPiece]],
    *,
    apart_mm: float = 12.0,
    turn: str = "any",
) -> list[Lying]:
    """Lay pieces in rows on the card, each turned as it happens ('any', 'quarters' and a little, or 'upright')."""
    columns = int(np.ceil(np.sqrt(len(pieces) * 1.2)))
    rows = -(-len(pieces) // columns)
    turns = []
    for _ in pieces:
        small = float(rng.normal(0, 3))
        turns.append(
            float(rng.uniform(0, 360))
            if turn == "any"
            else small + (90.0 * rng.integers(4) if turn == "quarters" else 0)
        )
    reach = []
    for (art, _), deg in zip(pieces, turns, strict=True):
        w, h = art.size_mm
        c, s = abs(np.cos(np.deg2rad(deg))), abs(np.sin(np.deg2rad(deg)))
        reach.append((w, h) if art.shape == "round" else (w * c + h * s, w * s + h * c))
    wide = max(r[0] for r in reach) + apart_mm
    tall = max(r[1] for r in reach) + apart_mm
    out = []
    for k, ((art, piece), deg) in enumerate(zip(pieces, turns, strict=True)):
        x = (k % columns - (columns - 1) / 2) * wide + float(rng.uniform(-0.1, 0.1)) * apart_mm
        y = (k // columns - (rows - 1) / 2) * tall + float(rng.uniform(-0.1, 0.1)) * apart_mm
        out.append(Lying(art, piece, (x, y), deg))
    return out


def together(lying: Sequence[Lying]) -> tuple[v.PressedPiece, Any]:
    """Give them as one piece with a mask, and the middles (n, 2) in its millimetres."""
    corners = []
    for p in lying:
        half = np.hypot(*p.art.size_mm) / 2
        corners += [np.array(p.at_mm) - half, np.array(p.at_mm) + half]
    low, high = np.min(corners, axis=0), np.max(corners, axis=0)
    width, height = (int(np.ceil(s * G)) for s in high - low)
    amounts = np.zeros((height, width, 4), np.float32)
    mask = np.zeros((height, width), np.float32)
    for p in lying:
        a = np.deg2rad(p.turn_deg)
        turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
        scale = p.piece.px_per_mm
        own = (np.array(p.piece.mask.shape[::-1]) - 1) / 2
        m = np.column_stack([turn * G / scale, np.zeros(2)])
        m[:, 2] = (np.array(p.at_mm) - low) * G - 0.5 - m[:, :2] @ own
        covers = cv2.warpAffine(p.piece.mask, m, (width, height), flags=cv2.INTER_LINEAR)
        dye = cv2.warpAffine(
            p.piece.amounts, m, (width, height), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        amounts = np.where((covers > 0)[..., None], dye, amounts)
        mask = np.maximum(mask, covers)
    whole = replace(
        lying[0].piece,
        amounts=amounts,
        mask=mask,
        yellowing=None,
        px_per_mm=G,
        size_mm=(width / G, height / G),
        shape="rect",
        _without_faults=None,
    )
    return whole, np.array([p.at_mm for p in lying]) - low


def photograph(
    rng: np.random.Generator, lying: Sequence[Lying], *, megapixels: float = 4.0, **pose: Any
) -> tuple[v.Photo, Any]:
    """Photograph the load from about above by a phone; the photo, and the true middles (n, 2) in its pixels."""
    piece, middles = together(lying)
    scene = v.Scene(
        illuminant=str(rng.choice(["D50", "D65", "LED-B3", "LED-B4"])),
        lamps=(v.Lamp(x_mm=rng.uniform(-450, 450), y_mm=rng.uniform(-450, 450), height_mm=rng.uniform(500, 1000)),),
        ambient=rng.uniform(0.1, 0.4),
        vignetting=rng.uniform(0, 0.3),
    )
    camera = v.Camera(
        sensitivities=str(rng.choice(["phone-1", "phone-2", "phone-3"])), noise=rng.uniform(0.006, 0.02), denoise_px=0.5
    )
    where = v.Pose.megapixels(
        megapixels,
        **{
            "rotation_deg": rng.uniform(-4, 4),
            "tilt_deg": rng.uniform(0, 12),
            "tilt_axis_deg": rng.uniform(0, 360),
            "distortion": rng.uniform(-0.015, 0.015),
            "fill": 0.9,
            **pose,
        },
    )
    photo = v.photograph(piece, scene=scene, camera=camera, pose=where, seed=int(rng.integers(1_000_000)))
    return photo, photo.mm_to_px(middles)
