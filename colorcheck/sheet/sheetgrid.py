"""The flat photo of a pressed sheet relative to its coat, on one working grid, and what lies where on it.

Ghost, banding, scorch and dots are all looked for on this grid.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from ..ground.records import CellFlag, CellKind, Cells, FlatImage, Floats, Light, Mask, Target

_WORK_PIXELS = 1_000_000
RIM_MM = 1.5  # kept away from the rim of the piece
INKS = ("cyan", "magenta", "yellow")  # the dye that red, green and blue show


@dataclass(frozen=True, slots=True, eq=False)
class SheetGrid:
    """The flat photo relative to the coat on a grid of ``q`` pixels per mm, and what lies where.

    ``rel`` (H, W, 3) float32; ``valid`` (H, W) usable pixels; ``bare`` unprinted coat and
    ``field`` plain grey, both kept ``margin_mm`` away from printed edges; ``glare`` (H, W).
    """

    rel: Any
    valid: Mask
    bare: Mask
    field: Mask
    glare: Mask
    q: float
    margin_mm: float


def fill_boxes(mask: Any, boxes: Any, q: float, grow_mm: float, value: int) -> None:
    """Fill boxes in mm, grown by ``grow_mm`` (shrunk when negative), in place."""
    for x, y, w, h in np.asarray(boxes, dtype=float).reshape(-1, 4):
        # a grown box takes every pixel it touches, a shrunk one only whole pixels
        out = np.floor if grow_mm >= 0 else np.ceil
        back = np.ceil if grow_mm >= 0 else np.floor
        c0, c1 = int(out((x - grow_mm) * q)), int(back((x + w + grow_mm) * q))
        r0, r1 = int(out((y - grow_mm) * q)), int(back((y + h + grow_mm) * q))
        if c1 > max(c0, 0) and r1 > max(r0, 0):
            mask[max(r0, 0) : r1, max(c0, 0) : c1] = value


def outline(target: Target, shape: tuple[int, int], q: float, rim_mm: float) -> Any:
    """Where the piece is, without its rim, (H, W) uint8."""
    ok = np.zeros(shape, np.uint8)
    w, h = target.size_mm
    if target.shape == "rect":
        r = int(np.ceil(rim_mm * q))
        ok[r : shape[0] - r, r : shape[1] - r] = 1
    else:
        cv2.circle(ok, (round(w * q / 2), round(h * q / 2)), int((w / 2 - rim_mm) * q), 1, -1)
    return ok


def quiet_zones(target: Target) -> Floats:
    """Markers and code with their quiet zones, (k, 4): those keep-out boxes that hold one."""
    if not len(target.keep_out_mm):
        return np.zeros((0, 4))
    b = target.keep_out_mm
    m = target.marker_box_mm
    mid = m[:, :2] + m[:, 2:] / 2
    inside = (b[:, None, :2] <= mid[None]) & (mid[None] <= (b[:, :2] + b[:, 2:])[:, None])
    return np.asarray(b[np.any(np.all(inside, axis=2), axis=1)])


def bare_mask(target: Target, shape: tuple[int, int], q: float, margin: float) -> Any:
    """Unprinted coat away from printed edges: white cells, quiet zones of markers and code."""
    out = np.zeros(shape, np.uint8)
    fill_boxes(out, target.box_mm[target.kind == CellKind.WHITE], q, -margin, 1)
    fill_boxes(out, quiet_zones(target), q, -margin, 1)
    fill_boxes(out, target.marker_box_mm, q, margin, 0)
    x, y, w, h = target.code_box_mm
    if w:
        fill_boxes(out, [(x, y, w, h)], q, -margin, 1)
        side = 4 / 29 * w  # quiet zone of four modules around 21 (ISO/IEC 18004)
        fill_boxes(out, [(x + side, y + side, w - 2 * side, h - 2 * side)], q, margin, 0)
    return out


def field_mask(target: Target, shape: tuple[int, int], q: float, margin: float, rim_mm: float) -> Any:
    """Plain grey away from cells, marks and rim."""
    out = outline(target, shape, q, rim_mm)
    fill_boxes(out, target.box_mm, q, margin, 0)
    fill_boxes(out, target.keep_out_mm, q, margin, 0)
    return out


def _stretch(coarse: Any, step_mm: float, q: float, shape: tuple[int, int]) -> Any:
    """Coarse map (r, c[, 3]) brought to (H, W[, 3]) at ``q`` pixels per mm, bilinear."""
    big = cv2.resize(
        np.ascontiguousarray(coarse, np.float32),
        (round(coarse.shape[1] * step_mm * q), round(coarse.shape[0] * step_mm * q)),
        interpolation=cv2.INTER_LINEAR,
    )
    pad = [(0, max(0, shape[k] - big.shape[k])) for k in (0, 1)]
    if any(p[1] for p in pad):
        big = cv2.copyMakeBorder(big, 0, pad[0][1], 0, pad[1][1], cv2.BORDER_REPLICATE)
    return big[: shape[0], : shape[1]]


def lay_out(target: Target, flat: FlatImage, light: Light, edge_mm: float) -> SheetGrid:
    """Reduce the flat photo to the working grid and take light and glare out of it."""
    w, h = target.size_mm
    q = float(min(flat.px_per_mm, np.sqrt(_WORK_PIXELS / (w * h))))
    shape = (round(h * q), round(w * q))
    size = (shape[1], shape[0])
    rgb = flat.rgb if q == flat.px_per_mm else cv2.resize(flat.rgb, size, interpolation=cv2.INTER_AREA)
    shape = rgb.shape[:2]
    size = (shape[1], shape[0])
    bad = ((flat.clipped & 1) | ~flat.inside).astype(np.uint8)
    how = cv2.INTER_AREA if q < flat.px_per_mm else cv2.INTER_NEAREST
    valid = cv2.resize(bad * np.uint8(255), size, interpolation=how) == 0
    e = _stretch(light.e_map, light.step_mm, q, shape)
    rel = (rgb - _stretch(light.g_map, light.step_mm, q, shape)) / np.maximum(e, 1e-5)
    glare = _stretch(light.glare.astype(np.float32), light.step_mm, q, shape) > 0.01
    gap = target.pitch_mm - target.cell_mm
    margin = float(np.clip(0.55 * edge_mm + 0.5 / q, 0.25, 0.3 * gap))
    bare = bare_mask(target, shape, q, margin).astype(bool)
    plain = field_mask(target, shape, q, margin, RIM_MM).astype(bool)
    return SheetGrid(
        rel=rel.astype(np.float32),
        valid=valid,
        bare=bare & valid & ~glare,
        field=plain & valid & ~glare,
        glare=glare,
        q=q,
        margin_mm=margin,
    )


def clipped(image: Any, low: float, high: float) -> Any:
    """Clip an image; as one plane, since cv2 applies a number to the first channel only."""
    flat: Any = np.ascontiguousarray(image).reshape(image.shape[0], -1)
    least: Any = low
    most: Any = high
    return cv2.min(cv2.max(flat, least), most).reshape(image.shape)


def extremes(image: Any) -> tuple[Any, Any]:
    """Largest and smallest channel of every pixel, (H, W) each."""
    a, b, c = cv2.split(image)
    return cv2.max(cv2.max(a, b), c), cv2.min(cv2.min(a, b), c)


def local_mean(value: Any, mask: Any, sigma_px: float) -> Any:
    """Gaussian mean of the masked pixels around every place; made on a coarser grid when wide."""
    k = max(1, int(sigma_px / 3))
    m = mask.astype(np.float32)
    v = value * (m if value.ndim == 2 else m[..., None])
    small = (-(-m.shape[1] // k), -(-m.shape[0] // k))
    up = cv2.GaussianBlur(cv2.resize(v, small, interpolation=cv2.INTER_AREA), (0, 0), sigma_px / k)
    down = cv2.GaussianBlur(cv2.resize(m, small, interpolation=cv2.INTER_AREA), (0, 0), sigma_px / k)
    mean = up / np.maximum(down if value.ndim == 2 else down[..., None], 1e-6)
    return cv2.resize(mean, (m.shape[1], m.shape[0]), interpolation=cv2.INTER_LINEAR)


def usable(cells: Cells) -> Mask:
    """Cells (n,) that are neither clipped, hidden nor under glare."""
    bad = CellFlag.CLIPPED | CellFlag.HIDDEN | CellFlag.GLARE
    return np.asarray((cells.flags & int(bad)) == 0)
