"""Stray light of lens and camera, from a hole that gives back nothing: the mouth of a lined box in white card.

A cavity lined with dark cloth gives back a tenth of a per cent or less, so what the photo shows there is light that
strayed: veiling glare as ISO 9358 measures it (from memory), in the user's own light. It grows with how bright the
whole frame is, so it is kept relative to the mean of the frame and counted anew for every photo.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..ground.errors import PhotoError
from ..ground.records import Floats, LinearImage
from .camera import linearise

_SIDE = 480  # px along the longer side
_DARK = 0.25  # of the white beside it: what is darker may be the hole
_LEAST, _MOST = 0.03, 0.45  # diameter of the hole, share of the longer side
_ROUND = 0.6  # area of the hole over that of the circle round it
_CAVITY = 0.001  # what a lined box gives back, share of white: taken off, and its error
_ADVICE = "photograph a dark hole, a hand's breadth from its rim to the frame, in white card, lit as your pieces are"


@dataclass(frozen=True, slots=True, eq=False)
class DarkHole:
    """Stray light: ``share`` of the white beside the hole; ``of_mean`` of the frame's mean signal; errors of both."""

    share: float
    share_std: float
    of_mean: float
    of_mean_std: float


def measure_hole(image: LinearImage, tone: Floats) -> DarkHole:
    """Measure the hole against the white around it.

    Parameters
    ----------
    image : LinearImage
        White card all round, one dark hole in it.
    tone : (k,)
        The camera's tone curve for `camera.linearise`, empty when it is as assumed.

    Raises
    ------
    PhotoError
        No hole, more than one, or white that is clipped.
    """
    tall, wide = image.rgb.shape[:2]
    factor = min(1.0, _SIDE / max(tall, wide))
    size = (max(8, round(wide * factor)), max(8, round(tall * factor)))
    small = np.asarray(cv2.resize(image.rgb, size, interpolation=cv2.INTER_AREA), float)
    grey = linearise(small, tone).mean(axis=2)
    clipped = cv2.resize((image.clipped & 1).astype(np.float32), size, interpolation=cv2.INTER_AREA)
    white = float(np.percentile(grey, 80))
    number, label, stats, _ = cv2.connectedComponentsWithStats((grey < _DARK * white).astype(np.uint8))
    holes = []
    for k in range(1, number):
        x, y, w, h, area = stats[k]
        round_ = area / (np.pi / 4 * max(w, h) ** 2)
        inside = x > 0 and y > 0 and x + w < size[0] and y + h < size[1]
        if inside and _LEAST * max(size) < max(w, h) < _MOST * max(size) and round_ > _ROUND:
            holes.append(k)
    if len(holes) != 1:
        raise PhotoError(f"{image.source} shows {'no' if not holes else 'more than one'} dark hole in white", _ADVICE)
    hole = (label == holes[0]).astype(np.uint8)
    radius = max(2, round(float(np.sqrt(hole.sum() / np.pi))))
    away = cv2.distanceTransform(1 - hole, cv2.DIST_L2, 5)
    ring = (away > 0.5 * radius) & (away < 1.5 * radius)
    core = cv2.distanceTransform(hole, cv2.DIST_L2, 5) > 0.4 * radius
    if float(clipped[ring].mean()) > 0.02:
        raise PhotoError(f"the white round the hole is blank in {image.source}", "expose it darker, as your pieces are")
    beside = float(np.median(grey[ring]))
    seen = float(np.median(grey[core])) / beside
    unsure = max(float(np.percentile(grey[core], 75) - np.percentile(grey[core], 25)) / beside / 4, 0.0003)
    share = max(seen - _CAVITY, 0.0)
    std = float(np.hypot(unsure, _CAVITY / 2))
    mean = float(grey.mean()) / beside
    return DarkHole(share, std, share / mean, std / mean)
