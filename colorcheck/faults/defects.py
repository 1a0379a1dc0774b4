"""Difference between the piece and its expected image → findings, each with a cause told apart.

All colours are turned into one quantity, the share of dye that is missing at a place, with
its noise place by place. Faded edges are fitted first, then spots by matched filters over
sizes; what passes is fitted again with every artwork colour free to err, so that a colour
that the fit gets wrong is never called a spot. A finding must be significant, given noise
calibrated on the piece and the doubt left in the light, and visible for its size.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from ..ground.cielab import delta_e00
from ..ground.records import Finding, Shape
from ..ground.relative import relative_lab
from ..piece.apart import Parted, separate
from ..piece.blocks import Answer, Array, PieceView, block_places, lay_in_blocks
from ..piece.expect import Expected, expected_image
from .combine import along_edges, merged, on_the_print, undecidable, without_echoes
from .edgebands import faded_edges
from .finedetail import crisp_dots, fine_residual, seen_between_edges, told_apart
from .lack import colour_left, lack_de, lack_map, suspects
from .onecolour import without_colour_errors
from .pressmarks import find_banding, find_ghost, find_scorch
from .reflections import find_glare, listed, mark_reflection, taken_for_pale
from .rimwidth import mark_sharp_rim
from .softspots import soft_spots
from .swallowed import surviving_share

# a broad fault that the artwork's colours could imitate is reported from this ΔE00 on; from simulation: pictures
# whose colours change from the middle outwards exceed it, scenes, plaques and clock faces do not
_BROAD_COLOUR_DE = 2.0
# below this share of a pale centre that is left of it when colours are learned, it counts as invisible: of pictures
# whose colours change from the middle outwards 0.00 to 0.06 is left, of any other 0.13 or more; from simulation
_SWALLOWED = 0.1
_LIKELY_LACK = 0.25  # share of the dye that a broad fault may take away; estimate


@dataclass(frozen=True, slots=True, eq=False)
class ColourCell:
    """One of the artwork's colours: expected by reading or profile, and seen, in CIELAB relative to the coat."""

    device_rgb: tuple[float, ...]
    area_share: float
    due_lab: tuple[float, ...]
    seen_lab: tuple[float, ...]
    delta_e00: float


@dataclass(frozen=True, slots=True, eq=False)
class DefectResult:
    """Everything that was found on one piece.

    ``residual`` (r, c) signed ΔE00 between seen and expected (positive: paler), NaN where it
    cannot be judged; ``lack`` (r, c) share of missing dye and ``lack_std`` its noise; ``light``
    (r, c, 3) of the first photo, ``light_ratio`` brightest to darkest; ``glare`` (r, c) places
    under a reflection in every photo; ``ambiguous`` broad components and places that light
    could explain as well, ``settle_by`` the photo that decides; ``noise_lack`` typical noise of
    a block, ``noise_de00`` the same as colour; ``judged_share`` how much of the piece could
    show paleness; ``broad_de00`` largest broad change that could hide in the light;
    ``colours`` and ``mean_de00``/``p95_de00`` only where an absolute expectation exists.
    """

    findings: tuple[Finding, ...]
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
    shift_mm: Array
    source: str
    coat: str
    colours: tuple[ColourCell, ...] = ()
    mean_de00: float | None = None
    p95_de00: float | None = None
    uptake: float | None = None
    detail: dict[str, Any] = field(default_factory=dict)


def find_defects(
    views: Sequence[PieceView],
    artwork: Any,
    size_mm: tuple[float, float],
    shape: Shape = "rect",
    *,
    answer: Answer | None = None,
    source: str = "reading",
    rim_mm: float = 1.5,
) -> DefectResult:
    """Inspect a piece: expected image, light and print apart, findings.

    Parameters
    ----------
    views : sequence of PieceView
        One or several registered photos of the piece.
    artwork : (H, W, 3)
        Device RGB 0–255 over the piece, as its viewer sees it, blurred as the photo is.
    answer : callable, optional
        Device RGB → linear RGB relative to the coat, from a reading or a profile.

    Returns
    -------
    DefectResult
    """
    laid = lay_in_blocks(views, artwork, size_mm, shape, answer=answer, source=source, rim_mm=rim_mm)
    if len(views) > 1:
        expected = expected_image(laid)
        return judge(expected, separate(expected), answer=answer)
    # several photos tell a reflection by where it stays; a single one must not learn from it: what may be a spot
    # or a reflection must not teach what its colours look like
    first = expected_image(laid, turns=2)
    doubtful = suspects(first, separate(first))
    expected = expected_image(laid, doubtful=doubtful, before=first, turns=3)
    return judge(expected, separate(expected), answer=answer)


def judge(expected: Expected, parted: Parted, *, answer: Answer | None = None) -> DefectResult:
    """Turn what is left of the photos into findings."""
    e, p = expected, parted
    places = block_places(e.inside.shape, e.step_mm)
    left, var = p.left.copy(), p.var.copy()
    glare_found, hidden = find_glare(e, p, left, var, suspects(e, p))
    for turn in range(2):
        m = lack_map(e, p, left, var, hidden)
        colour = colour_left(left, var, hidden)
        work = replace(m, q=m.q.copy())
        edges, unsure_edges = faded_edges(work)
        spots, unsure_spots = soft_spots(work, colour)
        lamps = taken_for_pale(spots, e, p) if turn == 0 and len(e.views) == 1 else np.zeros(0, bool)
        if not lamps.any():
            break
        # large or weak reflections first come to light as pale places: look again without them
        hidden = hidden | lamps
        glare_found = listed(e, left, hidden)
    judged = np.isfinite(m.q)
    fine = fine_residual(e, p)
    spots = [told_apart(s, fine, e, p) for s in spots if s.diameter_mm > 16 or seen_between_edges(s, fine, e)]
    dots = crisp_dots(fine, e, p, np.asarray(hidden.all(axis=0)), spots)
    ghost = find_ghost(fine, e)
    bands = find_banding(fine, e)
    scorch = find_scorch(e, p, left, var, hidden)
    if ghost is not None:
        spots = [s for s in spots if s.detail.get("significance", 0) > 12 and s.diameter_mm > 8]
        dots = []
    edges, spots = along_edges(edges, spots, e)
    spots = on_the_print(without_echoes(edges, spots, m), e)
    edges, spots, broad = undecidable(edges, spots, e, p)
    findings = merged(
        [*edges, *([ghost] if ghost else []), *bands, *scorch, *spots, *dots, *glare_found], size_mm=e.size_mm
    )
    findings = without_colour_errors(findings, work)
    # the rim is measured in the first photo: where a reflection lies in it, among several, it would be the lamp's
    clear = ~hidden[0] if len(e.views) > 1 else np.ones(judged.shape, bool)
    findings = [mark_sharp_rim(f, e, fine, clear) for f in findings]
    if len(e.views) == 1:
        findings = [mark_reflection(f, e, p) for f in findings]
    residual = _residual(e, colour, judged)
    typical = float(np.nanmedian(np.sqrt(m.var[judged]))) if judged.any() else float("nan")
    mid = e.rel[judged] if judged.any() else e.rel[e.inside]
    per_lack = (
        float(np.median(lack_de(mid[:: max(len(mid) // 400, 1)], p.depth[judged][:: max(len(mid) // 400, 1)], 0.05)))
        / 0.05
        if judged.any()
        else 0.0
    )
    broad_colour = float(2.5 * p.colour_doubt.max() * per_lack)
    if e.source == "photo" and surviving_share(e, p) < _SWALLOWED:
        broad_colour = max(broad_colour, _LIKELY_LACK * per_lack)
    ambiguous = tuple(dict.fromkeys([*p.ambiguous, *broad, *unsure_edges, *unsure_spots]))
    settle = p.settle_by
    if broad_colour > _BROAD_COLOUR_DE and e.source == "photo":
        ambiguous, settle = (*ambiguous, "colour"), settle or "reading"
    if ambiguous and not settle:
        settle = "blank frame" if len(e.views) == 1 else "turned a quarter and shifted"
    cells, mean_de, p95, uptake = _colour_error(e, p, answer)
    middle = float(np.median(p.depth[judged])) if judged.any() else 1.0
    return DefectResult(
        findings=tuple(findings),
        residual=residual,
        lack=m.q,
        lack_std=np.sqrt(m.var),
        step_mm=e.step_mm,
        light=p.light[0],
        light_ratio=p.ratio,
        glare=np.asarray(hidden.all(axis=0)),
        ambiguous=ambiguous,
        settle_by=settle if ambiguous else "",
        anchors=p.anchors,
        noise_lack=typical,
        noise_de00=typical * per_lack,
        judged_share=float(judged.sum() / max(e.inside.sum(), 1)),
        broad_de00=max(float(2 * p.doubt.max() / max(middle, 0.1) * per_lack), broad_colour),
        shift_mm=p.shift_mm,
        source=e.source,
        coat=e.coat,
        colours=cells,
        mean_de00=mean_de,
        p95_de00=p95,
        uptake=uptake,
        detail={"colours": e.colours, "degree": e.degree, "places": places.shape[0] * places.shape[1]},
    )


def _residual(e: Expected, colour: Array, judged: Array) -> Array:
    seen = np.clip(e.rel * np.exp(np.nan_to_num(colour)), 0, 1.3)
    a, b = relative_lab(seen), relative_lab(e.rel)
    de = np.asarray(delta_e00(a, b))
    return np.where(judged & np.isfinite(colour).all(axis=2), np.where(a[..., 0] >= b[..., 0], de, -de), np.nan)


def _colour_error(
    e: Expected, p: Parted, answer: Answer | None
) -> tuple[tuple[ColourCell, ...], float | None, float | None, float | None]:
    """Compare what the artwork's colours became against a reading or profile, free of spots and light."""
    if answer is None or e.coat == "guess":
        return (), None, None, None
    cells: list[ColourCell] = []
    quiet = e.inside & (e.texture < 1.0)
    group = np.where(quiet, p.colour_group, -1)
    number = int(group.max()) + 1
    count = np.bincount(group[group >= 0], minlength=number)
    left = np.where(np.isfinite(p.left), p.left, 0.0)
    seen = e.rel * np.exp(np.median(left, axis=0) if len(left) > 1 else left[0])
    deltas, shares, ups = [], [], []
    for k in np.argsort(-count)[:60]:
        if count[k] < 3:
            break
        here = group == k
        device = e.device[here].mean(axis=0)
        due = np.asarray(answer(device[None]), dtype=float)[0]
        got = np.median(seen[here], axis=0)
        lab0, lab1 = relative_lab(np.clip(due, 1e-4, 1.2)), relative_lab(np.clip(got, 1e-4, 1.2))
        de = float(delta_e00(lab1, lab0))
        share = float(count[k] / max(quiet.sum(), 1))
        depth = -np.log(np.clip(due, 0.02, 1.0)).mean()
        if depth > 0.2:
            ups.append((share, -np.log(np.clip(got, 0.02, 1.0)).mean() / depth))
        deltas.append(de)
        shares.append(share)
        cells.append(
            ColourCell(
                device_rgb=tuple(float(round(v, 1)) for v in device),
                area_share=share,
                due_lab=tuple(float(round(v, 2)) for v in lab0),
                seen_lab=tuple(float(round(v, 2)) for v in lab1),
                delta_e00=round(de, 2),
            )
        )
    if not cells:
        return (), None, None, None
    uptake = float(np.average([u for _, u in ups], weights=[s for s, _ in ups])) if ups else None
    return tuple(cells), float(np.average(deltas, weights=shares)), float(np.percentile(deltas, 95)), uptake
