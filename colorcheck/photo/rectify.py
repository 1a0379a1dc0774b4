"""Located photo → the piece laid flat, and what lies in every cell and between them."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from ..ground.geometry import local_px_per_mm, mm_to_px, sampling_maps
from ..ground.records import CellFlag, CellSamples, FieldSamples, FlatImage, LinearImage, Mask, Pose, Target
from ..ground.robust import trimmed_mean

READING_SHARE = 0.6  # the middle of a cell is read: dye bleeds and lenses blur
_MAX_FLAT_PIXELS = 3_200_000
_RIM_MM = 1.5  # the outermost rim of the blank is ground, rounded and often bare


def _field_step_mm(size_mm: tuple[float, float]) -> float:
    """Step of the coarse grid on which the field is averaged."""
    return 2.0 if max(size_mm) >= 120 else 1.0


def lay_flat(image: LinearImage, pose: Pose, size_mm: tuple[float, float]) -> FlatImage:
    """Resample the photo on the millimetre grid, about as finely as the photo itself is.

    Parameters
    ----------
    image : LinearImage
    pose : Pose
    size_mm : (w, h)

    Returns
    -------
    FlatImage
        At most some three million pixels; a whole number of them in a step of the field's grid,
        so that every photo of one target has the same grid.
    """
    w, h = size_mm
    finest = min(14.0, float(np.sqrt(_MAX_FLAT_PIXELS / (w * h))))
    parts = _field_step_mm(size_mm)
    g = float(np.clip(np.ceil(pose.px_per_mm * parts) / parts, 3.0, max(3.0, np.floor(finest * parts) / parts)))
    return resample(image, pose, size_mm, g)


def resample(image: LinearImage, pose: Pose, size_mm: tuple[float, float], px_per_mm: float) -> FlatImage:
    """Lay flat what the pose puts into ``size_mm``, at a given number of pixels per millimetre."""
    mx, my = sampling_maps(pose, size_mm, px_per_mm)
    tall, wide = image.rgb.shape[:2]
    inside = (mx >= 0) & (mx <= wide - 1) & (my >= 0) & (my <= tall - 1)
    flat: Any = cv2.remap(image.rgb, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    clip: Any = cv2.remap(image.clipped, mx, my, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    return FlatImage(rgb=flat, clipped=clip, inside=inside, px_per_mm=px_per_mm)


def _windows(boxes: Any, g: float, share: float) -> tuple[Any, Any]:
    """Row and column indices of the reading areas, all of one size, (n, k) each."""
    k = max(3, int(np.floor(boxes[:, 2:].min() * share * g)))
    cx, cy = boxes[:, 0] + boxes[:, 2] / 2, boxes[:, 1] + boxes[:, 3] / 2
    c0, r0 = np.round(cx * g - k / 2).astype(int), np.round(cy * g - k / 2).astype(int)
    return r0[:, None] + np.arange(k), c0[:, None] + np.arange(k)


def sample_cells(flat: FlatImage, pose: Pose, target: Target, image: LinearImage) -> CellSamples:
    """Take the robust mean of every cell's reading area in linear light.

    Returns
    -------
    CellSamples
        Flags: CLIPPED/CRUSHED when over 2 % of the pixels are, HIDDEN when the photo does
        not reach, UNEVEN when the cell is much rougher than others of its brightness.
    """
    g = flat.px_per_mm
    rows, cols = _windows(target.box_mm, g, READING_SHARE)
    h, w = flat.rgb.shape[:2]
    rr, cc = np.clip(rows, 0, h - 1)[:, :, None], np.clip(cols, 0, w - 1)[:, None, :]
    n = len(rows)
    rgb = flat.rgb[rr, cc].reshape(n, -1, 3)
    clip = flat.clipped[rr, cc].reshape(n, -1)
    inside = flat.inside[rr, cc].reshape(n, -1)
    mean, spread = trimmed_mean(rgb)
    flags = np.zeros(n, dtype=np.int64)
    flags[(clip & 1).astype(bool).mean(axis=1) > 0.02] |= int(CellFlag.CLIPPED)
    flags[(clip & 2).astype(bool).mean(axis=1) > 0.25] |= int(CellFlag.CRUSHED)
    flags[inside.mean(axis=1) < 0.99] |= int(CellFlag.HIDDEN)
    centre = target.centres_mm
    scale = local_px_per_mm(pose, centre)
    pixels = (target.box_mm[:, 2] * READING_SHARE * scale) ** 2
    # roughness against the cell's own brightness: gradient of tiles, not of pixels
    k = rows.shape[1]
    t = k // 3
    tiles = rgb.reshape(n, k, k, 3)[:, : 3 * t, : 3 * t].reshape(n, 3, t, 3, t, 3).mean(axis=(2, 4)).reshape(n, 9, 3)
    rough = (tiles.max(axis=1) - tiles.min(axis=1)).max(axis=1) / np.maximum(mean.max(axis=1), 0.02)
    usual = float(np.median(rough))
    flags[(rough > max(5 * usual, 0.12))] |= int(CellFlag.UNEVEN)
    px = mm_to_px(pose, centre)
    if pose.mirrored:
        px[:, 0] = flat_width(image) - 1 - px[:, 0]
    px = (px + 0.5) / image.scale - 0.5
    return CellSamples(rgb=mean, spread=spread, pixels=pixels, flags=flags, centre_px=px)


def sample_quiet(flat: FlatImage, target: Target, *, edge_mm: float) -> tuple[Any, Any]:
    """Bare coat in the quiet zones of the markers, which reach nearer to the rim than any cell.

    Returns
    -------
    xy_mm (m, 2), rgb (m, 3)
        One place a marker; only markers whose quiet zone is wide enough for this sharpness.
    """
    g = flat.px_per_mm
    places, values = [], []
    h, w = flat.inside.shape
    for (x, y, bw, bh), outer in zip(target.marker_box_mm, target.keep_out_mm, strict=False):
        quiet = x - outer[0]
        off = max(0.9 * edge_mm, 0.25)
        if quiet < 2 * off + 2.0 / g:
            continue
        c0, c1 = round((outer[0] + off) * g), round((outer[0] + outer[2] - off) * g)
        r0, r1 = round((outer[1] + off) * g), round((outer[1] + outer[3] - off) * g)
        if r0 < 0 or c0 < 0 or r1 > h or c1 > w:
            continue
        ring = np.ones((r1 - r0, c1 - c0), dtype=bool)
        ring[
            round((y - off) * g) - r0 : round((y + bh + off) * g) - r0,
            round((x - off) * g) - c0 : round((x + bw + off) * g) - c0,
        ] = False
        ring &= flat.inside[r0:r1, c0:c1] & (flat.clipped[r0:r1, c0:c1] & 1 == 0)
        if ring.sum() < 60:
            continue
        places.append((x + bw / 2, y + bh / 2))
        values.append(np.median(flat.rgb[r0:r1, c0:c1][ring], axis=0))
    return np.array(places, dtype=float).reshape(-1, 2), np.array(values, dtype=float).reshape(-1, 3)


def flat_width(image: LinearImage) -> int:
    """Width of the decoded photo in pixels."""
    return int(image.rgb.shape[1])


def field_mask(
    target: Target, g: float, shape: tuple[int, int], margin_mm: float, *, keep_out_margin_mm: float
) -> Mask:
    """Where the flat image shows plain field: off the cells, the marks and the rim, (H, W)."""
    ok = np.zeros(shape, dtype=np.uint8)
    w, h = target.size_mm
    if target.shape == "rect":
        r = round(_RIM_MM * g)
        ok[r : shape[0] - r, r : shape[1] - r] = 1
    else:
        cv2.circle(ok, (round(w * g / 2), round(h * g / 2)), round((w / 2 - _RIM_MM) * g), 1, -1)
    boxes = np.concatenate([target.box_mm, target.keep_out_mm])
    margins = np.repeat([margin_mm, keep_out_margin_mm], [len(target.box_mm), len(target.keep_out_mm)])
    for (x, y, bw, bh), m in zip(boxes, margins, strict=True):
        c0, c1 = int(np.floor((x - m) * g)), int(np.ceil((x + bw + m) * g))
        r0, r1 = int(np.floor((y - m) * g)), int(np.ceil((y + bh + m) * g))
        ok[max(r0, 0) : max(r1, 0), max(c0, 0) : max(c1, 0)] = 0
    return ok.astype(bool)


def sample_field(flat: FlatImage, target: Target, *, edge_mm: float) -> FieldSamples:
    """Average the grey field on a coarse grid.

    Parameters
    ----------
    edge_mm : float
        Width of a cell's blurred edge; the field is read that far from every cell.

    Returns
    -------
    FieldSamples
        Grid step 2 mm (1 mm for sheets under 120 mm); NaN where no field shows.
    """
    g = flat.px_per_mm
    step = _field_step_mm(target.size_mm)
    gap = target.pitch_mm - target.cell_mm
    margin = float(np.clip(0.75 * edge_mm + 0.1, 0.3, 0.36 * gap))
    ok = (
        field_mask(target, g, flat.inside.shape, margin, keep_out_margin_mm=max(margin, 1.2 * edge_mm + 0.3))
        & flat.inside
        & (flat.clipped == 0)
    )
    if ok.mean() < 0.01:  # all of it clipped: the photo's check will say so, with values to say it from
        ok = field_mask(target, g, flat.inside.shape, margin, keep_out_margin_mm=margin) & flat.inside
    b = round(step * g)
    h, w = ok.shape
    rows, cols = -(-h // b), -(-w // b)
    weight = np.zeros((rows * b, cols * b), np.float32)
    weight[:h, :w] = ok
    count = weight.reshape(rows, b, cols, b).sum(axis=(1, 3)).astype(float)
    out = np.full((rows, cols, 3), np.nan)
    for c in range(3):
        plane = np.zeros((rows * b, cols * b), np.float32)
        plane[:h, :w] = np.where(ok, flat.rgb[..., c], 0)
        total = plane.reshape(rows, b, cols, b).sum(axis=(1, 3), dtype=float)
        with np.errstate(invalid="ignore", divide="ignore"):
            out[..., c] = np.where(count >= max(6, 0.04 * b * b), total / count, np.nan)
    return FieldSamples(rgb=out, weight=count, step_mm=b / g)
