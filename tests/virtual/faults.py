"""What goes wrong between printer and pressed piece, in the density domain: every fault acts on dye amounts.

Places are millimetres from the top left of the piece's bounding box as its owner views it, x right, y down.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .spectral import DYE_NAMES

Array = NDArray[Any]


@dataclass(frozen=True, slots=True)
class Spot:
    """Soft spot: `strength` > 0 takes that share of the dye away at its centre (pale), < 0 adds (dark)."""

    x_mm: float
    y_mm: float
    fwhm_mm: float
    strength: float
    aspect: float = 1.0  # width over height before turning
    angle_deg: float = 0.0
    power: float = 2.0  # 2 = Gaussian; more = flatter top, steeper rim


@dataclass(frozen=True, slots=True)
class EdgeBand:
    """Faded band along one side; half of the loss is left `width_mm` from the edge."""

    side: str  # left, right, top, bottom
    width_mm: float
    strength: float


@dataclass(frozen=True, slots=True)
class Ghost:
    """A second, faint copy of the print, shifted."""

    dx_mm: float
    dy_mm: float
    strength: float = 0.15


@dataclass(frozen=True, slots=True)
class Scorch:
    """Yellowed coat, everywhere or as a soft round cloud. See `scorch_strength` for the link to b*."""

    strength: float
    x_mm: float | None = None
    y_mm: float | None = None
    fwhm_mm: float = 60.0


@dataclass(frozen=True, slots=True)
class Speck:
    """Crisp round dot: no dye (`dye` None, a pinhole) or one dye added."""

    x_mm: float
    y_mm: float
    diameter_mm: float
    dye: str | None = None
    amount: float = 0.6


@dataclass(frozen=True, slots=True)
class Hair:
    """Crisp curved thread without dye (lint between paper and coat)."""

    x_mm: float
    y_mm: float
    length_mm: float = 8.0
    width_mm: float = 0.3
    angle_deg: float = 20.0
    bend: float = 0.25  # sagitta over length


@dataclass(frozen=True, slots=True)
class Banding:
    """Thin regular lines, lighter in one dye. `along` = "x": lines run along x and repeat along y."""

    dye: str = "magenta"
    period_mm: float = 2.0
    amplitude: float = 0.12  # share of the dye missing in the middle of a line
    along: str = "x"
    width_mm: float = 0.35  # full width at half depth


@dataclass(frozen=True, slots=True)
class Faults:
    """Everything that goes wrong between printer and pressed piece. The default is a good press."""

    spots: tuple[Spot, ...] = ()
    edges: tuple[EdgeBand, ...] = ()
    pale_centre: float = 0.0  # share of dye lost in the middle
    pale_centre_mm: tuple[float, float] = (90.0, 60.0)  # FWHM of the oval
    under_press: float = 0.0  # share of dye not transferred anywhere; the dyes answer at different rates
    tilt_press: tuple[float, float] = (
        0.0,
        0.0,
    )  # share of dye lost from one side to the other (x, y), linear
    ghost: Ghost | None = None
    scorch: tuple[Scorch, ...] = ()
    specks: tuple[Speck, ...] = ()
    hairs: tuple[Hair, ...] = ()
    banding: Banding | None = None
    missing: tuple[str, ...] = ()  # names of dyes not printed at all
    bleed_mm: float = 0.08  # standard deviation of the sideways spread of the dye
    mottle: float = 0.004  # natural: relative standard deviation of the transfer, 1.5–6 mm
    grain: float = 0.006  # natural: the same at about 0.25 mm

    def natural(self) -> Faults:
        """The same piece without its faults: natural mottle, grain and bleed stay."""
        return Faults(bleed_mm=self.bleed_mm, mottle=self.mottle, grain=self.grain)


def damage_print(amounts: Array, scale: float, faults: Faults) -> Array:
    """Printer and paper: missing dye, banding, ghost, bleed. `amounts` is this module's own array."""
    for name in faults.missing:
        amounts[..., DYE_NAMES.index(name)] = 0.0
    if faults.banding is not None:
        b = faults.banding
        axis = 0 if b.along == "x" else 1
        place = (np.arange(amounts.shape[axis]) + 0.5) / scale
        away = np.abs((place + b.period_mm / 2) % b.period_mm - b.period_mm / 2)
        line = 1.0 - b.amplitude * np.exp(-np.log(2) * (2 * away / b.width_mm) ** 2)
        amounts[..., DYE_NAMES.index(b.dye)] *= (line[:, None] if axis == 0 else line[None, :]).astype(np.float32)
    if faults.ghost is not None:
        g = faults.ghost
        move = np.array([[1, 0, g.dx_mm * scale], [0, 1, g.dy_mm * scale]], float)
        copy = cv2.warpAffine(amounts, move, amounts.shape[1::-1], borderMode=cv2.BORDER_REPLICATE)
        amounts += np.float32(g.strength) * copy
    if faults.bleed_mm * scale > 0.3:
        amounts = cv2.GaussianBlur(amounts, (0, 0), faults.bleed_mm * scale, borderType=cv2.BORDER_REPLICATE)
    return amounts


def _bell(x: Array, y: Array, spot: Spot) -> Array:
    angle = np.deg2rad(spot.angle_deg)
    dx, dy = x - spot.x_mm, y - spot.y_mm
    along = (dx * np.cos(angle) + dy * np.sin(angle)) / np.sqrt(spot.aspect)
    across = (dy * np.cos(angle) - dx * np.sin(angle)) * np.sqrt(spot.aspect)
    r = 2.0 * np.hypot(along, across) / spot.fwhm_mm
    return np.exp(-np.log(2.0) * r**spot.power)


def damage_transfer(
    amounts: Array,
    scale: float,
    size: tuple[float, float],
    rates: tuple[float, ...],
    faults: Faults,
    seed: int,
) -> None:
    """Multiply the dye by what the press transferred, in place; every dye answers at its own rate."""
    height, width = amounts.shape[:2]
    y = ((np.arange(height) + 0.5) / scale).astype(np.float32)[:, None]
    x = ((np.arange(width) + 0.5) / scale).astype(np.float32)[None, :]
    share = np.full((height, width), 1.0 - faults.under_press, np.float32)
    for spot in faults.spots:
        share *= 1.0 - np.float32(spot.strength) * _bell(x, y, spot)
    for band in faults.edges:
        away = {"left": x, "right": size[0] - x, "top": y, "bottom": size[1] - y}[band.side]
        share *= 1.0 - np.float32(band.strength) * np.exp(-np.log(2.0) * (np.maximum(away, 0) / band.width_mm) ** 2)
    if faults.pale_centre:
        w, h = faults.pale_centre_mm
        oval = Spot(size[0] / 2, size[1] / 2, float(np.sqrt(w * h)), faults.pale_centre, aspect=w / h)
        share *= 1.0 - np.float32(faults.pale_centre) * _bell(x, y, oval)
    if any(faults.tilt_press):
        share *= 1.0 - np.float32(faults.tilt_press[0]) * x / size[0] - np.float32(faults.tilt_press[1]) * y / size[1]
    logs = np.log(np.maximum(share, 1e-4)) if faults != faults.natural() else None
    natural = _mottle(height, width, scale, faults, seed)
    for i, rate in enumerate(rates):
        if logs is not None:
            amounts[..., i] *= np.exp(np.float32(rate) * logs)
        if natural is not None:
            amounts[..., i] *= natural


def _mottle(height: int, width: int, scale: float, faults: Faults, seed: int) -> Array | None:
    """Natural unevenness (h, w) around 1: cloudy at 1.5 and 6 mm, grainy at 0.25 mm."""
    if not (faults.mottle or faults.grain):
        return None
    rng = np.random.default_rng(np.random.SeedSequence([seed, 17]))

    def noise(pitch_mm: float) -> Array:
        shape = (int(height / scale / pitch_mm) + 4, int(width / scale / pitch_mm) + 4)
        rough = rng.standard_normal(shape, dtype=np.float32)
        rough = cv2.GaussianBlur(rough, (0, 0), 1.0) * 3.5  # 1/(2·sqrt(pi)) of the variance stays
        smooth = cv2.resize(rough, None, fx=pitch_mm * scale, fy=pitch_mm * scale, interpolation=cv2.INTER_CUBIC)
        return smooth[:height, :width]

    field = np.ones((height, width), np.float32)
    field += np.float32(faults.mottle * 0.7) * (noise(1.5) + noise(4.0))
    if faults.grain:
        field += np.float32(faults.grain) * noise(max(0.2, 1.0 / scale))
    return np.maximum(field, 0.0)


def damage_with_specks(amounts: Array, scale: float, faults: Faults) -> None:
    """Crisp dots and hairs, in place, with one pixel of soft rim."""
    height, width = amounts.shape[:2]
    for speck in faults.specks:
        reach = speck.diameter_mm / 2 + 2 / scale
        x0, x1 = pixels(speck.x_mm - reach, speck.x_mm + reach, scale, width)
        y0, y1 = pixels(speck.y_mm - reach, speck.y_mm + reach, scale, height)
        y, x = np.mgrid[y0:y1, x0:x1]
        r = np.hypot(x + 0.5 - speck.x_mm * scale, y + 0.5 - speck.y_mm * scale)
        inside = np.clip(speck.diameter_mm * scale / 2 - r + 0.5, 0, 1).astype(np.float32)
        if speck.dye is None:
            amounts[y0:y1, x0:x1] *= 1 - 0.97 * inside[..., None]
        else:
            amounts[y0:y1, x0:x1, DYE_NAMES.index(speck.dye)] += speck.amount * inside
    for hair in faults.hairs:
        t = np.linspace(-0.5, 0.5, 40)
        angle = np.deg2rad(hair.angle_deg)
        u, v = t * hair.length_mm, hair.bend * hair.length_mm * (4 * t**2 - 0.5)
        line = np.stack(
            [
                hair.x_mm + u * np.cos(angle) - v * np.sin(angle),
                hair.y_mm + u * np.sin(angle) + v * np.cos(angle),
            ],
            1,
        )
        over = 4  # draw on a finer grid for a true width, then reduce
        origin = np.floor((line.min(axis=0) - hair.width_mm) * scale).astype(int)
        extent = np.ceil((line.max(axis=0) + hair.width_mm) * scale).astype(int) - origin + 2
        canvas = np.zeros((extent[1] * over, extent[0] * over), np.uint8)
        points = np.round(((line * scale - origin) * over - 0.5) * 16).astype(np.int32)
        thick = max(1, round(hair.width_mm * scale * over))
        cv2.polylines(canvas, [points], False, 255, thick, cv2.LINE_AA, 4)
        cover = cv2.resize(canvas, (int(extent[0]), int(extent[1])), interpolation=cv2.INTER_AREA) / np.float32(255)
        x0, y0 = max(0, origin[0]), max(0, origin[1])
        x1, y1 = min(width, origin[0] + extent[0]), min(height, origin[1] + extent[1])
        if x1 > x0 and y1 > y0:
            part = cover[y0 - origin[1] : y1 - origin[1], x0 - origin[0] : x1 - origin[0]]
            amounts[y0:y1, x0:x1] *= 1 - 0.97 * part[..., None]


def yellowing(faults: Faults, height: int, width: int, scale: float) -> Array | None:
    if not faults.scorch:
        return None
    y = ((np.arange(height) + 0.5) / scale).astype(np.float32)[:, None]
    x = ((np.arange(width) + 0.5) / scale).astype(np.float32)[None, :]
    total = np.zeros((height, width), np.float32)
    for s in faults.scorch:
        if s.x_mm is None or s.y_mm is None:
            total += np.float32(s.strength)
        else:
            total += np.float32(s.strength) * _bell(x, y, Spot(s.x_mm, s.y_mm, s.fwhm_mm, s.strength))
    return total


def pixels(low_mm: float, high_mm: float, scale: float, limit: int) -> tuple[int, int]:
    """Pixel range whose centres lie between two places; at least one pixel, inside the raster."""
    start = int(np.clip(np.ceil(low_mm * scale - 0.5), 0, limit - 1))
    return start, int(np.clip(np.floor(high_mm * scale - 0.5) + 1, start + 1, limit))
