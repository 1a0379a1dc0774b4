"""A second solution of the heat in the press, written apart from `colorcheck.shop.heat`, and random presses to try.

Method of lines: cell-centred finite volumes through every layer (papers, glass, papers, pad, base plate), each cell
with its own conductivity and heat, resistances in series between cell centres, integrated in time by scipy's BDF with
its own error control. Nothing is shared with the package: no grid, no time stepping, no constants.

Materials: density kg/m³, conductivity W/mK, specific heat J/kgK. Densities and conductivities as printed in the
tables of EN ISO 10456:2007 and EN ISO 10077-2:2003; specific heats of EN ISO 10456, table 3, partly from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp

PADS = {
    "felt": (120.0, 0.05, 1300.0),
    "cork": (200.0, 0.05, 1500.0),
    "cellular rubber": (270.0, 0.10, 1400.0),
    "silicone foam": (750.0, 0.12, 1000.0),
    "silicone foam, denser": (820.0, 0.17, 1000.0),
    "softwood": (500.0, 0.13, 1600.0),
    "hardwood": (700.0, 0.18, 1600.0),
    "rubber": (1200.0, 0.17, 1400.0),
    "silicone": (1200.0, 0.35, 1000.0),
}
PAPER = (800.0, 0.10, 1300.0)  # estimate; card and paper lie between 0.06 and 0.15 W/mK
STEEL = (7800.0, 50.0, 450.0)


@dataclass(frozen=True)
class Layer:
    """Thickness in m, density, conductivity, specific heat, number of cells."""

    thickness: float
    material: tuple[float, float, float]
    cells: int


@dataclass(frozen=True)
class Press:
    """One way a piece may lie: layers from the platen down, where the coat is, and what is around."""

    layers: tuple[Layer, ...]
    coat_above: int  # the coat lies on top of this layer
    contact: float  # platen to first layer, m²K/W
    air: float  # below the last layer, W/m²K
    room_c: float
    glass: int  # which layer starts at the piece's temperature


def seconds_to(press: Press, *, platen_c: float, start_c: float, target_c: float, longest_s: float = 3600.0) -> float:
    """Seconds until the coat is hot; infinity when it is not within ``longest_s``."""
    dx, k, c, first, begin = [], [], [], [], []
    for n, layer in enumerate(press.layers):
        rho, lam, heat = layer.material
        first.append(len(dx))
        dx += [layer.thickness / layer.cells] * layer.cells
        k += [lam] * layer.cells
        c += [rho * heat] * layer.cells
        begin += [start_c if n == press.glass else press.room_c] * layer.cells
    width, lam, heat = np.array(dx), np.array(k), np.array(c)
    half = width / (2 * lam)
    between = 1.0 / (half[:-1] + half[1:])
    top = 1.0 / (press.contact + half[0])
    bottom = 1.0 / (half[-1] + 1.0 / press.air)
    store = width * heat
    at = first[press.coat_above]
    n = len(width)
    matrix = np.zeros((n, n))
    i = np.arange(n - 1)
    matrix[i, i] -= between
    matrix[i + 1, i + 1] -= between
    matrix[i, i + 1] = matrix[i + 1, i] = between
    matrix[0, 0] -= top
    matrix[-1, -1] -= bottom
    source = np.zeros(n)
    source[0], source[-1] = top * platen_c, bottom * press.room_c
    matrix, source = matrix / store[:, None], source / store

    def coat(y: np.ndarray) -> float:
        """Temperature at the border between two cells, from the flow between their centres."""
        if at == 0:
            return float(y[0] + (platen_c - y[0]) * top * half[0])
        flow = (y[at - 1] - y[at]) * between[at - 1]
        return float(y[at - 1] - flow * half[at - 1])

    def hot(_t: float, y: np.ndarray) -> float:
        return coat(y) - target_c

    hot.terminal, hot.direction = True, 1  # type: ignore[attr-defined]
    start = np.array(begin)
    if coat(start) >= target_c:
        return 0.0
    done = solve_ivp(
        lambda _t, y: matrix @ y + source,
        (0.0, longest_s),
        start,
        method="BDF",
        jac=matrix,
        events=hot,
        rtol=1e-5,
        atol=1e-3,
    )
    return float(done.t_events[0][0]) if len(done.t_events[0]) else math.inf


def lying(
    *,
    glass_mm: float,
    face: str,
    pad: tuple[float, float, float],
    pad_mm: float,
    contact: float = 5e-4,
    papers: int = 1,
    glass: tuple[float, float, float] = (2500.0, 1.0, 800.0),
    paper_mm: float = 0.1,
    base_mm: float = 4.0,
    air: float = 10.0,
    room_c: float = 20.0,
) -> Press:
    """Stack a piece in the press: ``papers`` sheets above (and, heated from the back, the printed one below)."""
    sheets = [Layer(paper_mm / 1000, PAPER, 3)] * papers
    slab = Layer(glass_mm / 1000, glass, 60)
    below = [Layer(pad_mm / 1000, pad, 40), Layer(base_mm / 1000, STEEL, 4)]
    if face == "coat":
        layers = [*sheets, slab, Layer(paper_mm / 1000, PAPER, 3), *below]
        return Press(tuple(layers), papers, contact, air, room_c, papers)
    layers = [*sheets, slab, Layer(paper_mm / 1000, PAPER, 3), *below]
    return Press(tuple(layers), papers + 1, contact, air, room_c, papers)


def random_press(rng: np.random.Generator, *, glass_mm: float, face: str) -> Press:
    """Draw what nobody tells: pad, papers, contact, the glass's own constants and its thickness."""
    name = str(rng.choice(list(PADS)))
    rho, lam, heat = PADS[name]
    vary = rng.uniform(0.85, 1.15, 2)
    return lying(
        glass_mm=glass_mm + rng.uniform(-0.2, 0.2),
        face=face,
        pad=(rho * vary[0], lam * vary[1], heat),
        pad_mm=float(rng.uniform(5.0, 12.0)),
        contact=float(4e-4 * math.exp(rng.uniform(-0.5, 0.5))),
        papers=int(rng.integers(1, 3)) if face == "coat" else int(rng.integers(0, 2)),
        glass=(2500.0, float(rng.uniform(0.95, 1.1)), float(rng.uniform(750.0, 880.0))),
        paper_mm=float(rng.uniform(0.08, 0.15)),
        base_mm=float(rng.uniform(2.0, 8.0)),
        air=float(rng.uniform(5.0, 15.0)),
        room_c=float(rng.uniform(16.0, 26.0)),
    )
