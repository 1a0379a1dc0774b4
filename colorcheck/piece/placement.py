"""Records of placements that are tried while a piece is sought, and the poses and affine maps between them.

The *frame* is the artwork with its bleed, in mm from its top left corner; a trial's pose takes it to the photo.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ..ground.geometry import local_px_per_mm, mm_to_px, plain_pose
from ..ground.records import Floats, Pose
from .artwork import Artwork

_PLACES = 20.0  # independent places whose likeness a picture's structure, or its layout of colours, is worth; estimate
_NEVER_EQUAL = 0.05  # share of a picture's variance that no photo of it shares; estimate
STIFFNESS = (0.5, 6.0)  # a lens bends a picture by a few per cent, and hardly ever by a fourth power alone


@dataclass(frozen=True, slots=True, eq=False)
class Level:
    """The photo at one scale: log colour and validity (h, w, 4) float32, scale relative to level 0."""

    pixels: Any
    factor: float


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """A convex shape in the photo that may be the piece: hull in level-0 pixels, corners or ellipse."""

    hull: Floats
    corners: Floats | None
    ellipse: Any
    share: float
    cut: bool
    pose: Pose | None = None  # of the artwork's frame, in some rotation, once the rim has been measured
    residual: float = float("nan")
    rim_px: Any = None  # measured places of the rim, (n, 2) level-0 pixels


@dataclass(frozen=True, slots=True, eq=False)
class Trial:
    """One placement being tried: pose of the artwork's frame, the outline it came from, how well it fits.

    ``score`` is the correlation of fine structure, ``like`` that of the layout of colours, ``odd_hue`` the share
    of the photo's colours that is hue and belongs to no colour of the artwork, `astray` what speaks
    against so lying a print, as half its squared distance from the likely in standard deviations.
    """

    pose: Pose
    outline: Outline | None
    score: float
    like: float = 0.0
    odd_hue: float = 1.0
    astray: float = 0.0

    @property
    def evidence(self) -> float:
        """Logarithm of the likelihood, relative: structure and colours count as so many independent places each."""
        left = (1 - max(self.score, 0.0) ** 2 + _NEVER_EQUAL) * (1 - max(self.like, 0.0) ** 2 + _NEVER_EQUAL)
        return -0.5 * _PLACES * float(np.log(left)) - self.astray


@dataclass(frozen=True, slots=True, eq=False)
class Offsets:
    """Offsets along a direction at places of the artwork's frame, all in mm.

    Middles (n, 2), directions (n, 2), offsets (n,), weights (n,), and ``growth`` (n,): the offset that 1 mm more
    of every dark shape on every side would give (spreading dye, a lens that blurs light).
    """

    mm: Floats
    normal: Floats
    offset: Floats
    weight: Floats
    growth: Floats


def held_in_place(art: Artwork, loose_mm: float) -> Offsets:
    """Weak rows that hold places without structure where they are for this step."""
    fw, fh = art.frame_mm
    xy = np.stack(np.meshgrid(np.linspace(0.05, 0.95, 5) * fw, np.linspace(0.05, 0.95, 5) * fh), -1).reshape(-1, 2)
    both = np.concatenate([xy, xy])
    nrm = np.concatenate([np.tile([1.0, 0.0], (25, 1)), np.tile([0.0, 1.0], (25, 1))])
    return Offsets(both, nrm, np.zeros(50), np.full(50, loose_mm**-2), np.zeros(50))


def with_scale(pose: Pose, art: Artwork) -> Pose:
    """Note the scale in the middle of the frame with the pose."""
    fw, fh = art.frame_mm
    return replace(pose, px_per_mm=float(local_px_per_mm(pose, np.array([[fw / 2, fh / 2]]))[0]))


def is_sane(pose: Pose, art: Artwork) -> bool:
    """Whether a pose could be a photo of a flat piece: finite, no fold, no extreme foreshortening."""
    fw, fh = art.frame_mm
    xy = np.array([[0, 0], [fw, 0], [fw, fh], [0, fh], [fw / 2, fh / 2]], dtype=float)
    if not np.isfinite(pose.homography).all() or max(abs(pose.k[0]), abs(pose.k[1])) > 0.25:
        return False
    d = np.column_stack([xy, np.ones(5)]) @ pose.homography[2]
    if not ((d > 0).all() or (d < 0).all()):
        return False
    s = local_px_per_mm(pose, xy)
    return bool(np.isfinite(s).all() and s.max() < 4 * s.min() and s.min() > 0.05)


def level_for(levels: list[Level], pose: Pose, px_per_mm: float) -> Level:
    """Give the coarsest level that shows the piece with so many pixels per mm, else the finest."""
    return next((lv for lv in reversed(levels) if pose.px_per_mm * lv.factor >= px_per_mm), levels[0])


def pose_of(h: Any, level: Level, art: Artwork) -> Pose:
    """Turn a homography frame mm → level-0 pixels into a pose without distortion."""
    return with_scale(plain_pose(np.asarray(h, float), level.pixels.shape), art)


def nominal_frame(art: Artwork) -> Floats:
    """Piece mm → frame mm (2, 3) of a print in the middle of its blank."""
    return np.array([[1, 0, art.bleed_mm], [0, 1, art.bleed_mm]], dtype=float)


def apply_affine(affine: Floats, xy: Floats) -> Floats:
    """Places (n, 2) through an affine map (2, 3)."""
    return np.asarray(xy @ affine[:, :2].T + affine[:, 2])


def invert_affine(affine: Floats) -> Floats:
    """Return the map (2, 3) that undoes an affine map."""
    m = np.linalg.inv(np.vstack([affine, [0, 0, 1.0]]))
    return np.asarray(m[:2])


def affine_scales(affine: Floats) -> Floats:
    """Scale along x and y of an affine map."""
    return np.hypot(affine[0, :2], affine[1, :2])


def px_to_mm(pose: Pose, px: Floats) -> Floats:
    """Undo `mm_to_px` (fixed-point iteration on the radius)."""
    c = np.array(pose.centre_px)
    bent = (px - c) / pose.radius_px
    flat = bent.copy()
    for _ in range(12):
        r2 = np.square(flat).sum(axis=1, keepdims=True)
        flat = bent / (1 + pose.k[0] * r2 + pose.k[1] * r2 * r2)
    uv = flat * pose.radius_px + c
    q = np.column_stack([uv, np.ones(len(uv))]) @ np.linalg.inv(pose.homography).T
    return np.asarray(q[:, :2] / q[:, 2:])


def keeps_proportions(art: Artwork) -> bool:
    """Whether one scale places the picture: the file's proportions are those of its frame."""
    fw, fh = art.frame_mm
    return abs(art.file_size_px[0] / art.file_size_px[1] / (fw / fh) - 1) < 0.003


def scaled_up(pose: Pose, art: Artwork, extra_mm: float) -> Pose:
    """Return the placement if the picture had been printed ``extra_mm`` larger on every side."""
    w, h = art.size_mm
    fw, fh = art.frame_mm
    sx, sy = (w + 2 * extra_mm) / w, (h + 2 * extra_mm) / h
    m = np.array([[sx, 0, (1 - sx) * fw / 2], [0, sy, (1 - sy) * fh / 2], [0, 0, 1.0]])
    return with_scale(replace(pose, homography=pose.homography @ m), art)


def turned_about(pose: Pose, art: Artwork, angle: float, flip: bool) -> Pose:
    """Turn the picture about the piece's middle (radians), mirrored before if told so."""
    fw, fh = art.frame_mm
    c = np.array([[1, 0, fw / 2], [0, 1, fh / 2], [0, 0, 1.0]])
    r = np.array([[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1.0]])
    m = c @ r @ np.diag([-1.0 if flip else 1.0, 1, 1]) @ np.linalg.inv(c)
    return with_scale(replace(pose, homography=pose.homography @ m), art)


def distinct(trials: list[Trial], art: Artwork) -> list[Trial]:
    """Leave out placements that are the same as a better one."""
    fw, fh = art.frame_mm
    probe = np.array([[0.2 * fw, 0.2 * fh], [0.8 * fw, 0.2 * fh], [0.5 * fw, 0.85 * fh]])
    kept: list[Trial] = []
    seen: list[tuple[Floats, Any]] = []
    for t in trials:
        at = mm_to_px(t.pose, probe)
        near = 0.02 * t.pose.px_per_mm * max(fw, fh)
        if all(o is not t.outline or float(np.abs(at - other).max()) > near for other, o in seen):
            kept.append(t)
            seen.append((at, t.outline))
    return kept


def rim_points(art: Artwork, count: int) -> tuple[Floats, Floats, Any]:
    """Places on the nominal rim in piece mm (n, 2), outward normals (n, 2), their stretch (n,)."""
    w, h = art.size_mm
    if art.shape == "round":
        a = 2 * np.pi * (np.arange(count) + 0.5) / count
        pts = np.stack([w / 2 + w / 2 * np.cos(a), h / 2 + h / 2 * np.sin(a)], axis=1)
        nrm = np.stack([np.cos(a) / w, np.sin(a) / h], axis=1)
        return pts, nrm / np.linalg.norm(nrm, axis=1, keepdims=True), (np.arange(count) * 12 // count)
    n = count // 4
    s = 0.03 + 0.94 * (np.arange(n) + 0.5) / n
    o, i = np.zeros(n), np.ones(n)
    pts = np.concatenate([np.stack(p, 1) for p in ((s * w, o), (w * i, s * h), (s * w, h * i), (o, s * h))])
    nrm = np.repeat(np.array([[0, -1.0], [1, 0], [0, 1], [-1, 0]]), n, axis=0)
    return pts, nrm, np.repeat(np.arange(4), n)


def rim_hull(art: Artwork) -> Floats:
    """Return the nominal rim as a closed polygon in piece mm."""
    w, h = art.size_mm
    if art.shape == "round":
        return rim_points(art, 120)[0]
    t = np.linspace(0, 1, 12, endpoint=False)[:, None]
    c = np.array([[0, 0], [w, 0], [w, h], [0, h], [0, 0]], dtype=float)
    return np.concatenate([a + t * (b - a) for a, b in itertools.pairwise(c)])
