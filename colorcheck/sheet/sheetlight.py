"""One photo of a sheet: its light and its reflections apart, each helped by what the other found."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ..ground.records import CellFlag, CellKind, CellSamples, FieldSamples, Floats, Light, Target
from ..ground.response import Response, fit_response, predict
from ..photo.camera import Veil, estimate_veil, judge_veil, weigh_veil
from ..photo.card import coat_of
from ..photo.glare import Evidence, GlareFit, fit_glare, glare_at
from ..photo.lighting import LightFit, fit_light, grid_places, light_at
from ..photo.tone import PRIOR_STD, Tone, fit_tone, tone_gain
from .cover import find_covered

_BAD = int(CellFlag.CLIPPED | CellFlag.HIDDEN)


def expected(target: Target, rel: Floats, usable: Any) -> tuple[Floats, Floats, Response]:
    """Say what every cell should look like if light and press were even, and its error.

    Anchors and replicated colours are their own reference; single colours come from the
    response fitted to all.
    """
    response = fit_response(target.device_rgb, rel, weights=np.where(usable, 1.0, 0.0))
    due = np.clip(predict(response, target.device_rgb), 0.002, 1.2)
    error = 3 * response.error[None, :] * response.reach[:, None] * np.cbrt(due) ** 2 + 0.002
    for kind, rel_std in ((CellKind.BLACK, 0.06), (CellKind.CONTROL, 0.02)):
        own = target.kind == kind
        for rgb in np.unique(target.device_rgb[own], axis=0):
            same = own & (target.device_rgb == rgb).all(axis=1) & usable
            if same.sum() >= 2:
                due[same] = np.maximum(np.median(rel[same], axis=0), 0.002)
                error[same] = rel_std * due[same] + 0.0015
    white = target.kind == CellKind.WHITE
    due[white], error[white] = 1.0, 0.004
    return due, error, response


@dataclass(frozen=True, slots=True, eq=False)
class Separated:
    """Light, glare and tone of one photo, and what the cells should be without them."""

    light: Light
    glare: GlareFit
    fit: LightFit
    due: Floats
    response: Response
    tone: Tone
    covered: Any
    covered_field: Any
    field_std: Floats


def separate(
    target: Target,
    samples: CellSamples,
    field: FieldSamples,
    quiet: tuple[Floats, Floats],
    *,
    curve_std: float = PRIOR_STD,
) -> Separated:
    """Take light and glare out of one photo: the two exchange what they found until both stay.

    Parameters
    ----------
    target : Target
    samples : CellSamples
    field : FieldSamples
    quiet : (m, 2), (m, 3)
        Places of bare coat between the cells, and their signal.
    curve_std : float
        How far the camera's tone curve may be from the one assumed.

    Returns
    -------
    Separated
    """
    xy = target.centres_mm
    white = target.kind == CellKind.WHITE
    covered, covered_field = find_covered(target, samples, field)
    usable = ((samples.flags & _BAD) == 0) & ~covered
    if usable[white].sum() < 3 or usable[~white].sum() < 8:  # clipped nearly everywhere: the check will refuse it
        usable = ~covered
    trust = np.where(usable[white], 1.0, 0.02)
    trust = np.where(samples.flags[white] & int(CellFlag.UNEVEN), 0.1 * trust, trust)
    shape = field.rgb.shape[:2]
    places = grid_places(target.size_mm, field.step_mm, (shape[0], shape[1]))
    at = (xy / (np.array(target.size_mm) / 2) - 1, places / (np.array(target.size_mm) / 2) - 1)
    g_cell = np.zeros_like(samples.rgb)
    g_field = np.zeros((len(places), 3))
    lies = np.zeros(len(xy), dtype=bool)
    flat_field = field.rgb.reshape(-1, 3)
    have = np.isfinite(flat_field[:, 0]) & ~covered_field.ravel()
    q_xy, q_rgb = quiet
    g_quiet, lies_quiet = np.zeros_like(q_rgb), np.zeros(len(q_xy), dtype=bool)
    second = np.concatenate([np.zeros(int(white.sum())), np.ones(len(q_xy))])
    glare: GlareFit | None = None
    for _ in range(4):
        weights = np.where(lies[white], 0.25 * trust, trust)
        anchors = np.concatenate([samples.rgb[white] - g_cell[white], q_rgb - g_quiet])
        fit = fit_light(
            np.concatenate([xy[white], q_xy]),
            np.maximum(anchors, 1e-4),
            target.size_mm,
            weights=np.concatenate([weights, np.where(lies_quiet, 0.1, 0.6)]),
            other=second,
        )
        e_cell, e_std = light_at(fit, xy)
        e_field, ef_std = light_at(fit, places)
        rel = (samples.rgb - g_cell) / e_cell
        due, error, response = expected(target, rel, usable & ~lies)
        field_rel = (flat_field - g_field) / e_field
        typical = np.nanmedian(field_rel[have], axis=0)
        tone, e_cell, e_field = _follow_tone(
            rel, due, error, e_cell, field_rel, typical, e_field, usable & ~lies & ~white, have, white, at, curve_std
        )
        seen = samples.rgb / e_cell
        rel = (samples.rgb - g_cell) / e_cell
        due, error, response = expected(target, rel, usable & ~lies)
        field_rel = (flat_field - g_field) / e_field
        typical = np.nanmedian(field_rel[have], axis=0)
        block = _thin(places, have, target.pitch_mm, field.step_mm)
        evidence = Evidence(
            xy_mm=np.concatenate([xy[usable], places[block]]),
            seen=np.concatenate([seen[usable], (flat_field / e_field)[block]]),
            due=np.concatenate([due[usable], np.tile(typical, (int(block.sum()), 1))]),
            std=np.concatenate(
                [
                    np.hypot(error, due * np.hypot(e_std, fit.loo)[:, None])[usable],
                    np.tile(0.02 * typical, (int(block.sum()), 1)) + 0.5 * typical * ef_std[block, None],
                ]
            ),
            fixed=np.concatenate([white[usable], np.zeros(int(block.sum()), bool)]),
        )
        before = lies
        glare = fit_glare(evidence, target.size_mm, target.pitch_mm)
        gr_cell, _, lies = glare_at(glare, xy)
        gr_field, _, lies_field = glare_at(glare, places)
        g_cell, g_field = gr_cell * e_cell, gr_field * e_field
        if len(q_xy):
            gr_quiet, _, lies_quiet = glare_at(glare, q_xy)
            g_quiet = gr_quiet * light_at(fit, q_xy)[0]
        if (before == lies).all() and not lies.any():
            break
    assert glare is not None
    ratio = float(np.percentile(e_field.mean(axis=1), 99) / np.percentile(e_field.mean(axis=1), 1))
    tint = np.log(e_field).max(axis=0) - np.log(e_field).min(axis=0)
    light = Light(
        e_map=e_field.reshape(*shape, 3),
        g_map=g_field.reshape(*shape, 3),
        glare=lies_field.reshape(shape),
        step_mm=field.step_mm,
        e_cell=e_cell,
        g_cell=g_cell,
        e_std=e_std,
        ratio=ratio,
        order=fit.degree,
        residual=fit.loo,
        veil=np.zeros(3),
        veil_std=0.01,
        veil_known=False,
        cast=float(np.ptp(tint)),
    )
    return Separated(light, glare, fit, due, response, tone, covered, covered_field, ef_std.reshape(shape))


def _follow_tone(
    rel: Floats,
    due: Floats,
    error: Floats,
    e_cell: Floats,
    field_rel: Floats,
    typical: Floats,
    e_field: Floats,
    cells: Any,
    have: Any,
    white: Any,
    at: tuple[Floats, Floats],
    curve_std: float,
) -> tuple[Tone, Floats, Floats]:
    """Let the light mean for each tone what the camera's curve makes of it."""
    middle = float(np.log(e_field.mean(axis=1)).mean())
    t_cell, t_field = np.log(e_cell.mean(axis=1)) - middle, np.log(e_field.mean(axis=1)) - middle
    pick = have & (np.arange(len(have)) % max(1, int(have.sum() / 400)) == 0)
    seen = np.clip(rel[cells], 1e-3, 2.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        excess = np.concatenate([np.log(seen / due[cells]).ravel(), np.log(field_rel[pick] / typical).ravel()])
    rho = np.concatenate([due[cells].ravel(), np.tile(typical, int(pick.sum()))])
    std = np.concatenate([(error[cells] / due[cells]).ravel() + 0.01, np.full(3 * int(pick.sum()), 0.03)])
    t = np.concatenate([np.repeat(t_cell[cells], 3), np.repeat(t_field[pick], 3)])
    place = np.repeat(np.concatenate([at[0][cells], at[1][pick]]), 3, axis=0)
    ok = np.isfinite(excess)
    tone = fit_tone(
        t[ok], rho[ok], excess[ok], std[ok], place[ok], field_rho=float(typical.mean()), prior_std=curve_std
    )
    if not tone.a and not tone.b:
        return tone, e_cell, e_field
    gain = tone_gain(tone, due, t_cell[:, None])
    return (
        tone,
        np.where(white[:, None], e_cell, e_cell * gain),
        e_field * tone_gain(tone, np.broadcast_to(typical, e_field.shape), t_field[:, None]),
    )


def _thin(places: Floats, have: Any, pitch: float, step: float) -> Any:
    """Every so many-th field block, so that the field does not drown the cells."""
    k = max(1, round(0.9 * pitch / step))
    row, col = np.floor(places[:, 1] / step).astype(int), np.floor(places[:, 0] / step).astype(int)
    return have & (row % k == 0) & (col % k == 0)


def find_veil(
    target: Target, samples: CellSamples, light: Light, usable: Any, known: tuple[float, float] | None = None
) -> tuple[Veil, Light]:
    """Find the even veil of one photo from its dark cells, and note in the light what may be taken off.

    Parameters
    ----------
    usable : (n,) bool
        Cells free of glare and cover.
    known : (float, float), optional
        What was measured of the set-up: mean signal that strayed over the frame, and its error as a share of the coat.
    """
    good = usable & ((samples.flags & (_BAD | int(CellFlag.UNEVEN))) == 0)
    level = light.e_cell.mean(axis=1)
    share, std = estimate_veil((samples.rgb - light.g_cell).mean(axis=1), level, target.device_rgb, good)
    # told in units of the median cell's light; the record counts from the mean over the piece
    coat = coat_of(light)
    scale = float(np.median(level[good]) / coat.mean()) if good.any() else 1.0
    veil = judge_veil(share * scale, std * scale)
    if known is not None:
        veil = weigh_veil(veil, known[0] / float(coat.mean()), known[1])
    signal = veil.taken * coat.mean()
    veil_std = veil.std if veil.known else light.veil_std
    return veil, replace(light, veil=np.asarray(signal / coat), veil_std=veil_std, veil_known=veil.known)
