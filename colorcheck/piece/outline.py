"""Convex shapes in a photo that may be the piece, and the placements that each allows."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np

from ..ground.geometry import mm_to_px
from ..ground.posefit import fit_pose
from ..ground.records import Pose
from ..ground.robust import mad_std, robust_least_squares
from .artwork import Artwork
from .placement import (
    STIFFNESS,
    Level,
    Outline,
    apply_affine,
    held_in_place,
    is_sane,
    nominal_frame,
    pose_of,
    rim_hull,
    with_scale,
)
from .rim import measure_rim


def background_distance(enc: Any, region: Any) -> tuple[Any, float]:
    """How far every pixel is from the smooth colour along the rim of a region, and the rim's own spread."""
    h, w = region.shape
    band = max(3, round(0.035 * max(h, w)))
    core = cv2.erode(
        region, np.ones((2 * band + 1, 2 * band + 1), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0
    )
    rim = np.flatnonzero((region > 0) & (core == 0))
    x = (np.arange(w)[None, :] / w * 2 - 1 + np.zeros((h, 1))).ravel()
    y = (np.arange(h)[:, None] / h * 2 - 1 + np.zeros((1, w))).ravel()
    a = np.stack([np.ones(h * w), x, y, x * x, x * y, y * y], axis=1)
    pick = rim[:: max(1, len(rim) // 2500)]
    c, _, _ = robust_least_squares(a[pick], enc.reshape(-1, 3)[pick].astype(float), rounds=6, ridge=1e-6, floor=3e-3)
    d = enc.reshape(-1, 3) - a @ c
    spread = max(float(np.max([mad_std(d[pick][:, i]) for i in range(3)])), 1e-3)
    return np.abs(d).max(axis=1).reshape(h, w).astype(np.float32), spread


def _shape_of(contour: Any, shape: tuple[int, int], to_full: float, art: Artwork) -> Outline | None:
    """Read a blob as a convex piece: four corners, or an ellipse."""
    hull = cv2.convexHull(contour).reshape(-1, 2).astype(np.float32)
    area = float(cv2.contourArea(hull))
    h, w = shape
    low, high = hull.min(axis=0), hull.max(axis=0)
    edge = 1.5
    on_edge = (hull[:, 0] <= edge) | (hull[:, 1] <= edge) | (hull[:, 0] >= w - 1 - edge) | (hull[:, 1] >= h - 1 - edge)
    cut = bool(on_edge.any()) and float(np.prod(high - low)) > 0
    corners: Any = None
    ellipse: Any = None
    if art.shape == "round":
        if len(hull) < 6:
            return None
        ellipse = cv2.fitEllipse(hull)
        (cx, cy), (d1, d2), angle = ellipse
        if not 0.85 < np.pi * d1 * d2 / 4 / max(area, 1) < 1.18:
            return None
        ellipse = (
            (((cx + 0.5) * to_full) - 0.5, ((cy + 0.5) * to_full) - 0.5),
            (d1 * to_full, d2 * to_full),
            angle,
        )
    else:
        corners = four_corners(hull, contour.reshape(-1, 2).astype(np.float32))
        if corners is None or not 0.88 < cv2.contourArea(corners) / max(area, 1) < 1.12:
            return None
        corners = (corners.astype(float) + 0.5) * to_full - 0.5
    return Outline(
        hull=(hull.astype(float) + 0.5) * to_full - 0.5,
        corners=corners,
        ellipse=ellipse,
        share=area / (h * w),
        cut=cut,
    )


def four_corners(hull: Any, contour: Any) -> Any:
    """Fit four sides to a blob: coarse corners from its hull, then a line through each side's points."""
    length = cv2.arcLength(hull, True)
    quad: Any = None
    for eps in (0.015, 0.025, 0.04, 0.06, 0.09):
        poly = cv2.approxPolyDP(hull, eps * length, True).reshape(-1, 2)
        if len(poly) <= 4:
            quad = poly if len(poly) == 4 else None
            break
    if quad is None:
        quad = cv2.boxPoints(cv2.minAreaRect(hull))
    lines = []
    for i in range(4):
        p, q = quad[i].astype(float), quad[(i + 1) % 4].astype(float)
        d = q - p
        size = float(np.hypot(*d))
        if size < 8:
            return None
        d /= size
        rel = contour - p
        along, off = rel @ d, rel @ np.array([-d[1], d[0]])
        near = (along > 0.08 * size) & (along < 0.92 * size) & (np.abs(off) < 0.03 * size + 2)
        if near.sum() >= 8:
            vx, vy, x0, y0 = cv2.fitLine(contour[near].astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01).ravel()
            lines.append(np.cross([x0, y0, 1.0], [x0 + vx, y0 + vy, 1.0]))
        else:
            lines.append(np.cross([*p, 1.0], [*q, 1.0]))
    out = []
    for i in range(4):
        c = np.cross(lines[i - 1], lines[i])
        if abs(c[2]) < 1e-9:
            return None
        out.append(c[:2] / c[2])
    found = np.array(out, dtype=np.float32)
    return found if cv2.isContourConvex(found) else None


def find_outlines(levels: list[Level], art: Artwork) -> tuple[list[Outline], bool]:
    """Convex shapes that stand out from what surrounds them; whether several like pieces are in view."""
    level = min(levels, key=lambda lv: abs(max(lv.pixels.shape[:2]) - 500))
    enc = np.ascontiguousarray(level.pixels[..., :3])
    to_full = 1.0 / level.factor
    h, w = enc.shape[:2]
    found: list[Outline] = []
    several = False
    regions = [np.ones((h, w), np.uint8)]
    for depth in range(2):
        inner: list[Any] = []
        for region in regions:
            d, spread = background_distance(enc, region)
            for limit in sorted({max(4.5 * spread, 0.03), max(9 * spread, 0.09), max(14 * spread, 0.25)}):
                mask = ((d > limit) & (region > 0)).astype(np.uint8)
                mask = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
                k = max(3, round(0.012 * max(h, w)) | 1)
                mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((k, k), np.uint8))
                contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
                big = [c for c in contours if len(c) >= 24 and cv2.contourArea(cv2.convexHull(c)) > 0.025 * h * w]
                big.sort(key=cv2.contourArea, reverse=True)
                if depth == 0 and big and cv2.contourArea(big[0]) > 0.2 * h * w:
                    blob = cv2.drawContours(np.zeros((h, w), np.uint8), big[:1], 0, 1, -1)
                    k = 2 * round(0.012 * max(h, w)) + 1
                    blob = cv2.erode(blob, np.ones((k, k), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0)
                    if not inner:
                        inner.append(blob)
                got = [o for o in (_shape_of(c, (h, w), to_full, art) for c in big[:3]) if o is not None]
                solid = [o for o in got if not o.cut]
                if depth == 0 and len(solid) >= 2 and solid[1].share > 0.75 * solid[0].share:
                    several = True
                for o in got:
                    if not any(_same(o, other) for other in found):
                        found.append(o)
        regions = inner[:2]
    if not any(not o.cut for o in found):
        found += _by_brightness(enc, to_full, art)
    out: list[Outline] = []
    for o in sorted(found, key=lambda v: -v.share)[:5]:
        r = _refined(levels, o, art) or o
        if not any(_same(r, other) for other in out):
            out.append(r)
    return out, several


def to_bytes(a: Any) -> Any:
    """Stretch a picture to the range of uint8."""
    low, high = float(a.min()), float(a.max())
    return ((a - low) * (255.0 / max(high - low, 1e-6))).astype(np.uint8)


def _by_brightness(enc: Any, to_full: float, art: Artwork) -> list[Outline]:
    """Find closed convex shapes between light and dark, for pieces on a card that does not fill the frame."""
    grey = to_bytes(cv2.GaussianBlur(enc.mean(axis=2), (0, 0), 1.0))
    h, w = grey.shape
    level, _ = cv2.threshold(grey, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    found: list[Outline] = []
    for limit in (level, 0.7 * level, 0.5 * (level + 255)):
        contours, _ = cv2.findContours((grey > limit).astype(np.uint8), cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        for c in sorted(contours, key=cv2.contourArea, reverse=True)[:4]:
            hull = float(cv2.contourArea(cv2.convexHull(c)))
            if hull > 0.025 * h * w and cv2.contourArea(c) > 0.9 * hull:
                o = _shape_of(c, (h, w), to_full, art)
                if o is not None and not o.cut and not any(_same(o, other) for other in found):
                    found.append(o)
    return found


def _refined(levels: list[Level], o: Outline, art: Artwork) -> Outline | None:
    """Measure the rim of a candidate and fit it as a whole; None when there is no clear rim all around.

    Looked for widely, as a shadow may have passed for the rim, and where that leads astray close by.
    """
    size = max(art.size_mm)
    return _fitted(levels, o, art, (0.04 * size, 0.015 * size)) or _fitted(levels, o, art, (2.0, 1.2))


def _fitted(levels: list[Level], o: Outline, art: Artwork, reaches: tuple[float, float]) -> Outline | None:
    """Fit the rim of a candidate, looking for it within ``reaches`` (mm) of where it should be."""
    pose = (poses_from_ellipse if o.corners is None else poses_from_corners)(o, levels[0], art)[0]
    nominal = nominal_frame(art)
    for reach, bend in zip(reaches, (False, True), strict=True):
        if not is_sane(pose, art):
            return None
        pts, nrm, off, part = measure_rim(levels, pose, art, nominal, reach)
        ok = np.isfinite(off)
        if ok.sum() < 70 or len(np.unique(part[ok])) < (4 if art.shape == "rect" else 9):
            return None
        places = apply_affine(nominal, pts[ok])
        stay = held_in_place(art, 6.0 if art.shape == "rect" else 1.5)
        mm, n, e, w = (
            np.concatenate(p)
            for p in (
                (places, stay.mm),
                (nrm[ok], stay.normal),
                (-off[ok], stay.offset),
                (np.full(int(ok.sum()), 4.0), stay.weight),
            )
        )
        obs = mm_to_px(pose, mm - e[:, None] * n)
        try:
            pose = fit_pose(
                pose,
                mm,
                obs,
                n,
                art.frame_mm,
                bend=bend,
                weight=w,
                least_sigma=0.15 * reach,
                stiffness=STIFFNESS,
                rounds=4,
            )
            pose = with_scale(pose, art)
        except np.linalg.LinAlgError:
            return None
    if not is_sane(pose, art):
        return None
    pts, nrm, off, _ = measure_rim(levels, pose, art, nominal, 1.2)
    ok = np.isfinite(off)
    residual = float(np.sqrt(np.mean(np.clip(off[ok], -1, 1) ** 2))) if ok.sum() >= 90 else 1.0
    if residual > 0.3:
        return None
    hull = mm_to_px(pose, apply_affine(nominal, rim_hull(art)))
    rim = mm_to_px(pose, apply_affine(nominal, pts[ok] + off[ok, None] * nrm[ok]))
    return replace(o, pose=pose, hull=hull, residual=residual, rim_px=rim)


def _same(a: Outline, b: Outline) -> bool:
    size = np.ptp(a.hull, axis=0).max()
    return bool(
        np.abs(a.hull.min(axis=0) - b.hull.min(axis=0)).max() < 0.03 * size
        and np.abs(a.hull.max(axis=0) - b.hull.max(axis=0)).max() < 0.03 * size
    )


def poses_from_corners(o: Outline, level: Level, art: Artwork) -> list[Pose]:
    """Four rotations of a rectangle, each seen straight and mirrored."""
    w, h = art.size_mm
    b = art.bleed_mm
    rect = np.array([[b, b], [b + w, b], [b + w, b + h], [b, b + h]], dtype=np.float32)
    out = []
    assert o.corners is not None
    for flip in (False, True):
        for turn in range(4):
            if o.pose is None:
                corners = o.corners[::-1] if flip else o.corners
                m = cv2.getPerspectiveTransform(rect, np.roll(corners, turn, axis=0).astype(np.float32))
                out.append(pose_of(m, level, art))
            else:
                onto = np.roll(rect[::-1] if flip else rect, turn, axis=0)
                m = o.pose.homography @ cv2.getPerspectiveTransform(rect, np.ascontiguousarray(onto))
                out.append(with_scale(replace(o.pose, homography=m), art))
    return out


def _circle_views(ellipse: Any, level: Level, focal_share: float) -> list[Any]:
    """Homographies from the unit circle to an ellipse as such a focal length sees it (two tilts).

    The plane's normal follows from the eigenvectors of the cone over the ellipse (closed form; e.g. Forsyth
    et al., IEEE TPAMI 13(10), 971–991, 1991).
    """
    (cx, cy), (d1, d2), angle = ellipse
    rows, cols = level.pixels.shape[:2]
    f = focal_share * float(np.hypot(rows, cols))
    t = np.deg2rad(angle)
    rot = np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]])
    q = rot @ np.diag([(d1 / 2 / f) ** -2.0, (d2 / 2 / f) ** -2.0]) @ rot.T
    c = np.array([cx - (cols - 1) / 2, cy - (rows - 1) / 2]) / f
    cone = np.zeros((3, 3))
    cone[:2, :2], cone[:2, 2], cone[2, :2], cone[2, 2] = q, -q @ c, -q @ c, c @ q @ c - 1
    values, vectors = np.linalg.eigh(cone)  # ascending: one negative, two positive
    l3, l2, l1 = values
    k = np.array([[f, 0, (cols - 1) / 2], [0, f, (rows - 1) / 2], [0, 0, 1]])
    out = []
    for sign in (1.0, -1.0):
        n = (
            sign * np.sqrt(max(l1 - l2, 0) / (l1 - l3)) * vectors[:, 2]
            + np.sqrt(max(l2 - l3, 0) / (l1 - l3)) * vectors[:, 0]
        )
        n = n if n[2] > 0 else -n
        x = np.array([1.0, 0, 0]) - n[0] * n
        x /= np.linalg.norm(x)
        r = np.stack([x, np.cross(n, x), n], axis=1)
        turned = r.T @ cone @ r
        turned = turned / turned[0, 0]
        mx, my = -turned[0, 2], -turned[1, 2]
        radius = np.sqrt(max(mx * mx + my * my - turned[2, 2], 1e-12))
        out.append(k @ r @ np.array([[radius, 0, mx], [0, radius, my], [0, 0, 1.0]]))
    return out


def poses_from_ellipse(o: Outline, level: Level, art: Artwork) -> list[Pose]:
    """Placements of a round piece in some rotation, for both tilts that show such an ellipse."""
    w, h = art.size_mm
    b = art.bleed_mm
    unit = np.array([[2 / w, 0, -(b + w / 2) * 2 / w], [0, 2 / h, -(b + h / 2) * 2 / h], [0, 0, 1.0]])
    (cx, cy), (d1, d2), angle = o.ellipse
    if abs(w - h) > 0.02 * max(w, h):  # an oval blank: its axes tell the rotation
        t = np.deg2rad(angle + (90 if (d2 > d1) == (w > h) else 0))
        along, across = (max(d1, d2), min(d1, d2)) if w > h else (min(d1, d2), max(d1, d2))
        a = np.array(
            [
                [np.cos(t) * along / 2, -np.sin(t) * across / 2, cx],
                [np.sin(t) * along / 2, np.cos(t) * across / 2, cy],
                [0, 0, 1.0],
            ]
        )
        return [
            pose_of(a @ np.diag([fx, fy, 1.0]) @ unit, level, art) for fx, fy in ((1, 1), (-1, -1), (-1, 1), (1, -1))
        ]
    views = _circle_views(o.ellipse, level, 0.72)
    if min(d1, d2) / max(d1, d2) > 0.985:  # seen square on: the two tilts are one
        views = views[:1]
    return [pose_of(view @ unit, level, art) for view in views]
