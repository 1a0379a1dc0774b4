"""Pictures of the workshop's own, drawn by rule.

Plaques, clock faces, a photo-like scene, text, near-white, plain shapes: all are invented for tests and
samples. Each function returns uint8 device RGB, shape (H, W, 3), as the viewer of the piece sees it;
`size_mm` may include bleed.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

Array = NDArray[Any]
Size = tuple[float, float]


def _canvas(size_mm: Size, scale: float, colour: tuple[int, int, int]) -> tuple[Any, Any]:
    image = Image.new("RGB", (round(size_mm[0] * scale), round(size_mm[1] * scale)), colour)
    return image, ImageDraw.Draw(image)


def _tone(rng: Any, low: int, high: int) -> tuple[int, int, int]:
    r, g, b = (int(v) for v in rng.integers(low, high, 3))
    return r, g, b


def _text(draw: Any, at: tuple[float, float], text: str, height: float, colour: tuple[int, int, int]) -> None:
    draw.text(at, text, font=ImageFont.load_default(max(6.0, height)), fill=colour, anchor="mm")


def plaque(
    size_mm: Size = (200, 150),
    px_per_mm: float = 5.0,
    *,
    number: str = "12",
    seed: int = 0,
    style: int | None = None,
) -> Array:
    """House number with a street name, a frame and ornaments; the style comes from `style` or `seed`."""
    rng = np.random.default_rng([seed if style is None else style, 1])
    dark_ground = rng.random() < 0.5
    ground = _tone(rng, 20, 110) if dark_ground else _tone(rng, 190, 250)
    ink = _tone(rng, 200, 255) if dark_ground else _tone(rng, 0, 110)
    accent = _tone(rng, 60, 220)
    image, draw = _canvas(size_mm, px_per_mm, ground)
    w, h = image.size
    s = min(w, h)
    inset = 0.07 * s
    draw.rounded_rectangle(
        [inset, inset, w - inset, h - inset], radius=0.06 * s, outline=ink, width=max(2, round(0.012 * s))
    )
    _text(draw, (w / 2, 0.43 * h), number, 0.52 * s, ink)
    name = rng.choice(["Quince Lane", "Mill Row", "Alder Rise", "Harbour Step", "Orchard End"])
    _text(draw, (w / 2, 0.8 * h), str(name), 0.10 * s, accent)
    for k in range(3):
        x, y = (0.5 + (k - 1) * 0.07) * w, 0.155 * h
        r = 0.018 * s
        draw.ellipse([x - r, y - r, x + r, y + r], fill=accent)
    return np.asarray(image)


def clock(
    size_mm: Size = (200, 200),
    px_per_mm: float = 5.0,
    *,
    numerals: str = "all",
    seed: int = 0,
    ticks: int = 60,
) -> Array:
    """Clock face; numerals "all", "four" (12, 3, 6, 9), "twelve" (only the 12) or "none" (symmetric)."""
    rng = np.random.default_rng([seed, 2])
    dark = rng.random() < 0.4
    ground, ink = (_tone(rng, 15, 90), _tone(rng, 200, 255)) if dark else (_tone(rng, 195, 250), _tone(rng, 0, 90))
    ring = _tone(rng, 60, 220)
    image, draw = _canvas(size_mm, px_per_mm, ground)
    w, h = image.size
    s = min(w, h)
    cx, cy = w / 2, h / 2
    for r, width, colour in ((0.45, 0.012, ring), (0.17, 0.006, ring)):
        draw.ellipse([cx - r * s, cy - r * s, cx + r * s, cy + r * s], outline=colour, width=max(2, round(width * s)))
    for k in range(ticks):
        a = 2 * np.pi * k / ticks
        major = k * 12 % ticks == 0
        r0, r1 = (0.385 if major else 0.405) * s, 0.425 * s
        draw.line(
            [cx + r0 * np.sin(a), cy - r0 * np.cos(a), cx + r1 * np.sin(a), cy - r1 * np.cos(a)],
            fill=ink,
            width=max(1, round((0.010 if major else 0.004) * s)),
        )
    for k in range(1, 13):
        if numerals == "none" or (numerals == "four" and k % 3) or (numerals == "twelve" and k != 12):
            continue
        a = 2 * np.pi * k / 12
        _text(draw, (cx + 0.32 * s * np.sin(a), cy - 0.32 * s * np.cos(a)), str(k), 0.085 * s, ink)
    draw.ellipse([cx - 0.012 * s, cy - 0.012 * s, cx + 0.012 * s, cy + 0.012 * s], fill=ink)
    return np.asarray(image)


def scenery(size_mm: Size = (200, 150), px_per_mm: float = 5.0, *, seed: int = 0) -> Array:
    """Photo-like picture: smooth noise of many scales, a gradient, hills and soft discs."""
    rng = np.random.default_rng([seed, 3])
    w, h = round(size_mm[0] * px_per_mm), round(size_mm[1] * px_per_mm)
    y = np.linspace(0, 1, h, dtype=np.float32)[:, None, None]
    x = np.linspace(0, 1, w, dtype=np.float32)[None, :]
    top, low = rng.uniform(90, 230, 3).astype(np.float32), rng.uniform(60, 240, 3).astype(np.float32)
    out = np.asarray(top * (1 - y) + low * y + np.zeros((h, w, 1), np.float32), np.float32)
    for cells, strength in ((4, 28.0), (9, 20.0), (20, 14.0), (45, 9.0), (110, 6.0)):
        coarse = rng.standard_normal((max(3, round(cells * h / w)), cells, 3)).astype(np.float32)
        coarse = 0.7 * coarse.mean(axis=2, keepdims=True) + 0.5 * coarse
        out += strength * cv2.resize(coarse, (w, h), interpolation=cv2.INTER_CUBIC)
    for k in range(3):
        phase, rise = rng.uniform(0, 6.28), rng.uniform(0.03, 0.09)
        ridge = 0.55 + 0.13 * k + rise * np.sin(rng.uniform(4, 11) * x[0] + phase) + 0.02 * np.sin(31 * x[0] + phase)
        mask = (np.linspace(0, 1, h)[:, None] > ridge[None, :]).astype(np.float32)[..., None]
        out = out * (1 - 0.8 * mask) + 0.8 * mask * np.asarray(rng.uniform(20, 150, 3), np.float32)
    for _ in range(4):
        cx, cy, r = rng.uniform(0.1, 0.9) * w, rng.uniform(0.08, 0.6) * h, rng.uniform(0.03, 0.09) * min(w, h)
        disc = np.zeros((h, w), np.float32)
        cv2.circle(disc, (round(cx), round(cy)), round(r), 1.0, -1, cv2.LINE_AA)
        disc = cv2.GaussianBlur(disc, (0, 0), rng.uniform(0.5, 3.0) * px_per_mm)[..., None]
        out = out * (1 - disc) + disc * np.asarray(rng.uniform(40, 250, 3), np.float32)
    return np.clip(out, 0, 255).round().astype(np.uint8)


def lettering(size_mm: Size = (200, 100), px_per_mm: float = 5.0, *, seed: int = 0) -> Array:
    """Text and nothing else, on a plain light ground."""
    rng = np.random.default_rng([seed, 4])
    image, draw = _canvas(size_mm, px_per_mm, _tone(rng, 225, 256))
    w, h = image.size
    words = [
        "Please ring",
        "the lower bell",
        "Mind the step",
        "Deliveries",
        "round the back",
        "Back at four",
        "No parking",
    ]
    ink = _tone(rng, 0, 120)
    lines = rng.permutation(len(words))[:3]
    for k, line in enumerate(lines):
        _text(draw, (w / 2, h * (0.25 + 0.25 * k)), words[line], 0.15 * min(h, 0.8 * w), ink)
    return np.asarray(image)


def near_white(size_mm: Size = (200, 200), px_per_mm: float = 5.0, *, seed: int = 0) -> Array:
    """Almost nothing: a white ground with a soft, very pale cloud."""
    rng = np.random.default_rng([seed, 5])
    w, h = round(size_mm[0] * px_per_mm), round(size_mm[1] * px_per_mm)
    cloud = cv2.resize(rng.random((4, 4, 3)).astype(np.float32), (w, h), interpolation=cv2.INTER_CUBIC)
    return np.clip(254 - 7 * np.clip(cloud, 0, 1), 0, 255).round().astype(np.uint8)


def emblem(size_mm: Size = (150, 150), px_per_mm: float = 5.0, *, seed: int = 0) -> Array:
    """One flat-coloured shape of our own on a plain ground: a leaf in a drop, a kiln, a lantern, by seed."""
    rng = np.random.default_rng([seed, 6])
    ground, one, two = _tone(rng, 200, 256), _tone(rng, 10, 130), _tone(rng, 60, 230)
    image, draw = _canvas(size_mm, px_per_mm, ground)
    w, h = image.size
    s, cx, cy = min(w, h), w / 2, h / 2
    t = np.linspace(0, 2 * np.pi, 240)
    lobes, bend = int(rng.integers(3, 6)), rng.uniform(0.1, 0.25)
    r = s * (0.27 + bend * 0.27 * np.cos(lobes * t + 0.4) + 0.05 * np.cos(t))
    draw.polygon([(float(cx + a * np.cos(b)), float(cy + a * np.sin(b))) for a, b in zip(r, t, strict=True)], fill=one)
    k = 0.11 * s
    draw.rectangle([cx - k, cy - 0.4 * k, cx + 1.2 * k, cy + 0.6 * k], fill=two)
    draw.ellipse([cx - 0.2 * k, cy - 1.5 * k, cx + 0.7 * k, cy - 0.6 * k], fill=ground)
    return np.asarray(image)


ARTWORKS: dict[str, Callable[..., Array]] = {
    "plaque": plaque,
    "clock": clock,
    "scenery": scenery,
    "lettering": lettering,
    "near_white": near_white,
    "emblem": emblem,
}
