"""Where to start from: placements by outline, by unrolled rotation and by features, ranked by likeness.

Features are those of Lowe (IJCV 60(2), 91–110, 2004, doi 10.1023/B:VISI.0000029664.99615.94).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import cv2
import numpy as np

from ..ground.records import Pose
from .artwork import Artwork
from .outline import poses_from_corners, poses_from_ellipse, to_bytes
from .overlay import Template, colour_likeness, compare_at, make_template, smoothed, warp_photo
from .placement import Level, Outline, Trial, is_sane, pose_of, scaled_up, turned_about


def _round_trials(levels: list[Level], o: Outline, art: Artwork) -> list[Trial]:
    """Placements of a round piece in the rotations that look right."""
    poses = [p for p in poses_from_ellipse(o, levels[0], art) if is_sane(p, art)]
    if o.pose is not None:
        poses = [*poses[1:], o.pose] if len(poses) == 1 else [*poses, o.pose]
    trials = [Trial(pose=p, outline=o, score=0.0) for p in poses]
    if not art.bleed_known:
        trials += [replace(t, pose=scaled_up(t.pose, art, b)) for t in trials for b in (5.0, 10.0)]
    if abs(art.size_mm[0] - art.size_mm[1]) > 0.02 * max(art.size_mm):
        return trials
    return [r for t in trials for r in _rotations(levels, t, art, 6)]


def _rotations(levels: list[Level], trial: Trial, art: Artwork, most: int) -> list[Trial]:
    """Rotations of a round piece, straight and mirrored, in which photo and artwork agree around the middle.

    Both are unrolled into polar coordinates and compared at all angles at once (circular correlation).
    """
    t = make_template(art, 176, 0.6)
    w, ok = warp_photo(levels, trial.pose, art, t, trial.outline)
    grey = [w.mean(axis=2), np.log((t.terms[..., 1:4].mean(axis=2) + 1) / 2 + 0.08)]
    h, wd = ok.shape
    turns, rings = 512, 56
    a = 2 * np.pi * np.arange(turns) / turns
    r = (np.arange(rings) + 0.5) / rings * 0.95
    x = (wd / 2 - 0.5 + r[:, None] * art.size_mm[0] / 2 * t.g * np.cos(a)).astype(np.float32)
    y = (h / 2 - 0.5 + r[:, None] * art.size_mm[1] / 2 * t.g * np.sin(a)).astype(np.float32)
    polar = []
    for tone in grey:
        g = (tone - smoothed(tone, 12.0)).astype(np.float32)
        p = cv2.remap(g, x, y, cv2.INTER_LINEAR) * np.sqrt(r)[:, None]
        p = np.clip(p, -3 * p.std(), 3 * p.std())
        p -= p.mean(axis=1, keepdims=True)
        polar.append(np.fft.rfft(p, axis=1))
    size = float(np.sqrt(np.prod([np.sum(np.abs(p[:, 1:]) ** 2) for p in polar]))) * 2 / turns + 1e-9
    found = []
    for flip in (False, True):
        # mirrored: x → −x, that is angle → π − angle
        art_side = np.conj(polar[1]) * np.exp(-1j * np.pi * np.arange(polar[1].shape[1])) if flip else polar[1]
        c = np.fft.irfft((polar[0] * np.conj(art_side)).sum(axis=0), turns) / size
        peak = (c >= np.roll(c, 1)) & (c > np.roll(c, -1))
        found += [(float(c[i]), a[i], flip) for i in np.flatnonzero(peak)]
    found.sort(key=lambda v: -v[0])
    found = [v for v in found if v[0] > 0.6 * found[0][0]]
    return [replace(trial, pose=turned_about(trial.pose, art, angle, flip), score=c) for c, angle, flip in found[:most]]


def alternatives(levels: list[Level], trial: Trial, art: Artwork, t: Template) -> list[Trial]:
    """List the same place with the picture turned or mirrored, best first."""
    if art.shape == "round" and abs(art.size_mm[0] - art.size_mm[1]) < 0.02 * max(art.size_mm):
        others = _rotations(levels, trial, art, 26)
    else:
        square = abs(np.log(art.size_mm[0] / art.size_mm[1])) < 0.12
        others = [
            replace(trial, pose=turned_about(trial.pose, art, k * np.pi / 2, flip))
            for flip in (False, True)
            for k in ((0, 1, 2, 3) if square else (0, 2))
            if flip or k
        ]
    seen = compare_at(levels, trial, art, t, 8.0).colours
    others = [replace(o, score=compare_at(levels, o, art, t, 8.0, seen).score) for o in others if is_sane(o.pose, art)]
    return sorted(_liked(levels, others, art), key=lambda v: -v.evidence)


def _liked(levels: list[Level], trials: list[Trial], art: Artwork) -> list[Trial]:
    """Note with placements how alike the layout of colours is."""
    t = make_template(art, 44, 1.0)
    told = (colour_likeness(levels, v, art, t) for v in trials)
    return [replace(v, like=like, odd_hue=odd) for v, (like, odd) in zip(trials, told, strict=True)]


def placements_by_features(levels: list[Level], art: Artwork) -> list[Trial]:
    """Placements from matching features, straight and mirrored; the best-supported first."""
    level = min(levels, key=lambda lv: abs(max(lv.pixels.shape[:2]) - 1000))
    grey = level.pixels[..., :3].mean(axis=2)
    low, high = np.percentile(grey[::4, ::4], [0.5, 99.5])
    photo = np.clip((grey - low) / max(float(high - low), 0.1) * 255, 0, 255).astype(np.uint8)
    f = min(1.0, 520.0 / max(art.rgb.shape[:2]))
    small = cv2.resize(art.rgb, None, fx=f, fy=f, interpolation=cv2.INTER_AREA)
    fx, fy = small.shape[1] / art.rgb.shape[1], small.shape[0] / art.rgb.shape[0]
    tone = cv2.log(small.astype(np.float32).mean(axis=2) / 255 + 0.15)
    drawn = to_bytes(tone)
    sift = getattr(cv2, "SIFT_create")(  # noqa: B009  (missing from OpenCV's type stubs)
        nfeatures=2500, contrastThreshold=0.02
    )
    key_p, des_p = sift.detectAndCompute(photo, None)
    out: list[tuple[int, Pose]] = []
    if des_p is None or len(key_p) < 8:
        return []
    at_p = np.array([k.pt for k in key_p])
    matcher = cv2.BFMatcher(cv2.NORM_L2)
    for flip in (False, True):
        view = np.ascontiguousarray(drawn[:, ::-1]) if flip else drawn
        key_a, des_a = sift.detectAndCompute(view, None)
        if des_a is None or len(key_a) < 8:
            continue
        at_a = np.array([k.pt for k in key_a])
        if flip:
            at_a[:, 0] = drawn.shape[1] - 1 - at_a[:, 0]
        pairs = [p for p in matcher.knnMatch(des_a, des_p, k=2) if len(p) == 2 and p[0].distance < 0.82 * p[1].distance]
        if len(pairs) < 8:
            continue
        a = (at_a[[p[0].queryIdx for p in pairs]] + 0.5) / ([fx * art.px_per_mm, fy * art.px_per_mm])
        b = (at_p[[p[0].trainIdx for p in pairs]] + 0.5) / level.factor - 0.5
        cv2.setRNGSeed(7)
        m, inlier = cv2.findHomography(a, b, cv2.RANSAC, 5.0 / level.factor, maxIters=3000, confidence=0.999)
        if m is None or int(inlier.sum()) < 8:
            continue
        pose = pose_of(m, levels[0], art)
        if is_sane(pose, art):
            out.append((int(inlier.sum()), pose))
    found = [Trial(pose=p, outline=None, score=0.0) for _, p in sorted(out, key=lambda v: -v[0])]
    return _liked(levels, found, art)


def placements_to_try(levels: list[Level], art: Artwork, outlines: list[Outline], hints: Iterable[Pose]) -> list[Trial]:
    """Placements from earlier photos and from outlines, the likeliest by their colours first."""
    trials = [Trial(pose=p, outline=None, score=0.0) for p in hints]
    for o in outlines:
        if o.ellipse is not None:
            trials += _round_trials(levels, o, art)
            continue
        poses = [p for p in poses_from_corners(o, levels[0], art) if is_sane(p, art)]
        if not art.bleed_known:
            poses += [scaled_up(p, art, b) for p in poses for b in (5.0, 10.0)]
        trials += [Trial(pose=p, outline=o, score=0.0) for p in poses]
    return sorted(_liked(levels, trials, art), key=lambda t: -t.evidence)
