"""Did the camera brighten dark places and darken bright ones by themselves ("HDR", "enhance")?

Such local tone mapping divides by a power of the brightness that surrounds a place. Light, print and press do
not know which cells lie near by, and the order of the cells is random: so white, grey and field, which should
answer alike everywhere, must not be brighter where their neighbours happen to be dark.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from .records import CellKind, Floats, Mask, Target
from .robust import polynomial_terms, tukey_weights

LIMIT = 0.08  # exponent; below it the error stays under about half a ΔE00 beside what the light takes out
_SIGNIFICANT = 4.0  # standard deviations
_REACHES = (0.04, 0.07, 0.11, 0.17)  # blur as a share of the longer side
_STEP_MM = 2.0
_DEGREE = 4  # of the smooth rest of light and press that is left aside
_ZONES = 4  # the error of the exponent comes from leaving out one of 4 × 4 zones
_SMALLEST = 0.02


@dataclass(frozen=True, slots=True, eq=False)
class LocalTone:
    """Local tone mapping found in one photo.

    ``strength`` the exponent (0: none, 0.5: half of every large contrast is gone), ``std`` its error,
    ``limit`` from where the photo should be refused, ``noticed`` whether it is above the limit for sure,
    ``error`` the relative error that it leaves in the cells, ``reach_mm`` over what distance it averages,
    ``places`` how many references told.
    """

    strength: float
    std: float
    limit: float
    noticed: bool
    error: float
    reach_mm: float
    places: int


def _brightness(target: Target, grey: Floats, field: float, around: float) -> tuple[Any, float, int]:
    """Draw what every place should look like, on a grid with a wide rim of surrounding; image, step, rim."""
    w, h = target.size_mm
    step = _STEP_MM if max(w, h) >= 120 else 1.0
    fine = 4
    rim = round(0.35 * max(w, h) / step)
    rows, cols = round(h / step) * fine, round(w / step) * fine
    image = np.full((rows, cols), field, np.float32)
    if target.shape == "round":
        mask = np.zeros((rows, cols), np.uint8)
        cv2.circle(mask, (cols // 2, rows // 2), min(rows, cols) // 2, 1, -1)
        image[mask == 0] = around
    g = fine / step
    for (x, y, bw, bh), v in zip(
        np.concatenate([target.box_mm, target.keep_out_mm]),
        np.concatenate([grey, np.full(len(target.keep_out_mm), 0.75)]), strict=True,
    ):
        c0, c1, r0, r1 = (max(round(q), 0) for q in (x * g, (x + bw) * g, y * g, (y + bh) * g))
        image[r0:r1, c0:c1] = v
    small = cv2.resize(image, (cols // fine, rows // fine), interpolation=cv2.INTER_AREA)
    wide = cv2.copyMakeBorder(small, rim, rim, rim, rim, cv2.BORDER_CONSTANT, value=(around,) * 4)
    return wide, step, rim


def _at(image: Any, xy_mm: Floats, step: float, rim: int) -> Floats:
    """Bilinear values of the drawn grid at places on the piece, (n,)."""
    px = (xy_mm / step - 0.5 + rim).astype(np.float32)
    out = cv2.remap(image, px[:, 0][:, None], px[:, 1][:, None], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(out[:, 0], dtype=float)


def check_local_tone(
    target: Target, rgb_rel: Floats, due: Floats, usable: Mask, light_cell: Floats, field_rel: Floats,
    light_field: Floats, step_mm: float, *, around: float = 1.0, limit: float = LIMIT,
) -> LocalTone:
    """Compare the references over the whole frame with the brightness of their neighbourhood.

    Parameters
    ----------
    target : Target
    rgb_rel : (n, 3)
        Cells relative to the coat, light taken out.
    due : (n, 3)
        What each of them should be.
    usable : (n,) bool
        Cells free of glare, clipping and cover.
    light_cell : (n, 3)
        Light at the cells.
    field_rel : (r, c, 3)
        The field relative to the coat on a grid of `step_mm`; NaN where there is none.
    light_field : (r, c, 3)
        Light on the same grid.
    around : float
        Brightness of what lies round the piece, relative to the coat.
    limit : float

    Returns
    -------
    LocalTone
    """
    xy_cell = target.box_mm[:, :2] + target.box_mm[:, 2:] / 2
    rows, cols = np.nonzero(np.isfinite(field_rel[..., 0]) & (field_rel.min(axis=2) > 0))
    xy_field = np.stack([(cols + 0.5) * step_mm, (rows + 0.5) * step_mm], axis=1)
    field = field_rel[rows, cols].mean(axis=1)
    typical = float(np.median(field)) if len(field) else 0.2
    grey = np.where(np.isfinite(due), due, typical).mean(axis=1)
    # references: white cells, replicated greys and colours; black says too little against its noise
    own = usable & ((target.kind == CellKind.WHITE) | (target.kind == CellKind.CONTROL)) & (grey > 0.05)
    xy = np.concatenate([xy_cell[own], xy_field])
    seen = np.concatenate([np.log(np.maximum(rgb_rel[own].mean(axis=1), 1e-4) / grey[own]), np.log(field / typical)])
    kind = np.concatenate([np.where(target.kind[own] == CellKind.WHITE, 0, 1), np.full(len(field), 2)])
    light = np.log(np.maximum(np.concatenate([light_cell[own].mean(axis=1), light_field[rows, cols].mean(axis=1)]), 1e-6))
    none = LocalTone(0.0, np.inf, limit, False, 0.0, 0.0, len(seen))
    if len(seen) < 40:
        return none
    drawn, step, rim = _brightness(target, grey, typical, around)
    half = max(target.size_mm) / 2
    unit = (xy - np.array(target.size_mm) / 2) / half
    edge = np.minimum(np.minimum(xy, np.array(target.size_mm) - xy).min(axis=1), half) / half
    if target.shape == "round":
        edge = np.clip(1.0 - np.hypot(unit[:, 0], unit[:, 1]), 0, 1)
    # what may vary smoothly: light left over, press, the rim; and one level for each kind of reference
    smooth = np.column_stack([
        polynomial_terms(unit[:, 0], unit[:, 1], _DEGREE), np.exp(-edge / 0.06), np.exp(-edge / 0.2),
        light - light.mean(), *[(kind == k).astype(float) for k in (0, 1)],
    ])
    # field blocks are many and alike: together they count as much as is independent of them
    share = np.where(kind == 2, min(1.0, 4.0 * float((kind < 2).sum()) / max(int((kind == 2).sum()), 1)), 1.0)
    zone = np.minimum((xy / np.array(target.size_mm) * _ZONES).astype(int), _ZONES - 1)
    zone = zone[:, 0] * _ZONES + zone[:, 1]
    best = none
    least = np.inf
    for reach in _REACHES:
        sigma = reach * max(target.size_mm)
        broad = cv2.GaussianBlur(drawn, (0, 0), sigma / step, borderType=cv2.BORDER_REPLICATE)
        near = np.log(_at(broad, xy, step, rim) + 0.02)
        a = np.column_stack([smooth, near])
        w = share.copy()
        coef = np.zeros(a.shape[1])
        for _ in range(6):
            aw = a * w[:, None]
            coef = np.linalg.lstsq(a.T @ aw, aw.T @ seen, rcond=1e-12)[0]
            r = seen - a @ coef
            scale = 1.4826 * float(np.median(np.abs(r))) + 1e-6
            w = share * tukey_weights(r, scale)
        chi = float((share * np.minimum(r * r, (4 * scale) ** 2)).sum())
        if chi < least:
            least = chi
            parts = []
            for z in np.unique(zone):
                keep = w * (zone != z)
                aw = a * keep[:, None]
                parts.append(np.linalg.lstsq(a.T @ aw, aw.T @ seen, rcond=1e-12)[0][-1])
            n = len(parts)
            std = float(np.sqrt((n - 1) / n * ((np.array(parts) - np.mean(parts)) ** 2).sum()))
            strength = -float(coef[-1])
            left = near - smooth @ np.linalg.lstsq(smooth, near, rcond=1e-10)[0]
            best = LocalTone(
                strength=strength, std=max(std, 1e-4), limit=limit,
                noticed=strength > limit and strength > _SIGNIFICANT * std,
                error=abs(strength) * float(np.std(left)) if strength > max(2 * std, _SMALLEST) else 0.0,
                reach_mm=sigma, places=len(seen),
            )
    return best
