"""Photos given as photos of one piece: other pieces are refused with the odd one named, cameras are not."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from colorcheck.flows.samepiece import check_same_piece
from colorcheck.ground.errors import UsageError
from colorcheck.ground.records import Cells
from colorcheck.ground.relative import relative_lab
from colorcheck.photo.cameradoubt import camera_doubt, cameras, seen_by

from .test_blame import DUE


def seen(rgb: Any) -> Cells:
    n = len(rgb)
    return Cells(
        rgb_rel=rgb,
        lab=relative_lab(rgb),
        lab_absolute=None,
        density=np.zeros(n),
        u_noise=np.full(n, 0.3),
        u_system=np.full(n, 2.0),
        uncertainty=np.full(n, 2.0),
        flags=np.zeros(n, int),
        centre_px=np.zeros((n, 2)),
        photos=1,
    )


def test_one_piece_by_many_cameras_is_one_piece() -> None:
    one = [seen(seen_by(DUE, z)) for z in cameras(camera_doubt("balanced"), 12)]
    for a, b in zip(one[::2], one[1::2], strict=True):
        check_same_piece(["a.jpg", "b.jpg"], [a, b], 2.5, one_camera=False)


def test_another_piece_is_named() -> None:
    rng = np.random.default_rng(1)
    other = seen(np.clip(DUE ** rng.uniform(0.5, 2.0, DUE.shape), 1e-3, 1))
    good = [seen(np.clip(DUE * (1 + 0.01 * rng.standard_normal(DUE.shape)), 1e-3, 1)) for _ in range(2)]
    with pytest.raises(UsageError, match=r"b\.jpg shows another piece"):
        check_same_piece(["a.jpg", "b.jpg", "c.jpg"], [good[0], other, good[1]], 2.5, one_camera=True)
    with pytest.raises(UsageError, match=r"a\.jpg and b\.jpg show two pieces"):
        check_same_piece(["a.jpg", "b.jpg"], [good[0], other], 2.5, one_camera=True)
    check_same_piece(["a.jpg", "c.jpg"], good, 2.5, one_camera=True)
