"""Find out whether the camera brightened dark places and darkened bright ones by itself ("HDR", "enhance").

Such local tone mapping divides by a power of the brightness that surrounds a place. The bare coat is the
same everywhere, so white cells must not be brighter where their neighbourhood happens to be dark. Heat cannot
change bare coat, so pressing does not disturb this. But a lens that darkens the corners and a lamp to one side
change white cells too, and on a small sheet, where few white cells tell, either may look like the camera's
doing. So the causes compete: lamp and lens alone, or lamp, lens and local tone. Each is a Gaussian process of
few terms with a physical range; what the evidence (the likelihood with all terms integrated out) does not
favour clearly is not blamed. C. E. Rasmussen, C. K. I. Williams, *Gaussian Processes for Machine Learning*
(2006), sections 2.7 and 5.2; the scale of Bayes factors is that of R. E. Kass, A. E. Raftery, J. Am. Stat.
Assoc. 90, 773-795 (1995): 20 and more is strong evidence (figure from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..ground.geometry import mm_to_px
from ..ground.records import CellKind, Floats, LinearImage, Mask, Pose, Target
from ..ground.robust import polynomial_terms

LIMIT = 0.08  # exponent from where the photo should be taken again
REACHES = (0.035, 0.055, 0.085, 0.13)  # blur as a share of the photo's longer side
_SIDE = 192  # the photo is looked at this coarsely
_DEGREE = 3  # of the lamp's light over the piece
# Standard deviation of the lamp's terms of each degree, logarithm at the piece's rim: a lamp at the distance of
# two half-diagonals gives about 0.5, 0.2 and 0.07 (inverse square and cosine, expanded); further ones give less
_LAMP = (10.0, 0.5, 0.2, 0.07)
# of the lens's fall-off with the square and the fourth power of the distance from the photo's middle, at its
# corner: cos^4 of 37 degrees, a wide-angle phone lens, is exp(-0.9)
_LENS = (0.6, 0.3)
SLOPE_STD = 0.3  # of the sought exponent, before looking
_NOISES = (0.0015, 0.0021, 0.003, 0.0042, 0.006, 0.0085, 0.012, 0.017, 0.024)  # relative; of single white cells
_CLEAR = 3.0  # logarithm of a Bayes factor of 20
_FEW = 4


@dataclass(frozen=True, slots=True, eq=False)
class LocalTone:
    """Local tone mapping found in one photo.

    ``strength`` the exponent (0: none, 0.5: half of every large contrast is gone), ``std`` its error,
    ``limit`` from where the photo should be refused, ``noticed`` whether it lies above it for sure,
    ``error`` the relative error it may leave in the cells, ``places`` how many white cells told.
    """

    strength: float
    std: float
    limit: float
    noticed: bool
    error: float
    places: int


def neighbourhood(image: LinearImage, pose: Pose, xy_mm: Floats) -> Floats:
    """Logarithm of the brightness round places on the piece, one column for each of `REACHES`, (n, r)."""
    tall, wide = image.rgb.shape[:2]
    factor = min(1.0, _SIDE / max(tall, wide))
    size = (max(2, round(wide * factor)), max(2, round(tall * factor)))
    small = cv2.resize(image.rgb, size, interpolation=cv2.INTER_AREA).mean(axis=2)
    px = mm_to_px(pose, xy_mm)
    x = ((px[:, 0] + 0.5) * size[0] / wide - 0.5).astype(np.float32)[:, None]
    y = ((px[:, 1] + 0.5) * size[1] / tall - 0.5).astype(np.float32)[:, None]
    columns = []
    for reach in REACHES:
        broad = cv2.GaussianBlur(small, (0, 0), reach * max(size))
        columns.append(np.log(cv2.remap(broad, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[:, 0] + 0.02))
    return np.stack(columns, axis=1).astype(float)


def _weigh(terms: Floats, prior_std: Floats, y: Floats) -> tuple[Floats, Floats, Floats]:
    """Log evidence of ``y`` for each noise, and mean and variance of the last term's coefficient there."""
    known = (terms * prior_std**2) @ terms.T
    pull = prior_std[-1] ** 2 * terms[:, -1]
    out = []
    for noise in _NOISES:
        factor = np.linalg.cholesky(known + noise**2 * np.eye(len(y)))
        z, g = np.linalg.solve(factor, y), np.linalg.solve(factor, pull)
        out.append((-0.5 * z @ z - np.log(np.diag(factor)).sum(), g @ z, prior_std[-1] ** 2 - g @ g))
    evidence, mean, variance = np.array(out).T
    return evidence, mean, variance


def _log_mean(evidence: Floats) -> float:
    top = float(evidence.max())
    return top + float(np.log(np.mean(np.exp(evidence - top))))


def judge_local_tone(
    near: Floats,
    white: Floats,
    xy_mm: Floats,
    size_mm: tuple[float, float],
    off_axis: Floats,
    *,
    limit: float,
    likely_std: float = SLOPE_STD,
) -> LocalTone:
    """Let lamp and lens alone compete with lamp, lens and local tone for the white cells' signal.

    Parameters
    ----------
    near : (n, r)
        From `neighbourhood`.
    white : (n,)
        Logarithm of the white cells' signal.
    xy_mm : (n, 2)
    off_axis : (n,)
        Distance from the photo's middle, 1 in its corners.
    likely_std : float
        How large the exponent may be before one looks.

    Returns
    -------
    LocalTone
    """
    n = len(white)
    if n < _FEW:
        return LocalTone(0.0, np.inf, limit, False, 0.0, n)
    unit = (xy_mm - np.array(size_mm) / 2) / (max(size_mm) / 2)
    lamp = polynomial_terms(unit[:, 0], unit[:, 1], _DEGREE)
    degrees = [k for k in range(_DEGREE + 1) for _ in range(k + 1)]
    terms = np.column_stack([lamp, off_axis**2, off_axis**4])
    prior = np.array([*(_LAMP[k] for k in degrees), *_LENS])
    y = white - np.median(white)
    without = _log_mean(_weigh(terms, prior, y)[0])
    # what is seen is already flattened: its own contrast is (1 - exponent) of the scene's
    fits = [
        _weigh(np.column_stack([terms, near[:, k].mean() - near[:, k]]), np.append(prior, likely_std), y)
        for k in range(near.shape[1])
    ]
    evidence, mean, variance = (np.concatenate(v) for v in zip(*fits, strict=True))
    share = np.exp(evidence - evidence.max())
    share = share / share.sum()
    slope = float(share @ mean)
    std = float(np.sqrt(share @ (variance + mean**2) - slope**2))
    favoured = _log_mean(evidence) - without
    strength = slope / (1.0 + slope) if slope > -0.5 else slope
    contrast = float(near.std(axis=0).mean())
    return LocalTone(
        strength=strength,
        std=std,
        limit=limit,
        noticed=strength > limit and favoured > _CLEAR,
        error=strength * contrast if strength > 0 and favoured > 0 else 0.0,
        places=n,
    )


def check_local_tone(
    image: LinearImage,
    pose: Pose,
    target: Target,
    signal: Floats,
    usable: Mask,
    *,
    limit: float = LIMIT,
    likely_std: float = SLOPE_STD,
) -> LocalTone:
    """Compare the white cells over the whole frame with the brightness of their neighbourhood.

    Parameters
    ----------
    image : LinearImage
        The photo in which `pose` holds.
    pose : Pose
    target : Target
    signal : (n, 3)
        Cells in the photo's linear units, glare taken off, light still in.
    usable : (n,) bool
        Cells free of glare, clipping and cover.
    limit, likely_std : float
        As for `judge_local_tone`.

    Returns
    -------
    LocalTone
    """
    white = (target.kind == CellKind.WHITE) & usable & (signal.min(axis=1) > 0)
    xy = target.centres_mm[white]
    near = neighbourhood(image, pose, xy) if white.any() else np.zeros((0, len(REACHES)))
    level = np.log(np.maximum(signal[white], 1e-6)).mean(axis=1)
    half = np.array(image.rgb.shape[1::-1]) / 2
    off_axis = np.linalg.norm(mm_to_px(pose, xy) + 0.5 - half, axis=1) / np.linalg.norm(half)
    return judge_local_tone(near, level, xy, target.size_mm, off_axis, limit=limit, likely_std=likely_std)
