"""Are these photos of one piece? What no camera, lamp or noise explains between two photos is another piece."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..colour.blame import without_camera
from ..ground.cielab import delta_e00
from ..ground.errors import UsageError
from ..ground.records import CellFlag, Cells
from ..ground.relative import relative_lab
from ..photo.cameradoubt import camera_doubt

_UNFIT = int(CellFlag.CLIPPED | CellFlag.HIDDEN | CellFlag.GLARE)
_FEW = 12
_TWO_CAMERAS = 2.0  # times the doubt of one: both may lie far out, on unlike sides
_ONE_CAMERA = 0.5  # share of it that another lamp may change; estimate


def apart(one: Cells, other: Cells, *, strength: float) -> float:
    """Median ΔE00 between two photos that likely cameras leave unexplained; 0 where too few cells are clear."""
    ok = ((one.flags | other.flags) & _UNFIT) == 0
    if ok.sum() < _FEW:
        return 0.0
    left = without_camera(one.rgb_rel, other.rgb_rel, ok, camera_doubt("balanced"), strength=strength)
    off = delta_e00(relative_lab(left), other.lab)
    return float(np.median(off[ok]))


def check_same_piece(names: Sequence[str], cells: Sequence[Cells], limit: float, *, one_camera: bool) -> None:
    """Refuse photos of unlike pieces given as photos of one.

    Parameters
    ----------
    names : sequence of str
    cells : sequence of Cells
        Of the same layout, one for each photo.
    limit : float
        Median ΔE00 beyond what cameras explain.
    one_camera : bool
        All were taken with one camera, so only the lamp may differ.

    Raises
    ------
    UsageError
        Naming the odd photo, or both where there are only two.
    """
    n = len(cells)
    if n < 2:
        return
    strength = _ONE_CAMERA if one_camera else _TWO_CAMERAS
    far = np.zeros((n, n))
    for i in range(n):
        for k in range(i):
            far[i, k] = far[k, i] = min(
                apart(cells[i], cells[k], strength=strength), apart(cells[k], cells[i], strength=strength)
            )
    if far.max() <= limit:
        return
    odd = int(far.sum(axis=1).argmax())
    who = f"{names[odd]} shows another piece than the rest" if n > 2 else f"{names[0]} and {names[1]} show two pieces"
    raise UsageError(
        f"{who}: colours differ by {far[odd].max():.1f} ΔE00 beyond what cameras and light can do",
        "give photos of one piece together, and read other pieces by themselves",
    )
