"""Is the photo fit to judge by? Each measure, its limit, and where on the piece the trouble lies."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..ground.limits import PhotoLimits
from ..ground.places import part_in_words
from ..ground.records import CellFlag, CellKind, CellSamples, Floats, Light, PhotoCheck, Pose, Target


def _place(target: Target, xy: Floats, weight: Floats) -> str:
    if not weight.any():
        return ""
    x, y = (xy * weight[:, None]).sum(axis=0) / weight.sum()
    return part_in_words(float(x), float(y), target.size_mm)


def check_photo(
    target: Target,
    pose: Pose,
    samples: CellSamples,
    light: Light,
    *,
    edge_mm: float,
    tone_slope: float,
    covered: Any,
    local_tone: float,
    limits: PhotoLimits,
) -> PhotoCheck:
    """Measure sharpness, exposure, glare, cover and scale of one photo.

    Parameters
    ----------
    edge_mm : float
        Width of a printed edge in the photo.
    tone_slope : float
        Excess slope of the field against the light, from `tone`.
    covered : (n,) bool
        Cells something lies on.
    local_tone : float
        Strength of local tone mapping, 0 when none was noticed.
    limits : PhotoLimits

    Returns
    -------
    PhotoCheck
        ``problems`` stop the judgement, ``warnings`` go along with it.
    """
    xy = target.centres_mm
    white = target.kind == CellKind.WHITE
    level = light.e_cell.mean(axis=1)
    clipped = (samples.flags & CellFlag.CLIPPED) > 0
    hidden = ((samples.flags & CellFlag.HIDDEN) > 0) | covered
    gap = target.pitch_mm - target.cell_mm
    bright = light.g_map.max(axis=2) / np.maximum(light.e_map.max(axis=2), 1e-6)
    inside = np.isfinite(light.e_map[..., 0])
    area = float((light.glare & (bright > 0.03)).sum() / max(inside.sum(), 1))
    white_level = float(np.median(level[white]))
    noise = float(np.median(samples.spread.mean(axis=1) / np.maximum(samples.rgb.mean(axis=1), 1e-3)))
    rows, cols = np.nonzero(light.glare & (bright > 0.03))
    glare_xy = np.stack([(cols + 0.5) * light.step_mm, (rows + 0.5) * light.step_mm], axis=1)
    glare_at = _place(target, glare_xy, bright[rows, cols]) if len(rows) else ""
    clip_w = float(clipped[white].mean())
    sharp_limit = max(limits.edge_share * gap, 2.0 / max(pose.px_per_mm, 0.1) * 1.3)
    dark_side = _place(target, xy, (level < np.percentile(level, 20)).astype(float))
    tests = [
        (
            "px-per-mm",
            pose.px_per_mm,
            limits.px_per_mm,
            pose.px_per_mm < limits.px_per_mm,
            "",
        ),
        ("blur-mm", edge_mm, sharp_limit, edge_mm > sharp_limit, ""),
        (
            "pose-mm",
            pose.residual_mm,
            limits.pose_mm,
            pose.residual_mm > limits.pose_mm,
            "",
        ),
        ("dark", white_level, limits.white_low, white_level < limits.white_low, ""),
        (
            "clipped-white",
            clip_w,
            limits.clipped_white,
            clip_w > limits.clipped_white,
            _place(target, xy, (clipped & white).astype(float)),
        ),
        (
            "clipped-cells",
            float(clipped.mean()),
            limits.clipped_cells,
            float(clipped.mean()) > limits.clipped_cells,
            _place(target, xy, clipped.astype(float)),
        ),
        ("glare", area, limits.glare_area, area > limits.glare_area, glare_at),
        (
            "hidden",
            float(hidden.mean()),
            limits.hidden_cells,
            float(hidden.mean()) > limits.hidden_cells,
            _place(target, xy, hidden.astype(float)),
        ),
        (
            "uneven-light",
            light.ratio,
            limits.light_ratio,
            light.ratio > limits.light_ratio,
            dark_side,
        ),
        (
            "local-tone",
            local_tone,
            limits.local_tone,
            local_tone > limits.local_tone,
            "",
        ),
        (
            "tone-curve",
            abs(tone_slope),
            limits.tone_slope,
            abs(tone_slope) > limits.tone_slope,
            "",
        ),
    ]
    problems = tuple((m, float(v), lim, where) for m, v, lim, bad, where in tests if bad)
    warnings: list[tuple[str, float, float, str]] = []
    if light.glare.any() and area <= limits.glare_area:
        warnings.append(("glare", area, limits.glare_area, glare_at or "part of the piece"))
    if hidden.any() and float(hidden.mean()) <= limits.hidden_cells:
        warnings.append(
            (
                "hidden",
                float(hidden.mean()),
                limits.hidden_cells,
                _place(target, xy, hidden.astype(float)),
            )
        )
    if 2.2 < light.ratio <= limits.light_ratio:
        warnings.append(("uneven-light", light.ratio, 2.2, dark_side))
    if 0.05 < abs(tone_slope) <= limits.tone_slope:
        warnings.append(("tone-curve", abs(tone_slope), 0.05, ""))
    if 0 < local_tone <= limits.local_tone:
        warnings.append(("local-tone", local_tone, limits.local_tone, ""))
    if pose.mirrored:
        warnings.append(("mirrored", 1.0, 0.0, ""))
    return PhotoCheck(
        sharpness_px=edge_mm * pose.px_per_mm,
        edge_mm=edge_mm,
        clipped_share=float(clipped.mean()),
        glare_share=area,
        white_level=white_level,
        noise=noise,
        tone_spread=tone_slope,
        hidden=int(hidden.sum()),
        problems=problems,
        warnings=tuple(warnings),
    )
