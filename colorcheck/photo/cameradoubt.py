"""What a camera that was only balanced on the bare coat may do to the colours of a print.

A sensor sees inks otherwise than an eye does: the maker's matrix mixes its channels, an ink that is grey to the
eye leans to a hue, the more so under lamps of few bands. One photo cannot tell this from a print of that
colour; but it cannot be anything either. Its modes are channel mixing (6), and an exponent for each channel that
acts on all tones (3) or on the light ones (3). How large they are and how they go together was found with
published sensor sensitivities, lamps and dyes by ``tests/calibrate/camera_doubt.py``; its output with the
provenance is ``cameradoubt.json`` beside this file.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any

import numpy as np

from ..ground.records import Floats

MODES = 12
_DARKEST = 2e-3
TONE_STD = 0.03  # of the exponent of a phone's tone curve against sRGB; from simulation


@dataclass(frozen=True, slots=True, eq=False)
class CameraDoubt:
    """Amounts of the modes are normal with covariance ``spread @ spread.T``, (12, 12), about none.

    ``rest`` is the scatter about the modes, on the cube root of a channel.
    """

    spread: Floats
    rest: float
    provenance: dict[str, Any]


@lru_cache(maxsize=8)
def camera_doubt(trust: str, tone_std: float = TONE_STD) -> CameraDoubt:
    """Doubt of a camera: 'balanced', or 'referenced' with inks or light other than it was taught with.

    ``tone_std`` is the error of the exponent of its tone curve, smaller where the set-up was checked.
    """
    table = json.loads(files("colorcheck.photo").joinpath("cameradoubt.json").read_text(encoding="utf-8"))
    own = table[trust]
    covariance = np.array(own["covariance"])
    covariance[6:9, 6:9] += tone_std**2  # the tone curve of the file, alike in all channels
    return CameraDoubt(np.linalg.cholesky(covariance), float(own["rest"]), table["provenance"])


def cameras(doubt: CameraDoubt, count: int) -> Floats:
    """Amounts of the modes of ``count`` cameras, (count, 12); always the same."""
    rng = np.random.Generator(np.random.PCG64(20))
    return np.asarray(rng.standard_normal((count, MODES)) @ doubt.spread.T)


def modes(rgb_rel: Floats) -> Floats:
    """Change of the logarithm of every channel with each mode.

    Parameters
    ----------
    rgb_rel : (n, 3)
        Linear colour relative to the bare coat.

    Returns
    -------
    (n, 3, 12)
        All zero at the bare coat, which is what the camera was balanced on.
    """
    y = np.maximum(rgb_rel, _DARKEST)
    out = np.zeros((len(y), 3, MODES))
    k = 0
    for c in range(3):
        for j in range(3):
            if j != c:
                # a share of another channel, no more than doubles or removes a dark one
                out[:, c, k] = np.tanh((y[:, j] - y[:, c]) / y[:, c])
                k += 1
    for c in range(3):
        out[:, c, 6 + c] = np.log(y[:, c])
        out[:, c, 9 + c] = 1 - y[:, c]
    return out


def seen_by(rgb_rel: Floats, amounts: Floats) -> Floats:
    """Colours as a camera with these ``amounts`` (12,) of the modes sees them, (n, 3)."""
    y = np.maximum(rgb_rel, _DARKEST)
    return np.asarray(y * np.exp(modes(y) @ amounts))
