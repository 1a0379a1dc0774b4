"""Light taken out of the cells → media-relative CIELAB, density, uncertainty, flags."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..ground.cielab import delta_e00, density_from_y, linear_srgb_to_xyz
from ..ground.records import CellFlag, Cells, CellSamples, Floats, Light
from ..ground.relative import relative_lab, relative_to_coat, without_veil
from ..photo.cameradoubt import TONE_STD, camera_doubt, cameras, seen_by

_VEIL = 0.004  # unknown even veil, share of white
_BOUND = 0.23  # relative error of Y from which a density, wrong by 0.1, is called a lower bound
_STRAY = 0.0015  # change of even stray light between photos, share of white; from simulation
_DRAWS = 48


def _system_uncertainty(rgb_rel: Floats, lab: Floats, veil_std: float, tone_std: float) -> Floats:
    """ΔE00 spread of the same cells seen by an ensemble of plausible phones, (n,)."""
    rng = np.random.Generator(np.random.PCG64(20))
    total = np.zeros(len(rgb_rel))
    for amounts in cameras(camera_doubt("balanced", tone_std), _DRAWS):
        other = seen_by(rgb_rel, amounts)
        other = (other + abs(rng.normal(0, veil_std))) / (1 + veil_std)
        total += delta_e00(relative_lab(other), lab) ** 2
    return np.asarray(np.sqrt(total / _DRAWS))


def noise_uncertainty(rgb_rel: Floats, std_rel: Floats) -> Floats:
    """ΔE00 of independent channel errors ``std_rel`` (n, 3), by finite differences, (n,)."""
    lab = relative_lab(rgb_rel)
    total = np.zeros(len(rgb_rel))
    for c in range(3):
        moved = rgb_rel.copy()
        moved[:, c] += std_rel[:, c]
        total += delta_e00(relative_lab(moved), lab) ** 2
    return np.asarray(np.sqrt(total))


def measure(
    samples: CellSamples,
    light: Light,
    *,
    g_std: Floats,
    glare: Any,
    covered: Any,
    model_error: float,
    veil: Floats | None = None,
    tone_std: float = TONE_STD,
) -> Cells:
    """Turn cell samples into colour.

    Parameters
    ----------
    samples : CellSamples
    light : Light
    g_std : (n,)
        Error of the additive light at the cells, relative to the coat; counted in glare.
    glare : (n,) bool
        Which cells lie in glare.
    covered : (n,) bool
        Which cells something lies on.
    model_error : float
        What the lighting model leaves unexplained, relative.
    veil : (n, 3), optional
        Share that even stray light has in the coat's signal at every cell, to be taken off.
    tone_std : float
        Error of the exponent of the camera's tone curve.

    Returns
    -------
    Cells
        Trust ``balanced``: the camera is taken as the sRGB it claims to be; what phones
        differ in goes into ``u_system``.
    """
    rgb_rel = relative_to_coat(samples.rgb, light.g_cell, light.e_cell)
    if veil is not None and veil.any():
        rgb_rel = np.where(rgb_rel > 0, np.maximum(without_veil(rgb_rel, veil), 1e-4), rgb_rel)
    veil_std = light.veil_std if light.veil_known else _VEIL
    lab = relative_lab(rgb_rel)
    y = linear_srgb_to_xyz(rgb_rel)[:, 1]
    flags = samples.flags.copy()
    flags[glare] |= int(CellFlag.GLARE)
    flags[covered] |= int(CellFlag.HIDDEN)
    flags[veil_std > _BOUND * np.maximum(y, 1e-5)] |= int(CellFlag.DENSITY_BOUND)
    # neighbouring pixels of a JPEG share their noise: about eight count as one
    independent = np.maximum(samples.pixels / 8.0, 1.0)
    std = samples.spread / light.e_cell / np.sqrt(independent)[:, None]
    u_noise = noise_uncertainty(rgb_rel, std)
    shift = np.where(glare, g_std, 0.0)
    u_glare = delta_e00(relative_lab(rgb_rel + shift[:, None]), lab)
    scale = np.hypot(light.e_std, model_error)
    u_light = delta_e00(relative_lab(rgb_rel * (1 + scale[:, None])), lab)
    # what a change of the surroundings does through lens and glass between two photos of one piece
    u_stray = delta_e00(relative_lab(rgb_rel + _STRAY), lab)
    u_random = np.sqrt(u_noise**2 + u_glare**2 + u_light**2 + u_stray**2 + 0.2**2)
    clipped = (flags & (CellFlag.CLIPPED | CellFlag.HIDDEN)) > 0
    u_random = np.where(clipped, np.maximum(u_random, 10.0), u_random)
    u_system = _system_uncertainty(rgb_rel, lab, veil_std, tone_std)
    return Cells(
        rgb_rel=rgb_rel,
        lab=lab,
        lab_absolute=None,
        density=density_from_y(np.maximum(y, 1e-5), 1.0),
        u_noise=u_random,
        u_system=u_system,
        uncertainty=np.hypot(u_random, u_system),
        flags=flags,
        centre_px=samples.centre_px,
        photos=1,
    )
