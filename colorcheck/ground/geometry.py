"""Between millimetres on the piece and pixels in the photo: the one place that converts.

A pose is a homography followed by radial distortion about the middle of the photo
(Brown, Photogrammetric Engineering 37(8), 855–866, 1971, radial terms only).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from .records import Floats, Pose

_NODE_PX = 16  # flat images are mapped exactly at every 16th pixel, between them linearly (error < 0.001 px)


def mm_to_px(pose: Pose, mm: Floats) -> Floats:
    """Where places on the piece appear in the decoded (and flipped, if mirrored) photo.

    Parameters
    ----------
    pose : Pose
    mm : (..., 2)
        x, y on the piece.

    Returns
    -------
    (..., 2)
        Pixel coordinates; the middle of the first pixel is (0, 0).
    """
    h = pose.homography
    x, y = mm[..., 0], mm[..., 1]
    d = h[2, 0] * x + h[2, 1] * y + h[2, 2]
    u = (h[0, 0] * x + h[0, 1] * y + h[0, 2]) / d
    v = (h[1, 0] * x + h[1, 1] * y + h[1, 2]) / d
    cx, cy = pose.centre_px
    dx, dy = (u - cx) / pose.radius_px, (v - cy) / pose.radius_px
    r2 = dx * dx + dy * dy
    bend = 1.0 + pose.k[0] * r2 + pose.k[1] * r2 * r2
    return np.stack([cx + pose.radius_px * dx * bend, cy + pose.radius_px * dy * bend], axis=-1)


def place_in_photo(pose: Pose, size_mm: tuple[float, float]) -> dict[str, float]:
    """How a piece lies in its photo, as results carry it.

    Parameters
    ----------
    pose : Pose
    size_mm : (float, float)
        Width and height of the piece.

    Returns
    -------
    dict
        ``turn_deg``, clockwise; ``x_mm``, ``y_mm`` of its middle from the middle of the photo, right and down, at the
        piece's own scale.
    """
    w, h = size_mm
    middle, right = mm_to_px(pose, np.array([[w / 2, h / 2], [w, h / 2]]))
    along = right - middle
    offset = (middle - np.asarray(pose.centre_px)) * (w / 2) / float(np.hypot(*along))
    turn = float(np.degrees(np.arctan2(along[1], along[0])))
    if pose.mirrored:  # the pose holds for the flipped photo
        return {"turn_deg": (180.0 - turn) % 360.0, "x_mm": -float(offset[0]), "y_mm": float(offset[1])}
    return {"turn_deg": turn % 360.0, "x_mm": float(offset[0]), "y_mm": float(offset[1])}


def plain_pose(homography: Floats, shape: tuple[int, ...], *, markers_found: int = 0) -> Pose:
    """Give the pose of a homography alone in a photo of ``shape`` (rows, columns, …): no distortion, scale unknown."""
    cx, cy = (shape[1] - 1) / 2, (shape[0] - 1) / 2
    return Pose(
        homography=homography,
        k=(0.0, 0.0),
        centre_px=(cx, cy),
        radius_px=float(np.hypot(cx, cy)),
        mirrored=False,
        residual_mm=float("nan"),
        px_per_mm=1.0,
        markers_found=markers_found,
        edges_used=0,
    )


def local_px_per_mm(pose: Pose, mm: Floats) -> Floats:
    """Scale of the photo at places on the piece, square root of the area ratio, (n,)."""
    step = 0.5
    dx = (mm_to_px(pose, mm + [step, 0]) - mm_to_px(pose, mm - [step, 0])) / (2 * step)
    dy = (mm_to_px(pose, mm + [0, step]) - mm_to_px(pose, mm - [0, step])) / (2 * step)
    return np.sqrt(np.abs(dx[..., 0] * dy[..., 1] - dx[..., 1] * dy[..., 0]))


def scaled(pose: Pose, factor: float) -> Pose:
    """Return the pose for the same photo resized by ``factor`` (pixel middles at whole numbers)."""
    s = np.array([[factor, 0, (factor - 1) / 2], [0, factor, (factor - 1) / 2], [0, 0, 1.0]])
    cx, cy = pose.centre_px
    return replace(
        pose,
        homography=s @ pose.homography,
        centre_px=(cx * factor + (factor - 1) / 2, cy * factor + (factor - 1) / 2),
        radius_px=pose.radius_px * factor,
        px_per_mm=pose.px_per_mm * factor,
    )


def sampling_maps(pose: Pose, size_mm: tuple[float, float], px_per_mm: float) -> tuple[Any, Any]:
    """Return the maps for ``cv2.remap`` that lay the piece flat at ``px_per_mm``; two (H, W) float32."""
    import cv2

    n = _NODE_PX
    w, h = (round(v * px_per_mm) for v in size_mm)
    # cv2.resize puts node k at pixel (k + 0.5) n − 0.5; one node more on every side, so that nothing is carried on
    xs = (np.arange(-1, w // n + 2) + 0.5) * n / px_per_mm
    ys = (np.arange(-1, h // n + 2) + 0.5) * n / px_per_mm
    nodes = mm_to_px(pose, np.stack(np.meshgrid(xs, ys), axis=-1)).astype(np.float32)
    wide = (len(xs) * n, len(ys) * n)
    maps = (cv2.resize(np.ascontiguousarray(nodes[..., k]), wide, interpolation=cv2.INTER_LINEAR) for k in (0, 1))
    mx, my = (np.ascontiguousarray(m[n : n + h, n : n + w]) for m in maps)
    return mx, my
