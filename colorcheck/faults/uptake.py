"""How much of the dye the whole piece took up: against another reading of the same print, or against its aim.

Pressed too short, a piece lacks the same share of every dye everywhere: every density is multiplied by one
number, whatever its depth. A wrong profile bends one tone or one ink against the others. So the densities of
each channel are laid over those that were due, and the factor is asked how much of the difference it explains.
"""

from __future__ import annotations

import numpy as np

from ..ground.cielab import lab_to_xyz, xyz_to_linear_srgb
from ..ground.records import Accuracy, CellKind, Floats, Mask, Target, Uptake
from ..ground.robust import tukey_weights
from ..photo.cameradoubt import TONE_STD

_LEAST, _MOST = 0.06, 1.0  # density between which noise and the coat's own floor hardly tell
_FEW = 8
# of a camera's exponent, which multiplies densities likewise; of a balanced one the sensor's part, without the curve's
_TONE_STD = {"referenced": 0.02, "balanced": 0.04}
_SAME_CAMERA = 0.5  # share of that which two readings by the same camera do not have in common


def _density(lab: Floats) -> Floats:
    return np.asarray(-np.log10(np.clip(xyz_to_linear_srgb(lab_to_xyz(lab)), 1e-3, 2.0)))


def measure_uptake(
    target: Target, lab: Floats, due: Floats, usable: Mask, *, trust: str, reference: str, tone_std: float = TONE_STD
) -> Uptake:
    """Compare the dye of a piece with that which was due.

    Parameters
    ----------
    target : Target
    lab, due : (n, 3)
        Media-relative CIELAB seen, and due: of another reading of the same print, or the aim of the numbers sent.
    usable : (n,) bool
    trust : {'balanced', 'referenced'}
    reference : str
        Name of the other reading; empty: the aim.
    tone_std : float
        Error of the exponent of a balanced camera's tone curve.

    Returns
    -------
    Uptake
        ``share`` the median of the three channels' factors, so that one ink alone does not count as the press;
        ``explained`` the part of the squared differences of density that the three factors take away.
    """
    ok = usable & (target.kind != CellKind.WHITE) & np.isfinite(lab).all(axis=1) & np.isfinite(due).all(axis=1)
    seen, wanted = _density(lab), _density(due)
    factors, errors = [], []
    before = after = 0.0
    for c in range(3):
        at = ok & (wanted[:, c] > _LEAST) & (wanted[:, c] < _MOST)
        if at.sum() < _FEW:
            continue
        x, y = wanted[at, c], seen[at, c]
        w = np.ones(len(x))
        k = 1.0
        for _ in range(6):
            k = float((w * x * y).sum() / (w * x * x).sum())
            w = tukey_weights(y - k * x, max(1.4826 * float(np.median(np.abs(y - k * x))), 0.004))
        factors.append(k)
        errors.append(float(np.sqrt((w * (y - k * x) ** 2).sum() / max(w.sum() - 1, 1) / (w * x * x).sum())))
        before += float((w * (y - x) ** 2).sum())
        after += float((w * (y - k * x) ** 2).sum())
    if not factors:
        return Uptake(float("nan"), float("nan"), 0.0, reference)
    own = _TONE_STD["referenced"] if trust == "referenced" else float(np.hypot(_TONE_STD["balanced"], tone_std))
    tone = own * (_SAME_CAMERA if reference else 1.0)
    std = float(np.hypot(np.mean(errors), tone))
    return Uptake(float(np.median(factors)), std, 1.0 - after / max(before, 1e-9), reference)


def uptake_of_piece(
    target: Target, colour: Accuracy, *, trust: str, printed: str, tone_std: float = TONE_STD
) -> Uptake | None:
    """Measure a piece's dye against the reading it was compared with, or its aim; None where neither tells."""
    if printed == "raw" and not colour.against:
        return None
    return measure_uptake(
        target,
        colour.even_lab,
        colour.aim_lab,
        colour.used,
        trust=trust,
        reference=colour.against,
        tone_std=tone_std,
    )
