"""A target in millimetres: lay it out, load it, save it.

The layout is a function of its recipe alone (shape, size, view, patch set, seed), in whole
numbers, so that the short text in the printed code is enough to rebuild it on any machine.
"""

from __future__ import annotations

import math
import random
import re
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, Literal, cast

import msgspec
import numpy as np

from ..ground import reader
from ..ground.errors import TargetError, UsageError
from ..ground.files import read_json, shaped
from ..ground.jsontext import picked
from ..ground.records import CellKind, Shape, Target, View
from ..ground.units import inches_meant

SCHEMA = "colorcheck-target/1"
FIELD_RGB = (118, 118, 118)  # about L* 50: the middle of the tone scale, where unevenness shows best
EDGE_MM = 6.0  # nothing that matters lies nearer to the edge (common practice, no source)
MIN_CELL_MM = 5.0
MAX_PITCH_MM = 15.0
MIN_SIZE_MM, MAX_SIZE_MM = 60.0, 400.0
MARKER_DICTIONARY = "DICT_APRILTAG_36h11"
MARKER_MODULES = 8
CODE_MODULES = 21
SMALL_SHEET_CELLS = 60
CODE_MARKER = 40  # the marker that stands beside the code; the others count from 0
PATCH_SETS = ("compact", "standard", "fine")
# at most 20 characters of the code's alphanumeric set: it stays in the smallest symbol, of largest modules
CODE_PREFIXES = ("GP1", "CC1")  # of new sheets, and of older ones: both make the same layouts, for ever
CODE_FORM = re.compile(rf"^({'|'.join(CODE_PREFIXES)})([RO])(\d{{4}})(\d{{4}})([CSF])([FT])(\d{{1,6}})$")

_CONTROLS = ((96, 96, 96), (150, 110, 90), (60, 90, 130))


# ---------------------------------------------------------------- colours


def _cube(levels: tuple[int, ...]) -> list[tuple[int, int, int]]:
    return [(r, g, b) for r in levels for g in levels for b in levels]


def _ramps(levels: tuple[int, ...]) -> list[tuple[int, int, int]]:
    """Tints (towards white) and shades (towards black) of the six primaries and secondaries."""
    hues = [(1, 0, 0), (1, 1, 0), (0, 1, 0), (0, 1, 1), (0, 0, 1), (1, 0, 1)]
    out = []
    for v in levels:
        for h in hues:
            tint = [255 if on else v for on in h]
            shade = [v if on else 0 for on in h]
            out += [(tint[0], tint[1], tint[2]), (shade[0], shade[1], shade[2])]
    return out


def _greys(steps: int) -> list[tuple[int, int, int]]:
    """Neutral steps between black and white, evenly spaced in device value."""
    return [(v, v, v) for v in (round(255 * (k + 1) / (steps + 1)) for k in range(steps))]


def colours(patches: str) -> list[tuple[int, int, int]]:
    """Device colours of a patch set, most needed first (a small blank takes the first ones).

    Parameters
    ----------
    patches : {'compact', 'standard', 'fine'}

    Returns
    -------
    list of (r, g, b)
        0–255 as sent to the printer, without white and black, none twice.
    """
    corners = _cube((0, 255))
    if patches == "compact":
        order = corners + _greys(16)[1::3] + _ramps((128,)) + _greys(16) + _cube((0, 128, 255)) + _ramps((64,))
        order += [
            (64, 64, 128),
            (64, 128, 64),
            (128, 64, 64),
            (191, 191, 128),
            (191, 128, 191),
            (128, 191, 191),
        ]
    elif patches == "standard":
        order = corners + _greys(20) + _ramps((128, 64, 191)) + _cube((0, 64, 128, 191, 255))
        order += _ramps((32, 224)) + _cube((96, 160))
    else:
        order = corners + _greys(24) + _ramps((128, 64, 191)) + _cube((0, 43, 85, 128, 170, 213, 255))
        order += _ramps((21, 64, 106, 149, 191, 234))
    seen: dict[tuple[int, int, int], None] = {}
    for c in order:
        if c not in ((0, 0, 0), (255, 255, 255)):
            seen.setdefault(c)
    return list(seen)


def _wanted(patches: str) -> tuple[int, int]:
    """How many colours and how many replicates a patch set wants."""
    return len(colours(patches)), {"compact": 20, "standard": 23, "fine": 25}[patches]


# ---------------------------------------------------------------- layout


def _overlaps(box: tuple[float, float, float, float], others: list[tuple[float, float, float, float]]) -> bool:
    x, y, w, h = box
    return any(x < ox + ow and ox < x + w and y < oy + oh and oy < y + h for ox, oy, ow, oh in others)


def _tenth(v: float) -> float:
    """Round to a tenth of a millimetre, so that the layout is the same on every machine."""
    return math.floor(v * 10 + 0.5) / 10


def furniture(shape: Shape, w: float, h: float) -> dict[str, Any]:
    """Place markers, code, line group and text strip; lattice cells keep clear of them."""
    short = min(w, h)
    marker = _tenth(min(14.0, max(5.0, 0.06 * short + 1.3)))
    quiet = _tenth(marker / MARKER_MODULES + 0.2)
    outer = marker + 2 * quiet
    code = _tenth(min(30.0, max(10.5, 0.1 * short + 4.5)))  # with its quiet zone
    lines = _tenth(min(18.0, max(11.0, 0.05 * short + 5.0)))
    strip_h = _tenth(min(14.0, max(0.0, 0.11 * (short - 80.0))))
    low, high_x, high_y = EDGE_MM, w - EDGE_MM, h - EDGE_MM
    squares: list[tuple[float, float]] = []  # top left of each marker with its quiet zone
    if shape == "rect":
        xs, ys = [low, high_x - outer], [low, high_y - outer]
        squares = [(xs[0], ys[0]), (xs[1], ys[0]), (xs[1], ys[1]), (xs[0], ys[1])]
        if short >= 120.0:
            mx, my = w / 2 - outer / 2, h / 2 - outer / 2
            squares += [(mx, ys[0]), (xs[1], my), (xs[0], my)]
        base = high_y - max(code, outer)
        code_x = w / 2 - (code + outer) / 2 + outer
        code_box = (code_x, base + max(code, outer) - code, code, code)
        code_marker: tuple[float, float] | None = (code_x - outer, high_y - outer)
        if short >= 90.0:
            lines_box = (code_box[0] + code + 2.0, high_y - lines, lines, lines)
        else:
            lines_box = (w / 2 - lines / 2, low, lines, lines)
        strip = (low + outer + 2.0, high_y - strip_h, code_x - low - 2 * outer - 4.0, strip_h)
    else:
        c, r = w / 2, w / 2 - EDGE_MM
        reach = r - outer * 0.7072
        eight = short >= 153.0  # below, the lowest two would stand on the code
        for k in range(8 if eight else 4):
            a = math.radians((22.5 + 45.0 * k) if eight else (45.0 + 90.0 * k))
            squares.append((c + reach * math.sin(a) - outer / 2, c - reach * math.cos(a) - outer / 2))
        half = code / 2
        if short < 80.0:  # no room beside the code: it stands alone, and there is no line group
            y_low = c + math.sqrt(r * r - half**2) - 0.1
            beside, lines = 0.0, 0.0
        else:
            y_low, beside = c + math.sqrt(r * r - (half + outer / 2) ** 2) - 0.3, outer
        code_box = (c - half + beside / 2, y_low - code, code, code)
        code_marker = (c - half - beside / 2, y_low - outer) if beside else None
        y_top = c - math.sqrt(r * r - (lines / 2) ** 2) + 0.3
        lines_box = (c - lines / 2, y_top, lines, lines)
        strip_w = 0.52 * w
        strip = (c - strip_w / 2, code_box[1] - 1.0 - strip_h, strip_w, strip_h)
    if strip_h < 6.0 or strip[2] < 20.0:
        strip = (0.0, 0.0, 0.0, 0.0)
    if shape == "round" and strip[3]:
        # the strip stands above the code; code and strip together must not meet a marker
        blocked = [(x, y, outer, outer) for x, y in squares]
        while _overlaps(strip, blocked) and strip[2] > 24.0:
            strip = (strip[0] + 1.0, strip[1], strip[2] - 2.0, strip[3])
    ids = tuple(range(len(squares)))
    if code_marker:
        squares, ids = [*squares, code_marker], (*ids, CODE_MARKER)
    squares = [(_tenth(x), _tenth(y)) for x, y in squares]
    if not lines:
        lines_box = (0.0, 0.0, 0.0, 0.0)
    return {
        "marker": marker,
        "quiet": quiet,
        "ids": ids,
        "marker_boxes": [(x + quiet, y + quiet, marker, marker) for x, y in squares],
        "marker_quiet": [(x, y, outer, outer) for x, y in squares],
        "code": tuple(_tenth(v) for v in code_box),
        "lines": tuple(_tenth(v) for v in lines_box),
        "strip": tuple(_tenth(v) for v in strip),
    }


def _reserved(parts: dict[str, Any]) -> list[tuple[float, float, float, float]]:
    """Boxes that no cell may touch and where the field is interrupted."""
    single = [parts[k] for k in ("code", "lines", "strip") if parts[k][2]]
    return [*parts["marker_quiet"], *single]


def _rim_marks(shape: Shape, w: float, h: float, *, with_line: bool) -> list[tuple[float, float, float, float]]:
    """Where the outer rim carries the mark for the top, and small sheets a line of text."""
    if shape == "rect":
        marks = [(1.0, 1.0, 17.0, 5.0)]
        line = (6.0, h - 6.0, w - 12.0, 6.0)
    else:
        a, b = (w / 2 - 0.7072 * (w / 2 - off) for off in (1.2, 5.2))
        marks = [(a - 1.5, a - 1.5, b - a + 3.0, b - a + 3.0), (w / 2 - 6.5, 1.0, 13.0, 5.2)]
        line = (w * 0.2, h - 6.0, w * 0.6, 6.0)
    return [*marks, line] if with_line else marks


def _lattice(
    shape: Shape,
    w: float,
    h: float,
    pitch: float,
    cell: float,
    blocked: list[tuple[float, float, float, float]],
) -> list[tuple[int, int, float, float]]:
    """Free lattice places (column, row, x, y) at one pitch, from the better of two centrings."""
    nx, ny = int((w - 2 * EDGE_MM + pitch - cell) / pitch), int((h - 2 * EDGE_MM + pitch - cell) / pitch)
    tried = [_places(shape, w, h, pitch, cell, blocked, nx - dx, ny - dy) for dx in (0, 1) for dy in (0, 1)]
    i, j, x, y = (v.tolist() for v in max(tried, key=lambda places: len(places[0])))
    return list(zip(i, j, x, y, strict=True))


def _places(
    shape: Shape,
    w: float,
    h: float,
    pitch: float,
    cell: float,
    blocked: list[tuple[float, float, float, float]],
    nx: int,
    ny: int,
) -> tuple[Any, Any, Any, Any]:
    """Free places of a centred lattice of ``nx`` by ``ny``: their columns, rows, x and y, (n,) each."""
    if nx < 1 or ny < 1:
        return (np.zeros(0),) * 4
    x0, y0 = (w - (nx - 1) * pitch - cell) / 2, (h - (ny - 1) * pitch - cell) / 2
    gap = (pitch - cell) / 2
    j, i = np.mgrid[0:ny, 0:nx]
    x = np.floor((x0 + i * pitch) * 10 + 0.5) / 10
    y = np.floor((y0 + j * pitch) * 10 + 0.5) / 10
    free = np.ones(x.shape, dtype=bool)
    for ox, oy, ow, oh in blocked:
        free &= ~((x - gap < ox + ow) & (ox < x + cell + gap) & (y - gap < oy + oh) & (oy < y + cell + gap))
    if shape == "round":
        dx = np.maximum(np.abs(x - w / 2), np.abs(x + cell - w / 2))
        dy = np.maximum(np.abs(y - w / 2), np.abs(y + cell - w / 2))
        free &= dx * dx + dy * dy <= (w / 2 - EDGE_MM) ** 2
    return i[free], j[free], x[free], y[free]


def _anchors(places: list[tuple[int, int, float, float]]) -> list[CellKind | None]:
    """Which places hold anchors: white on every third column and row, black between them.

    A small sheet has them on every second place, white and black by turns, in the phase
    that gives the most of both.
    """
    if len(places) >= SMALL_SHEET_CELLS:
        # the phase that lies alike on both sides brings the outermost whites nearest to the rim
        pi, pj = ((2 * max(p[k] for p in places)) % 3 for k in (0, 1))
        out: list[CellKind | None] = []
        for i, j, _, _ in places:
            turn = ((i - pi) // 3 + (j - pj) // 3) % 2
            black = (j - pj) % 3 == 1 and ((i - pi) % 3, turn) in ((1, 0), (2, 1))
            white = (i - pi) % 3 == 0 and (j - pj) % 3 == 0
            out.append(CellKind.WHITE if white else CellKind.BLACK if black else None)
        return out
    tried = []
    for a, b, c in ((a, b, c) for a in (1, 0) for b in (1, 0) for c in (0, 1)):
        tried.append(
            [
                (CellKind.WHITE if (i // 2 + j // 2) % 2 == c else CellKind.BLACK) if (i % 2, j % 2) == (a, b) else None
                for i, j, _, _ in places
            ]
        )
    return max(
        tried,
        key=lambda t: (min(t.count(CellKind.WHITE), t.count(CellKind.BLACK) + 2), t.count(CellKind.BLACK)),
    )


def _moments(places: list[tuple[int, int]]) -> Any:
    """x, y, x², y², xy of lattice places, whole numbers, centred as well as whole numbers allow."""
    p = np.array(places, dtype=np.int64) * 2
    p = p - (p.min(axis=0) + p.max(axis=0)) // 2
    x, y = p[:, 0], p[:, 1]
    return np.stack([x, y, x * x, y * y, x * y], axis=1)


def _spread_out(
    values: Any,
    places: list[tuple[int, int]],
    fixed_v: Any,
    fixed_p: list[tuple[int, int]],
    rng: random.Random,
) -> list[int]:
    """Order values so that tone does not go with place: |ρ| < 0.1 with x, y, x², y², xy.

    All sums are whole numbers, so every machine takes the same decisions.
    """
    n = len(values)
    order = list(range(n))
    for k in range(n - 1, 0, -1):
        m = int(rng.random() * (k + 1))
        order[k], order[m] = order[m], order[k]
    if n < 4:
        return order
    u = _moments(places + fixed_p)
    u_own, n_all = u[:n], len(u)
    v_all = np.concatenate([values, fixed_v]) if len(fixed_v) else values
    v_own = values[order]
    own_scale = (
        np.sqrt(
            (n * (values**2).sum(0) - values.sum(0) ** 2)[None, :].astype(float)
            * (n * (u_own**2).sum(0) - u_own.sum(0) ** 2)[:, None].astype(float)
        )
        + 1e-9
    )
    all_scale = (
        np.sqrt(
            (n_all * (v_all**2).sum(0) - v_all.sum(0) ** 2)[None, :].astype(float)
            * (n_all * (u**2).sum(0) - u.sum(0) ** 2)[:, None].astype(float)
        )
        + 1e-9
    )
    own = n * (u_own.T @ v_own) - np.outer(u_own.sum(0), values.sum(0))
    rest = (u[n:].T @ fixed_v) if len(fixed_v) else 0
    everything = n_all * (u_own.T @ v_own + rest) - np.outer(u.sum(0), v_all.sum(0))

    def cost(a: Any, b: Any) -> tuple[float, float]:
        ra, rb = np.abs(a / own_scale), np.abs(b / all_scale)
        worst = max(float(ra.max()), float(rb.max()))
        return worst, float(math.fsum((ra**4).ravel().tolist()) + math.fsum((rb**4).ravel().tolist()))

    now = cost(own, everything)
    for _ in range(6000):
        if now[0] < 0.06:
            break
        a, b = int(rng.random() * n), int(rng.random() * n)
        if a == b:
            continue
        step = np.outer(u_own[a] - u_own[b], values[order[b]] - values[order[a]])
        tried = cost(own + n * step, everything + n_all * step)
        if tried[1] < now[1]:
            order[a], order[b] = order[b], order[a]
            own, everything, now = own + n * step, everything + n_all * step, tried
    return order


def _zones(places: list[tuple[int, int]]) -> list[int]:
    """Which ninth of the sheet (0–8) each lattice place lies in."""
    xs, ys = [p[0] for p in places], [p[1] for p in places]
    nx, ny = max(xs) - min(xs) + 1, max(ys) - min(ys) + 1
    return [3 * min(2, 3 * (j - min(ys)) // ny) + min(2, 3 * (i - min(xs)) // nx) for i, j in places]


def _control_places(free: list[tuple[int, int]], want: int, rng: random.Random) -> list[tuple[int, int]]:
    """Take places for the replicates: as many from each ninth as can be, (index, colour)."""
    zone = _zones(free)
    pools = [[k for k in range(len(free)) if zone[k] == z] for z in range(9)]
    taken: list[tuple[int, int]] = []
    for colour in range(len(_CONTROLS)):
        # corners and middle first: the last colour, which runs out, still spans the sheet
        for z in (4, 0, 2, 6, 8, 1, 3, 5, 7):
            if len(taken) < want and pools[z]:
                k = pools[z].pop(int(rng.random() * len(pools[z])))
                taken.append((k, colour))
    return taken


def code_text(shape: Shape, size_mm: tuple[float, float], patches: str, view: View, seed: int) -> str:
    """Text of the printed code: the layout's own recipe."""
    w, h = (round(v * 10) for v in size_mm)
    form = CODE_PREFIXES[0] + ("R" if shape == "rect" else "O")
    return f"{form}{w:04d}{h:04d}{patches[0].upper()}{view[0].upper()}{seed}"


def from_code(text: str) -> Target:
    """Rebuild a target from the text of its printed code, which it keeps.

    Raises
    ------
    TargetError
        The code is not one of ours or holds an impossible recipe.
    """
    m = CODE_FORM.match(text.strip())
    if not m:
        raise TargetError("the code on the sheet is not a colorcheck layout", _give_layout())
    patches = {"C": "compact", "S": "standard", "F": "fine"}[m[5]]
    try:
        target = make_target(
            size_mm=(int(m[3]) / 10, int(m[4]) / 10),
            shape="rect" if m[2] == "R" else "round",
            patches=patches,
            view="front" if m[6] == "F" else "through",
            seed=int(m[7]),
        )
        return replace(target, code_text=m[1] + target.code_text[len(m[1]) :])
    except UsageError as e:
        raise TargetError(f"the code on the sheet holds an impossible layout ({e})", _give_layout()) from e


def _give_layout() -> str:
    return "photograph a sheet that was made here" if reader.on_page() else "give its layout with --target FILE.json"


def make_target(
    *,
    size_mm: tuple[float, float],
    shape: Shape = "rect",
    patches: str = "standard",
    view: View = "front",
    seed: int = 1,
    dpi: int = 300,
    name: str = "target",
    bleed_mm: float = 0.0,
    file_format: str = "png",
) -> Target:
    """Lay out a target.

    Parameters
    ----------
    size_mm : (w, h)
        Of the blank, 60–400 mm; round blanks have w = h.
    shape, patches, view, seed
        The recipe of the layout; ``view`` says from which side the piece is looked at.
    dpi, name, bleed_mm, file_format
        Of the print file only.

    Returns
    -------
    Target

    Raises
    ------
    UsageError
        The size is impossible or the patch set does not fit.
    """
    w, h = (_tenth(v) if math.isfinite(v) else math.inf for v in size_mm)
    if min(w, h) < MIN_SIZE_MM or max(w, h) > MAX_SIZE_MM:
        sides = reader.lengths(MIN_SIZE_MM, MAX_SIZE_MM)
        raise UsageError(f"each side must be {sides}, not {reader.size((w, h))}{inches_meant((w, h))}")
    if shape == "round" and w != h:
        raise UsageError(
            f"a round target has one diameter, not {reader.size((w, h))}", f"give one number as {reader.option('size')}"
        )
    if patches not in PATCH_SETS:
        raise UsageError(f"unknown patch set '{patches}': choose compact, standard or fine")
    if not 0 <= seed <= 999_999:
        raise UsageError("the seed must be a whole number from 0 to 999999")
    if not 100 <= dpi <= 1200:
        raise UsageError(f"a print resolution of {dpi} dpi is out of range: choose 100 to 1200 (300 is usual)")
    if not 0.0 <= bleed_mm <= 10.0:
        raise UsageError("the bleed must be between 0 and 10 mm")

    parts = furniture(shape, w, h)
    blocked = _reserved(parts)
    want_colours, want_reps = _wanted(patches)
    least = 6 if patches == "compact" else want_colours
    area = (w - 2 * EDGE_MM) * (h - 2 * EDGE_MM) * (1.0 if shape == "rect" else math.pi / 4)
    taken = sum(b[2] * b[3] for b in blocked)

    def room_for(pitch: float) -> float:
        """At most this many colour cells: free area and rim over the pitch, a fifth of it anchors."""
        rim = (w + h - 4 * EDGE_MM) / pitch + 1
        return 0.82 * ((area - 0.9 * taken) / pitch**2 + rim)

    chosen, chosen_small = None, None
    for tenths in range(round(MAX_PITCH_MM * 10), 61, -1):
        pitch = tenths / 10
        cell = _tenth(max(MIN_CELL_MM, pitch * 0.74))
        if pitch - cell < 1.2:
            break
        if room_for(pitch) < want_colours + want_reps and tenths > 62:
            continue  # not even the free area would hold them
        places = _lattice(shape, w, h, pitch, cell, blocked)
        anchors = sum(a is not None for a in _anchors(places)) if len(places) >= want_colours + want_reps else 0
        if len(places) - anchors >= want_colours + want_reps:
            chosen = (pitch, cell, places)
            break
        chosen_small = (pitch, cell, places)
    if chosen is None:
        assert chosen_small is not None
        pitch, cell, places = chosen_small
        room = sum(a is None for a in _anchors(places))
        if patches != "compact" or room < least + 3:
            smaller = {"fine": "standard or compact", "standard": "compact"}.get(patches, "")
            advice = f"use {reader.option('patches')} {smaller}, or a larger blank" if smaller else "use a larger blank"
            raise UsageError(
                f"{want_colours + want_reps} cells of at least {reader.length(MIN_CELL_MM, None)} do not fit on "
                f"{reader.size((w, h))} ({room} do)",
                advice,
            )
        want_reps = max(3, min(9, room // 4))
        want_colours = min(want_colours, room - want_reps)
    return _fill(
        parts,
        places,
        pitch,
        cell,
        want_colours,
        want_reps,
        seed=seed,
        patches=patches,
        recipe={
            **{"name": name, "size_mm": (w, h), "shape": shape, "view": view, "dpi": dpi, "bleed_mm": bleed_mm},
            **{"mirrored": view == "front", "print_file": f"{name}.{file_format}"},
            "code_text": code_text(shape, (w, h), patches, view, seed),
        },
    )


def _fill(
    parts: dict[str, Any],
    places: list[tuple[int, int, float, float]],
    pitch: float,
    cell: float,
    want_colours: int,
    want_reps: int,
    *,
    seed: int,
    patches: str,
    recipe: dict[str, Any],
) -> Target:
    """Give every lattice place its kind and colour, in constrained random order; ``recipe`` is the rest of a target."""
    rng = random.Random(f"colorcheck layout 1 seed {seed}")
    kind = _anchors(places)
    free = [k for k, a in enumerate(kind) if a is None]
    controls = _control_places([places[k][:2] for k in free], want_reps, rng)
    colour_of: dict[int, tuple[int, int, int]] = {}
    kind_of: dict[int, CellKind] = {}
    for k, c in controls:
        colour_of[free[k]], kind_of[free[k]] = _CONTROLS[c], CellKind.CONTROL
    rest = [k for k in free if k not in colour_of]
    # spread the colours over the whole sheet: leave out evenly spaced places, not the last ones
    surplus = len(rest) - want_colours
    drop = {rest[(2 * q + 1) * len(rest) // (2 * surplus)] for q in range(surplus)} if surplus > 0 else set()
    rest = [k for k in rest if k not in drop]
    palette = np.array(colours(patches)[: len(rest)], dtype=np.int64)
    for k, a in enumerate(kind):
        if a is not None:
            colour_of[k] = (255, 255, 255) if a == CellKind.WHITE else (0, 0, 0)
            kind_of[k] = a
    fixed = sorted(colour_of)

    def graded(rgb: Any) -> Any:
        rgb = np.asarray(rgb, dtype=np.int64).reshape(-1, 3)
        return np.column_stack([rgb, 2 * rgb[:, 0] + 7 * rgb[:, 1] + rgb[:, 2]])

    order = _spread_out(
        graded(palette),
        [places[k][:2] for k in rest],
        graded([colour_of[k] for k in fixed]),
        [places[k][:2] for k in fixed],
        rng,
    )
    for place, which in zip(rest, order, strict=True):
        colour_of[place] = cast("tuple[int, int, int]", tuple(int(v) for v in palette[which]))
        kind_of[place] = CellKind.COLOUR
    used = sorted(colour_of)
    ids = tuple(_label(places[k][0], places[k][1]) for k in used)
    box = np.array([(places[k][2], places[k][3], cell, cell) for k in used], dtype=float)
    keep = _reserved(parts) + _rim_marks(recipe["shape"], *recipe["size_mm"], with_line=not parts["strip"][2])
    return Target(
        **recipe,
        patches=patches,
        seed=seed,
        field_rgb=FIELD_RGB,
        ids=ids,
        kind=np.array([int(kind_of[k]) for k in used]),
        device_rgb=np.array([colour_of[k] for k in used], dtype=np.int64),
        box_mm=box,
        cell_mm=cell,
        pitch_mm=pitch,
        marker_ids=parts["ids"],
        marker_box_mm=np.array(parts["marker_boxes"]),
        code_box_mm=parts["code"],
        lines_box_mm=parts["lines"],
        strip_box_mm=parts["strip"],
        keep_out_mm=np.array(keep, dtype=float),
    )


def _label(i: int, j: int) -> str:
    """Name a place: row letters from the top, column numbers from the left."""
    letters = ""
    j += 1
    while j:
        j, r = divmod(j - 1, 26)
        letters = chr(65 + r) + letters
    return f"{letters}{i + 1}"


# ---------------------------------------------------------------- file

_OWN = "give the .json written beside the print file"
_AGAIN = "make the target again"
Millimetres = Annotated[float, msgspec.Meta(ge=0, le=2000)]
BoxInFile = tuple[Millimetres, Millimetres, Millimetres, Millimetres]
Code = Annotated[int, msgspec.Meta(ge=0, le=255)]
RgbInFile = tuple[Code, Code, Code]
KindInFile = Literal["colour", "white", "black", "control"]


class CellInFile(msgspec.Struct, frozen=True):
    """One cell of a layout file."""

    id: str
    kind: KindInFile
    device_rgb: RgbInFile
    box_mm: BoxInFile


class MarkersInFile(msgspec.Struct, frozen=True):
    """The markers of a layout file."""

    ids: Annotated[list[Annotated[int, msgspec.Meta(ge=0, le=586)]], msgspec.Meta(min_length=3)]
    box_mm: list[BoxInFile]
    dictionary: Literal["DICT_APRILTAG_36h11"] = "DICT_APRILTAG_36h11"


class LayoutFile(msgspec.Struct, frozen=True):
    """A layout file as it is written beside the print file."""

    name: str
    size_mm: tuple[Annotated[float, msgspec.Meta(ge=10, le=2000)], Annotated[float, msgspec.Meta(ge=10, le=2000)]]
    shape: Shape
    view: View
    dpi: Annotated[int, msgspec.Meta(ge=50, le=4800)]
    field_rgb: RgbInFile
    patches: Annotated[list[CellInFile], msgspec.Meta(min_length=8, max_length=5000)]
    markers: MarkersInFile
    code_box_mm: BoxInFile
    lines_box_mm: BoxInFile
    strip_box_mm: BoxInFile
    keep_out_mm: list[BoxInFile]
    cell_mm: Annotated[float, msgspec.Meta(ge=1, le=100)]
    pitch_mm: Annotated[float, msgspec.Meta(ge=1, le=200)]
    seed: Annotated[int, msgspec.Meta(ge=0, le=999_999)]
    patch_set: Literal["compact", "standard", "fine"]
    mirrored: bool | None = None
    bleed_mm: Annotated[float, msgspec.Meta(ge=0, le=50)] = 0.0
    print_file: str = ""
    code: str = ""


def kind_name(kind: int) -> KindInFile:
    """Name of a `CellKind` in files."""
    return cast("KindInFile", CellKind(int(kind)).name.lower())


def to_dict(t: Target) -> dict[str, Any]:
    """Turn a target into the JSON mapping written beside its print file."""
    return {
        "schema": SCHEMA,
        **picked(t, "name size_mm shape view dpi mirrored print_file field_rgb patch_set=patches seed bleed_mm"),
        **picked(t, "code=code_text cell_mm pitch_mm"),
        "markers": {
            "dictionary": MARKER_DICTIONARY,
            "ids": list(t.marker_ids),
            "box_mm": [[round(v, 3) for v in b] for b in t.marker_box_mm.tolist()],
        },
        **picked(t, "code_box_mm lines_box_mm strip_box_mm"),
        "keep_out_mm": [[round(v, 3) for v in b] for b in t.keep_out_mm.tolist()],
        "patches": [
            {"id": i, "kind": kind_name(k), "device_rgb": rgb, "box_mm": [round(v, 3) for v in b]}
            for i, k, rgb, b in zip(t.ids, t.kind, t.device_rgb.tolist(), t.box_mm.tolist(), strict=True)
        ],
    }


def from_dict(d: Any) -> Target:
    """Check a layout mapping and turn it into a target.

    Raises
    ------
    TargetError
        A key is missing, or a value is of the wrong kind or out of range.
    """
    if not isinstance(d, dict):
        raise TargetError("the layout file is not a target layout", _OWN)
    return from_layout(shaped(d, LayoutFile, "the layout file is damaged", _OWN, TargetError))


def from_layout(d: LayoutFile) -> Target:
    """Turn the layout of a file into a target; TargetError where its parts do not belong together."""
    box, mbox = np.array([p.box_mm for p in d.patches]), np.array(d.markers.box_mm)
    ids, mids = [p.id for p in d.patches], d.markers.ids
    kind = np.array([int(CellKind[p.kind.upper()]) for p in d.patches])
    keep = np.array(d.keep_out_mm, dtype=float).reshape(-1, 4)
    if len(mids) != len(mbox) or len(keep) < len(mids):
        raise TargetError("the layout file is damaged: its markers do not match", _AGAIN)
    side = np.array(d.size_mm)
    zone = keep[: len(mids)]
    beyond = np.concatenate([zone[:, :2] - mbox[:, :2], (mbox - zone)[:, :2] + mbox[:, 2:] - zone[:, 2:]], axis=1)
    for wrong, what in (
        ((box[:, :2] + box[:, 2:] > side + 1e-6).any() or box[:, 2:].min() < 1.0, "a patch lies off the sheet"),
        ((mbox[:, :2] + mbox[:, 2:] > side + 1e-6).any() or mbox[:, 2:].min() < 1.0, "a marker lies off the sheet"),
        (len(set(ids)) != len(ids), "a patch id occurs twice"),
        (len(set(mids)) != len(mids), "a marker occurs twice"),
        (np.any(beyond > 1e-6), "a marker lies outside its quiet zone"),
        (np.sum(kind == CellKind.WHITE) < 3 or np.sum(kind == CellKind.BLACK) < 2, "too few white or black cells"),
    ):
        if wrong:
            raise TargetError(f"the layout file is damaged: {what}", _AGAIN)
    alike = ("size_mm", "shape", "view", "seed", "dpi", "bleed_mm", "print_file", "field_rgb", "cell_mm", "pitch_mm")
    boxes = ("code_box_mm", "lines_box_mm", "strip_box_mm")
    return Target(
        **{key: getattr(d, key) for key in (*alike, *boxes)},
        name=d.name[:200],
        patches=d.patch_set,
        mirrored=d.view == "front" if d.mirrored is None else d.mirrored,
        ids=tuple(ids),
        kind=kind,
        device_rgb=np.array([p.device_rgb for p in d.patches], dtype=np.int64),
        box_mm=box,
        marker_ids=tuple(mids),
        marker_box_mm=mbox,
        code_text=d.code,
        keep_out_mm=keep,
    )


def load_target(path: str | Path) -> Target:
    """Read a layout file.

    Raises
    ------
    FileError
        The file is missing or cannot be read.
    TargetError
        It is no layout, or a damaged one.
    """
    return from_dict(read_json(path, "a layout file", todo=_OWN, error=TargetError))
