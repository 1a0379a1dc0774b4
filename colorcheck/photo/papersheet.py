"""How much a lens bends, from the four straight edges of a sheet of paper on a dark table.

Any rectangle does: its proportions go into the homography, only the bend of its edges tells the lens (plumb lines:
D. C. Brown, *Photogrammetric Engineering* 37(8), 855–866, 1971).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from ..ground.errors import PhotoError
from ..ground.geometry import mm_to_px, plain_pose
from ..ground.posefit import fit_pose
from ..ground.records import Floats, LinearImage, Pose

_SIDE = 1600  # px along the longer side
_SIZE_MM = (297.0, 210.0)
_PER_SIDE = 40
_REACH = 0.03  # of the longer side: how far from the straight line an edge is looked for
_LEAST_SHARE = 0.15  # of the frame that the sheet must fill
_CORNER_FREE = 0.06  # of a side, at either end: fingers, rounded corners
_ADVICE = "lay one white sheet of paper flat on a dark table, whole in the frame and nearly filling it"


@dataclass(frozen=True, slots=True, eq=False)
class PaperSheet:
    """``bend`` radial displacement in the photo's corners, share of the half diagonal (barrel below 0), its error.

    ``fit_mm`` is how far the edges lie from the fit, on a sheet of A4; ``reach`` how far into the corners they told.
    """

    bend: float
    bend_std: float
    fit_mm: float
    reach: float


def _corners(grey: Any, name: str) -> Floats:
    """Corners of the sheet, clockwise from the top left, (4, 2) px."""
    code = np.clip(255 * (grey / max(float(np.percentile(grey, 98)), 1e-6)) ** 0.45, 0, 255).astype(np.uint8)
    _, bright = cv2.threshold(cv2.GaussianBlur(code, (0, 0), 2), 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    outlines, _ = cv2.findContours(bright, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    big = max(outlines, key=cv2.contourArea, default=None)
    if big is None or cv2.contourArea(big) < _LEAST_SHARE * grey.size:
        raise PhotoError(f"no sheet of paper is found in {name}", _ADVICE)
    hull = cv2.convexHull(big)
    quad = cv2.approxPolyDP(hull, 0.04 * cv2.arcLength(hull, True), True).reshape(-1, 2).astype(float)
    filled = cv2.contourArea(big) / max(cv2.contourArea(hull), 1.0)
    inside = (quad > 2).all() and (quad < np.array(grey.shape[::-1]) - 3).all()
    if len(quad) != 4 or filled < 0.95 or not inside:
        raise PhotoError(f"the sheet of paper is not whole in {name}", _ADVICE)
    middle = quad.mean(axis=0)
    turn = np.arctan2(*(quad - middle).T[::-1])
    return np.asarray(quad[np.argsort(turn)])


def _edge(grey: Any, at: Floats, normal: Floats, reach: float) -> float | None:
    """Place of the steepest step from the dark outside to the bright inside along the normal, px; None if unclear."""
    steps = np.arange(-reach, reach + 0.25, 0.5)
    line = (at + steps[:, None] * normal).astype(np.float32)
    values = cv2.remap(grey, line[None, :, 0], line[None, :, 1], cv2.INTER_LINEAR)[0]
    low, high = np.percentile(values, [10, 90])
    if high < 2.5 * max(low, 1e-4):
        return None
    half = np.nonzero(np.diff(values > (low + high) / 2))[0]
    if len(half) != 1:
        return None
    k = int(half[0])
    return float(steps[k] + 0.5 * ((low + high) / 2 - values[k]) / (values[k + 1] - values[k]))


def measure_paper(image: LinearImage) -> PaperSheet:
    """Fit perspective and bend to the edges of the sheet.

    Parameters
    ----------
    image : LinearImage

    Raises
    ------
    PhotoError
        No sheet, or one that is not whole in the frame.
    """
    tall, wide = image.rgb.shape[:2]
    factor = min(1.0, _SIDE / max(tall, wide))
    size = (round(wide * factor), round(tall * factor))
    grey = cv2.resize(image.rgb, size, interpolation=cv2.INTER_AREA).mean(axis=2)
    corner = _corners(grey, image.source)
    w, h = _SIZE_MM
    at_mm = np.array([[0, 0], [w, 0], [w, h], [0, h]])
    share = np.linspace(_CORNER_FREE, 1 - _CORNER_FREE, _PER_SIDE)[:, None]
    mm, px, normals = [], [], []
    for k in range(4):
        a, b = corner[k], corner[(k + 1) % 4]
        along = (b - a) / np.linalg.norm(b - a)
        inward = np.array([-along[1], along[0]])
        side = (at_mm[(k + 1) % 4] - at_mm[k]) / np.linalg.norm(at_mm[(k + 1) % 4] - at_mm[k])
        for s in share[:, 0]:
            place = a + s * (b - a)
            off = _edge(grey, place, inward, _REACH * max(size))
            if off is not None:
                px.append(place + off * inward)
                mm.append(at_mm[k] + s * (at_mm[(k + 1) % 4] - at_mm[k]))
                normals.append(np.array([-side[1], side[0]]))
    if len(px) < 2.5 * _PER_SIDE:
        raise PhotoError(f"the edges of the sheet are not clear in {image.source}", _ADVICE)
    mm_, px_, normal = (np.array(v) for v in (mm, px, normals))
    flat = cv2.getPerspectiveTransform(at_mm.astype(np.float32), corner.astype(np.float32)).astype(float)
    start = plain_pose(flat, grey.shape)

    def fitted(use: Any) -> Pose:
        return fit_pose(start, mm_[use], px_[use], normal[use], _SIZE_MM, bend=True, stiffness=(1e-7, 4e-3))

    everything = np.ones(len(mm_), bool)
    pose = fitted(everything)
    left = np.einsum("nj,nj->n", mm_to_px(pose, mm_) - px_, _px_normals(pose, mm_, normal))
    per_mm = float(np.median(np.linalg.norm(np.diff(corner, axis=0), axis=1) / np.array([w, h, w])))
    part = np.arange(len(mm_)) % 5
    bends = np.array([_bend(fitted(part != k)) for k in range(5)])
    reach = float(np.percentile(np.linalg.norm(px_ - pose.centre_px, axis=1), 95) / pose.radius_px)
    return PaperSheet(
        bend=_bend(pose),
        bend_std=float(2 * bends.std() + 0.001),
        fit_mm=1.4826 * float(np.median(np.abs(left))) / per_mm,
        reach=reach,
    )


def _bend(pose: Pose) -> float:
    return float(pose.k[0] + pose.k[1])


def _px_normals(pose: Pose, mm: Floats, normal: Floats) -> Floats:
    """Give unit normals of the edges in the photo, (n, 2)."""
    along = np.stack([normal[:, 1], -normal[:, 0]], axis=1)
    d = mm_to_px(pose, mm + along) - mm_to_px(pose, mm - along)
    d = d / np.linalg.norm(d, axis=1, keepdims=True)
    return np.stack([-d[:, 1], d[:, 0]], axis=1)
