"""How near a printer comes to a picture: which colours it cannot reach, and what each step of correction leaves."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..ground.cielab import black_point_compensate, delta_e00, lab_to_xyz, xyz_to_lab
from ..ground.records import Floats, Shape
from .cms import PrinterProfile, picture_lab, printed_lab, to_device, to_srgb
from .storedcolours import StoredColours
from .tonecorrect import apply_curves, neutral_curves

REACH_DE00 = 2.0  # a colour this far off is seen by most people; a profile's own rounding stays well below
_MAP_PIXELS = 60_000
_SAMPLE = 10_000  # pixels over which the corrections are compared
_CELL = (10.0, 14.0, 14.0)  # CIELAB boxes in which unreachable colours are gathered
_WORST = 8


@dataclass(frozen=True, slots=True)
class Missed:
    """Colours of one kind that the substrate cannot reach: share of the piece, what was due and what comes."""

    share: float
    due_lab: tuple[float, float, float]
    printed_lab: tuple[float, float, float]
    delta_e00: float


@dataclass(frozen=True, slots=True, eq=False)
class Reach:
    """How near the substrate comes to the picture, its black brought to the one that can be reached.

    ``delta_e00`` (r, c) float32, NaN off the piece, as its owner sees it. ``share`` of the piece beyond
    `REACH_DE00`, ``mean`` and ``p95`` over the whole piece, ``worst`` the largest groups beyond it.
    ``black_lab`` the blackest of the substrate, ``asks_black`` whether the picture holds darker colours.
    """

    delta_e00: Any
    share: float
    mean: float
    p95: float
    worst: tuple[Missed, ...]
    black_lab: tuple[float, float, float]
    asks_black: bool


def inside_piece(shape: tuple[int, ...], kind: Shape, reach: tuple[float, float] = (1.0, 1.0)) -> Any:
    """Mask of the piece on a picture of so many rows and columns; ``reach`` its half axes as shares of the halves."""
    rows, cols = shape[:2]
    if kind == "rect":
        return np.ones((rows, cols), bool)
    y = ((np.arange(rows) + 0.5) / rows * 2 - 1) / reach[1]
    x = ((np.arange(cols) + 0.5) / cols * 2 - 1) / reach[0]
    return y[:, None] ** 2 + x[None, :] ** 2 <= 1.0


def smaller(codes: Any, factor: float) -> Any:
    """Reduce a picture by a factor at most 1, by areas."""
    import cv2

    if factor >= 1.0:
        return np.ascontiguousarray(codes)
    size = (max(1, round(codes.shape[1] * factor)), max(1, round(codes.shape[0] * factor)))
    return cv2.resize(np.ascontiguousarray(codes), size, interpolation=cv2.INTER_AREA)


def _blacks(source: bytes | None, grey: bool, profile: PrinterProfile) -> tuple[float, Floats]:
    """L* of the picture's own black, and CIELAB (3,) of what the profile prints for black."""
    black = np.zeros((1, 1) if grey else (1, 1, 3), np.uint8)
    own = float(picture_lab(black, source)[0, 0, 0])
    printed = printed_lab(profile, to_device(np.zeros((1, 1, 3), np.uint8), None, profile, intent="relative")[0])
    return max(own, 0.0), printed[0]


def _aims(lab: Floats, own_black: float, printed_black: Floats) -> Floats:
    """Black-point compensated aim of colours (…, 3): neutral blacks at both ends, as ISO 18619:2015 has it."""
    black, source = (lab_to_xyz(np.array([v, 0.0, 0.0])) for v in (float(printed_black[0]), own_black))
    return np.asarray(xyz_to_lab(black_point_compensate(lab_to_xyz(lab), black, source_black_xyz=source)))


def _worst(aim: Floats, printed: Floats, delta: Floats, pixels: int) -> tuple[Missed, ...]:
    """Gather unreachable colours in boxes of CIELAB; the largest by share × ΔE00 first."""
    if not len(aim):
        return ()
    boxes = np.floor(aim / _CELL).astype(int)
    _, group = np.unique(boxes, axis=0, return_inverse=True)
    group = group.ravel()
    count = np.bincount(group)
    means = [np.stack([np.bincount(group, v[:, c]) / count for c in range(3)], axis=-1) for v in (aim, printed)]
    total = np.bincount(group, delta)
    rows = []
    for k in np.argsort(-total)[:_WORST]:
        due, comes = (tuple(float(x) for x in m[k]) for m in means)
        rows.append(Missed(float(count[k] / pixels), due, comes, float(total[k] / count[k])))  # type: ignore[arg-type]
    return tuple(rows)


def picture_reach(codes: Any, source: StoredColours, profile: PrinterProfile, shape: Shape) -> Reach:
    """Distance of every place from its aim when printed media-relative, the nearest a printer comes."""
    small = smaller(codes, math.sqrt(_MAP_PIXELS / (codes.shape[0] * codes.shape[1])))
    inside = inside_piece(small.shape, shape)
    own_black, black = _blacks(source.profile, small.ndim == 2, profile)
    asked = picture_lab(small, source.profile)[inside]
    aim = _aims(asked, own_black, black)
    device = to_device(small, source.profile, profile, intent="relative")[inside]
    printed = printed_lab(profile, device)
    delta = np.asarray(delta_e00(printed, aim))
    picture = np.full(inside.shape, np.nan, np.float32)
    picture[inside] = delta
    far = delta > REACH_DE00
    return Reach(
        delta_e00=picture,
        share=float(far.mean()),
        mean=float(delta.mean()),
        p95=float(np.percentile(delta, 95)),
        worst=_worst(aim[far], printed[far], delta[far], len(delta)),
        black_lab=(float(black[0]), float(black[1]), float(black[2])),
        asks_black=bool(np.percentile(asked[:, 0], 0.5) < float(black[0]) - 1.0),
    )


def expected_errors(codes: Any, source: StoredColours, profile: PrinterProfile, shape: Shape) -> dict[str, float]:
    """Mean ΔE00 from the aim over the piece, for every step of correction."""
    small = smaller(codes, math.sqrt(_SAMPLE / (codes.shape[0] * codes.shape[1])))
    inside = inside_piece(small.shape, shape)
    own_black, black = _blacks(source.profile, small.ndim == 2, profile)
    aim = _aims(picture_lab(small, source.profile)[inside], own_black, black)
    srgb = to_srgb(small, source.profile)[inside]
    device = {"none": srgb}
    for step in ("tone", "grey"):
        device[step] = apply_curves(srgb, neutral_curves(lambda v: printed_lab(profile, v), step=step))
    device["full"] = to_device(small, source.profile, profile, intent="relative")[inside]
    return {k: float(np.mean(delta_e00(printed_lab(profile, v), aim))) for k, v in device.items()}
