"""Camera or print: what of the deviations seen could be the camera's doing alone.

A camera balanced on the coat may tint greys and mix channels, within known bounds that go together as a sensor's
do (`cameradoubt`). Among all cameras but the furthest hundredth the one is taken that explains the deviations best;
what it leaves is the print's whatever the camera: a figure less twice its doubt.
"""

from __future__ import annotations

import numpy as np

from ..ground.records import Floats, Mask
from ..photo.cameradoubt import CameraDoubt, modes

_REACH = 2.33  # standard deviations, one side: one camera in a hundred is further out
_DARKEST = 2e-3


def without_camera(seen: Floats, due: Floats, used: Mask, doubt: CameraDoubt, *, strength: float = 1.0) -> Floats:
    """Colours with the most taken off that a likely camera can have done.

    Parameters
    ----------
    seen, due : (n, 3)
        Linear colour relative to the coat; what was due.
    used : (n,) bool
        Cells that tell.
    doubt : CameraDoubt
    strength : float
        Share of the camera's part that is in question.

    Returns
    -------
    (n, 3)
        Least squares on a ball: A. E. Hoerl, R. W. Kennard, Technometrics 12(1), 55–67 (1970), with the ridge at
        which the amounts reach the bound.
    """
    y = np.maximum(due, _DARKEST)
    weight = np.cbrt(y) * used[:, None]
    spread = strength * doubt.spread
    a = (modes(y) * weight[..., None]).reshape(y.size, -1) @ spread
    b = (np.log(np.maximum(seen, _DARKEST) / y) * weight).ravel()
    left, size, right = np.linalg.svd(a, full_matrices=False)
    along = left.T @ b
    low, high = 1e-9, 1e6
    for _ in range(60):
        ridge = np.sqrt(low * high)
        if np.linalg.norm(size * along / (size**2 + ridge)) > _REACH:
            low = ridge
        else:
            high = ridge
    amounts = right.T @ (size * along / (size**2 + high))
    return np.asarray(seen * np.exp(-modes(y) @ (spread @ amounts)))
