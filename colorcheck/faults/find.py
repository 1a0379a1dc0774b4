"""The residue of a piece → findings, each with a cause told apart.

All colours are turned into one quantity, the share of dye that is missing at a place, with
its noise place by place. Faded edges are fitted first, then spots by matched filters over
sizes; what passes is fitted again with every artwork colour free to err, so that a colour
that the fit gets wrong is never called a spot. A finding must be significant, given noise
calibrated on the piece and the doubt left in the light, and visible for its size.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ..ground.cielab import delta_e00
from ..ground.displaced import by_copy
from ..ground.grid import Array
from ..ground.limits import Limits
from ..ground.records import TURNED, Finding, Kind, Looked, Reason, Step
from ..ground.relative import relative_lab
from ..ground.residue import Residue
from .banding import find_banding
from .catalogue import BANDS, HEAT_HELPS
from .combine import along_edges, merged, on_the_print, undecidable, without_echoes
from .dots import crisp_dots
from .edgebands import faded_edges
from .finedetail import FineDetail, fine_residual, seen_between_edges, told_apart
from .ghost import find_ghost
from .lack import colour_left, lack_de, lack_map, visible_scale
from .onecolour import without_colour_errors
from .reflections import (
    between_reflections,
    find_glare,
    listed,
    mark_reflection,
    taken_for_pale,
    through_light,
    without_light,
)
from .rimwidth import mark_sharp_rim
from .scorch import find_scorch
from .softspots import soft_spots

# a broad fault that the artwork's colours could imitate is reported from this ΔE00 on; from simulation: pictures
# whose colours change from the middle outwards exceed it, scenes, plaques and clock faces do not
_BROAD_COLOUR_DE = 2.0
# below this share of a pale centre that is left of it when colours are learned, it counts as invisible: of pictures
# whose colours change from the middle outwards 0.00 to 0.06 is left, of any other 0.13 or more; from simulation
_SWALLOWED = 0.1
_BESIDE_A_COPY = 14.0  # standard errors of lines beside a second copy
_SMALL_MM = 8.0  # heat makes no soft place smaller than about this …
_SMALL_SURE = 10.0  # … so that twice the standard errors are asked of one as of others; estimate
_NARROW_MM, _STRETCHED = 6.0, 1.8  # mm; heat has not spread what is narrower, and a streak is longer; estimates
_BROAD_MM = 30.0  # wider places of a picture whose colours change slowly have colours of their own; estimate
_LARGE_MM = 16.0  # wider spots do not come from edges that lie a little off
_LIKELY_LACK = 0.25  # share of the dye that a broad fault may take away; estimate


@dataclass(frozen=True, slots=True, eq=False)
class DefectResult:
    """Everything that was found on one piece.

    ``looked`` what the searches for copy, lines and yellowed coat saw, found or not;
    ``residual`` (r, c) signed ΔE00 between seen and expected (positive: paler), NaN where it
    cannot be judged; ``lack`` (r, c) share of missing dye and ``lack_std`` its noise; ``light``
    (r, c, 3) of the first photo, ``light_ratio`` brightest to darkest; ``glare`` (r, c) places
    under a reflection in every photo; ``ambiguous`` broad components and places that light
    could explain as well, ``settle_by`` the photo that decides; ``noise_lack`` typical noise of
    a block, ``noise_de00`` the same as colour; ``judged_share`` how much of the piece could
    show paleness; ``broad_de00`` largest broad change that could hide in the light, ``broad_colour_de00`` in the
    picture's own colours; ``placed_mm`` how far print may lie off its place, ``least_told_mm`` how small a spot that
    hides;
    ``colours`` and ``mean_de00``/``p95_de00`` only where an absolute expectation exists.
    """

    findings: tuple[Finding, ...]
    looked: Looked
    residual: Array
    lack: Array
    lack_std: Array
    step_mm: float
    light: Array
    light_ratio: float
    glare: Array
    ambiguous: tuple[str, ...]
    settle_by: str
    anchors: tuple[str, ...]
    noise_lack: float
    noise_de00: float
    judged_share: float
    broad_de00: float
    broad_colour_de00: float
    source: str
    coat: str
    placed_mm: float
    least_told_mm: float
    colours: tuple[Any, ...] = ()
    mean_de00: float | None = None
    p95_de00: float | None = None
    uptake: float | None = None


def find_faults(res: Residue, limits: Limits) -> DefectResult:
    """Find everything that differs between what was seen and what was due.

    Parameters
    ----------
    res : Residue
    limits : Limits
        What is smaller than these and cannot be seen is not reported.

    Returns
    -------
    DefectResult
    """
    left, var, eye = res.left, res.var, visible_scale(limits)
    res = _glass_or_copy(res)
    glare_found, hidden, moved_light = find_glare(res)
    if res.photos > 1:
        left, var, hidden = through_light(res, hidden, moved_light)
    fine = fine_residual(res)
    marks, looked, taken = _marks(fine, res, hidden)
    left = left - taken  # what yellowed coat takes away is no matter of dye
    for turn in range(2):
        m = lack_map(res, left, var, hidden, eye)
        colour = colour_left(left, var, hidden)
        work = replace(m, q=m.q.copy())
        edges, unsure_edges = faded_edges(work)
        spots, unsure_spots = soft_spots(work, colour)
        lamps = taken_for_pale(spots, res) if turn == 0 and res.photos == 1 else np.zeros(0, bool)
        if not lamps.any():
            break
        # large or weak reflections first come to light as pale places: look again without them
        hidden = hidden | lamps
        glare_found = listed(res, left, hidden)
    judged = np.isfinite(m.q)
    spots = [s for s in spots if s.diameter_mm > _LARGE_MM or seen_between_edges(s, fine, res)]
    spots = [told_apart(s, fine, res) for s in spots]
    spots = [s for s in spots if s.diameter_mm > res.least_told_mm]
    moved = any(f.kind is Kind.GHOST for f in marks)
    spots = _beyond_chance(spots)
    if not moved:  # the copy's own strips and crossings look like threads and dots
        crisp = [s for s in spots if s.kind in (res.hole, Kind.SPECK)]
        dots = crisp_dots(fine, res, np.asarray(hidden.all(axis=0)), [s for s in spots if s not in crisp])
        spots = [s for s in spots if s not in crisp or not any(_same_place(s, d) for d in dots)]
        marks += dots
    if moved:
        # beside every edge the copy looks like small dark and pale places
        spots = [s for s in spots if s.detail.get("significance", 0) > 12 and s.diameter_mm > 8]
    edges, spots = along_edges(edges, spots, res)
    spots = on_the_print(without_echoes(edges, spots, m), res)
    edges, spots, broad = undecidable(edges, spots, res)
    findings = merged([*edges, *marks, *spots, *glare_found])
    findings = without_colour_errors(findings, work)
    # the rim is measured in the first photo: where a reflection lies in it, among several, it would be the lamp's
    clear = ~hidden[0] if res.photos > 1 else np.ones(judged.shape, bool)
    findings = [mark_sharp_rim(f, res, fine, clear) for f in findings]
    if res.photos == 1:
        findings = [mark_reflection(f, res) for f in findings]
    elif hidden.any():
        one = without_light(res, moved_light)
        findings = [mark_reflection(f, one) if between_reflections(f, hidden, res) else f for f in findings]
    residual = _residual(res, colour, judged)
    typical = float(np.nanmedian(np.sqrt(m.var[judged]))) if judged.any() else float("nan")
    mid = res.rel[judged] if judged.any() else res.rel[res.inside]
    per_lack = (
        float(np.median(lack_de(mid[:: max(len(mid) // 400, 1)], res.depth[judged][:: max(len(mid) // 400, 1)], 0.05)))
        / 0.05
        if judged.any()
        else 0.0
    )
    broad_colour = float(2.5 * res.colour_doubt.max() * per_lack)
    if res.source == "photo" and res.centre_left < _SWALLOWED:
        broad_colour = max(broad_colour, _LIKELY_LACK * per_lack)
    ambiguous = tuple(dict.fromkeys([*res.ambiguous, *broad, *unsure_edges, *unsure_spots]))
    settle = res.settle_by
    if broad_colour > _BROAD_COLOUR_DE and res.source == "photo":
        ambiguous, settle = (*ambiguous, "colour"), settle or ("" if ambiguous else "reading")
        findings = [_colour_may_be(f) for f in findings]
        findings = [f for f in findings if f.doubt != "colour" or f.kind in BANDS or f.delta_e00 > broad_colour]
    if ambiguous and not settle:
        settle = "blank frame" if res.photos == 1 else TURNED
    middle = float(np.median(res.depth[judged])) if judged.any() else 1.0
    return DefectResult(
        findings=tuple(findings),
        looked=looked,
        residual=residual,
        lack=m.q,
        lack_std=np.sqrt(m.var),
        step_mm=res.step_mm,
        light=res.light[0],
        light_ratio=res.light_ratio,
        glare=np.asarray(hidden.all(axis=0)),
        ambiguous=ambiguous,
        settle_by=settle if ambiguous else "",
        anchors=res.anchors,
        noise_lack=typical,
        noise_de00=typical * per_lack,
        judged_share=float(judged.sum() / max(res.inside.sum(), 1)),
        broad_de00=float(2 * res.light_doubt.max() / max(middle, 0.1) * per_lack),
        broad_colour_de00=broad_colour,
        source=res.source,
        coat=res.coat,
        placed_mm=res.placed_mm,
        least_told_mm=res.least_told_mm,
    )


def _glass_or_copy(res: Residue) -> Residue:
    """Ask first, where glass seems to displace print, whether a second copy of it does."""
    if res.placed_mm <= res.drawn_mm:
        return res
    usual = replace(res, placed_mm=res.drawn_mm)
    copy, ghost = find_ghost(fine_residual(usual), usual)
    return by_copy(res, copy.shift_mm, copy.strength) if ghost else res


def _marks(fine: FineDetail, res: Residue, hidden: Array) -> tuple[list[Finding], Looked, Array]:
    """Look for second copy, lines and yellowed coat: findings, what each search saw, and what yellowing takes away."""
    copy, ghost = find_ghost(fine, res)
    lines, banding = find_banding(fine, res)
    if ghost and lines.significance < _BESIDE_A_COPY:
        banding = None  # the copy's strips repeat with the artwork
    yellow, scorch, taken = find_scorch(fine, res, hidden[0])
    if ghost:
        scorch, taken = None, np.zeros_like(taken)  # the copy's own dye tints bare coat
    return [f for f in (ghost, banding, scorch) if f], Looked(copy, lines, yellow), taken


def _beyond_chance(spots: Sequence[Finding]) -> list[Finding]:
    """Drop small soft places that chance makes on this very piece.

    Heat spreads further than this, and dye in excess has a crisp rim, so a small soft *dark* place is no fault: it is
    what edges and colours that are not quite as expected leave. They leave pale places just as often: those must be
    more significant than the strongest dark one. Edges that lie a little off leave streaks: what heat makes is at
    least as broad as heat spreads, however long.
    """
    spots = [f for f in spots if f.kind not in (Kind.PALE, Kind.DARK) or not _streak(*f.detail["axes_mm"])]
    small = [f for f in spots if f.diameter_mm < _SMALL_MM and f.kind in (Kind.PALE, Kind.DARK)]
    chance = max((f.detail["significance"] for f in small if f.kind is Kind.DARK), default=0.0)
    needed = max(chance, _SMALL_SURE)
    return [f for f in spots if f not in small or (f.kind is Kind.PALE and f.detail["significance"] > needed)]


def _streak(length_mm: float, width_mm: float) -> bool:
    return width_mm < _NARROW_MM and length_mm > _STRETCHED * width_mm


def _same_place(f: Finding, other: Finding) -> bool:
    return float(np.hypot(f.x_mm - other.x_mm, f.y_mm - other.y_mm)) < 0.5 * (f.diameter_mm + other.diameter_mm)


def _colour_may_be(f: Finding) -> Finding:
    """Note at what is broad that colours shown otherwise than learned would look the same.

    What is no stronger than they could make it is no finding of its own, it is part of what the colours hide; only a
    band along an edge is where a press leaves one.
    """
    broad = f.kind in HEAT_HELPS and (f.kind in BANDS or f.diameter_mm > _BROAD_MM)
    return replace(f, doubt=f.doubt or "colour") if broad else f


def _residual(res: Residue, colour: Array, judged: Array) -> Array:
    seen = np.clip(res.rel * np.exp(np.nan_to_num(colour)), 0, 1.3)
    a, b = relative_lab(seen), relative_lab(res.rel)
    de = np.asarray(delta_e00(a, b))
    return np.where(judged & np.isfinite(colour).all(axis=2), np.where(a[..., 0] >= b[..., 0], de, -de), np.nan)


def displaced_reasons(found: DefectResult) -> list[Reason]:
    """Say that glass displaces the picture, and what that hides: nothing where print lies as it should."""
    if not found.least_told_mm:
        return []
    told = {"least_mm": found.least_told_mm}
    return [Reason("displaced", found.placed_mm, float("nan"), 0.0, "note", Step.PHOTO, detail=told)]
