"""The tables of a profile: the printer's model and its inverse, for all intents."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import numpy as np

from ..ground.cielab import delta_e00, lab_to_xyz
from ..ground.records import Floats
from . import gamut
from .icc import PERCEPTUAL_BLACK_LAB, pcs_grid
from .printer_model import PrinterModel

DEVICE_NODES = 33
PCS_NODES = 33
PICTURE_NODES = 21  # of sRGB, a side: colours that are looked up when the tables are corrected


def _place(lab: Floats) -> Floats:
    return gamut.pcs_place(lab, PCS_NODES, pcs_grid(255))


def look_up(table: Floats, lab: Floats) -> Floats:
    """Device RGB (n, 3) for colours (n, 3) from a table (m, m, m, 3) on the nodes of `pcs_grid`."""
    return gamut.interpolate(table, gamut.pcs_place(lab, table.shape[0], pcs_grid(255)))


def _keep_ramp(table: Floats) -> Floats:
    """Let no channel of the greys fall while L* rises, and bare coat be bare; the table (m, m, m, 3) is changed."""
    middle = table.shape[1] // 2
    ramp = table[:, middle, middle]
    up = np.maximum.accumulate(ramp, axis=0)
    down = np.minimum.accumulate(ramp[::-1], axis=0)[::-1]
    table[:, middle, middle] = 0.5 * (up + down)
    table[-1, middle, middle] = 255.0
    return table


def profile_tables(
    model: PrinterModel,
    *,
    black_y: float,
    version: Literal[4, 2] = 4,
    say: Callable[[str], None] | None = None,
) -> tuple[gamut.Forward, dict[str, Floats]]:
    """Tabulate the model and its inverse for all intents.

    Parameters
    ----------
    model : PrinterModel
    black_y : float
        Y of the printer's black relative to the bare coat.
    version : {4, 2}
        Decides which black the perceptual and saturation tables expect.
    say : callable, optional
        Told in a few words what is being done.

    Returns
    -------
    forward : Forward
    tables : dict
        ``a2b``, ``a2b_perceptual``, ``b2a_relative``, ``b2a_perceptual``, ``b2a_saturation``, ``gamut_distance``
        as `ProfileTables` wants them.
    """
    tell = say or (lambda _: None)
    tell("tabulating the printer")
    forward = gamut.forward_table(model.lab, DEVICE_NODES)
    places = gamut.pcs_nodes(pcs_grid(PCS_NODES))
    shape = (PCS_NODES, PCS_NODES, PCS_NODES)
    pictures = gamut.cube_nodes(PICTURE_NODES)
    tell("finding the way back: relative colorimetric")
    relative, reached = gamut.invert(forward, places)
    own, aim = gamut.solid_samples(forward), gamut.srgb_lab(pictures, black_y)
    at, goal = np.concatenate([own, aim]), np.concatenate([own, gamut.invert(forward, aim)[1]])
    table = gamut.refine_table(forward, relative.reshape(*shape, 3), _place(at), goal)
    out = {"b2a_relative": _keep_ramp(table)}
    distance = delta_e00(reached, places)
    out["gamut_distance"] = np.where(distance < 0.3, 0.0, distance).reshape(shape)
    pcs_black = float(lab_to_xyz(np.array(PERCEPTUAL_BLACK_LAB))[1]) if version == 4 else 0.0
    at = gamut.srgb_lab(pictures, pcs_black)
    for intent, knee in zip(
        ("perceptual", "saturation"), gamut.knees(forward, black_y=black_y, source_black_y=pcs_black), strict=True
    ):
        tell(f"finding the way back: {intent}")
        device, _ = gamut.invert(forward, knee(places), chroma_first=knee.stretch)
        goal = gamut.invert(forward, knee(at), chroma_first=knee.stretch)[1]
        table = gamut.refine_table(forward, device.reshape(*shape, 3), _place(at), goal)
        out[f"b2a_{intent}"] = _keep_ramp(table)
        if not knee.stretch:
            seen = knee.back(forward.lab_nodes.reshape(-1, 3))
            seen[-1] = [100.0, 0.0, 0.0]
            out["a2b_perceptual"] = _encodable(seen).reshape(forward.lab_nodes.shape)
    out["a2b"] = _encodable(forward.lab_nodes)
    return forward, out


def _encodable(lab: Floats) -> Floats:
    """CIELAB inside what a profile can hold."""
    return np.asarray(np.clip(lab, [0.0, -128.0, -128.0], [100.0, 127.99, 127.99]))


def round_trip(forward: gamut.Forward, b2a: Floats) -> tuple[float, float]:
    """Mean and 95th percentile of ΔE00 between in-gamut colours and what the tables make of them."""
    rng = np.random.Generator(np.random.PCG64(3))
    lab = forward.lab(rng.uniform(0, 255, (3000, 3)))
    error = delta_e00(forward.lab(look_up(b2a, lab)), lab)
    return float(error.mean()), float(np.percentile(error, 95))
