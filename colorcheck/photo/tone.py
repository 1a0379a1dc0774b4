"""Does the camera's tone curve follow the light? Told from how tones change where the light changes.

In linear light every tone answers the lamp alike: twice the light, twice the signal. Under
a picture-enhancing curve the white cells answer less than the grey field, and an uneven
lamp would pass for uneven pressing. The slope of each tone's logarithm against the light's,
relative to white, is fitted as a smooth function of the tone and taken out. A power law
common to all tones is not identifiable this way and stays in the stated uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..ground.records import Floats
from ..ground.robust import robust_least_squares

_DARKEST = np.log(0.02)
_PRIOR_STD = 0.15


@dataclass(frozen=True, slots=True, eq=False)
class Tone:
    """Excess slope a·u + b·u² of tones, u = 0 at white and 1 at 2 % reflectance, with errors."""

    a: float
    b: float
    std: float
    field_slope: float


def _depth(rho: Floats) -> Floats:
    return np.asarray(np.clip(np.log(np.clip(rho, 1e-4, 1.0)) / _DARKEST, 0.0, 1.3))


def fit_tone(log_light: Floats, rho: Floats, excess: Floats, std: Floats, *, field_rho: float) -> Tone:
    """Fit the excess slope.

    Parameters
    ----------
    log_light : (n,)
        Logarithm of the light at each datum, from its mean.
    rho, excess, std : (n,)
        Expected relative signal, log(seen / expected), and the error of that.
    field_rho : float
        Relative signal of the field, for the summary slope.

    Returns
    -------
    Tone
        All zero when the light is too even to tell or nothing is significant.
    """
    none = Tone(0.0, 0.0, _PRIOR_STD, 0.0)
    if len(excess) < 20 or float(np.std(log_light)) < 0.02:
        return none
    u = _depth(rho)
    a = np.stack([np.ones_like(u), u, u * log_light, u * u * log_light], axis=1)
    x, robust, scale = robust_least_squares(a / std[:, None], excess / std, ridge=0.0)
    w = robust / (std * max(scale, 1.0)) ** 2
    n = (a.T @ (a * w[:, None])) + np.diag([0, 0, _PRIOR_STD**-2, _PRIOR_STD**-2])
    cov = np.linalg.inv(n)
    x = cov @ (a.T @ (w * excess))
    part = x[2:]
    chi2 = float(part @ np.linalg.solve(cov[2:, 2:], part))
    uf = float(_depth(np.array([field_rho]))[0])
    row = np.array([uf, uf * uf])
    slope, slope_std = float(row @ part), float(np.sqrt(row @ cov[2:, 2:] @ row))
    if chi2 < 14.0:  # about one in a thousand by chance
        return Tone(0.0, 0.0, slope_std, 0.0)
    return Tone(float(part[0]), float(part[1]), slope_std, slope)


def tone_gain(tone: Tone, rho: Floats, log_light: Floats) -> Floats:
    """Factor by which a tone reads too bright under this light; divide by it."""
    u = _depth(rho)
    return np.asarray(np.exp((tone.a * u + tone.b * u * u) * log_light))
