"""The whole flow of `read`, top to bottom; the only place that knows the order of the steps."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from ..colour.accuracy import judge_accuracy
from ..faults.evenness import judge_evenness
from ..faults.prints import check_print
from ..faults.verdict import decide
from ..ground.cielab import lab_to_xyz, xyz_to_linear_srgb
from ..ground.errors import PhotoError, TargetError
from ..ground.limits import Limits, load_limits
from ..ground.records import (
    CellFlag,
    CellKind,
    Cells,
    CellSamples,
    Earlier,
    FieldSamples,
    Floats,
    Light,
    LightChange,
    LinearImage,
    PhotoResult,
    Reading,
    Target,
)
from ..ground.relative import with_veil, without_veil
from ..ground.response import Response, fit_response, predict
from ..photo.camera import CameraModel, Veil, estimate_veil, judge_veil, refer_cells
from ..photo.card import CardSignal, card_signal, coat_of, join
from ..photo.decode import decode
from ..photo.glare import Evidence, GlareFit, fit_glare, glare_at
from ..photo.lighting import LightFit, fit_light, grid_places, light_at
from ..photo.rectify import lay_flat, sample_cells, sample_field, sample_quiet
from ..photo.tone import Tone, fit_tone, tone_gain
from ..photo.toneguard import check_local_tone
from ..sheet.locate import UnreadCodeError, locate
from ..sheet.measure import measure
from ..sheet.merge import merge_cells, merge_fields
from ..sheet.photocheck import check_photo

_BAD = int(CellFlag.CLIPPED | CellFlag.HIDDEN)
_AUTO_NOTE = "white balance was automatic: a lamp unlike that of the characterisation would go unnoticed; lock it"
_QUICK_PIXELS = 6_500_000
_ENOUGH_PX_PER_MM = 4.5
_SPOILED = _BAD | int(CellFlag.GLARE | CellFlag.UNEVEN)


def centres(target: Target) -> Floats:
    """Middles of the cells in mm, (n, 2)."""
    return target.box_mm[:, :2] + target.box_mm[:, 2:] / 2


def expected(target: Target, rel: Floats, usable: Any) -> tuple[Floats, Floats, Response]:
    """Say what every cell should look like if light and press were even, and its error.

    Anchors and replicated colours are their own reference; single colours come from the
    response fitted to all.
    """
    response = fit_response(target.device_rgb, rel, weights=np.where(usable, 1.0, 0.0))
    due = np.clip(predict(response, target.device_rgb), 0.002, 1.2)
    error = 3 * response.error[None, :] * np.cbrt(due) ** 2 + 0.002
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


def separate(target: Target, samples: CellSamples, field: FieldSamples, quiet: tuple[Floats, Floats]) -> Separated:
    """Take light and glare out of one photo: the two exchange what they found until both stay.

    Returns
    -------
    Separated
    """
    xy = centres(target)
    white = target.kind == CellKind.WHITE
    covered, covered_field = find_covered(target, samples, field)
    usable = ((samples.flags & _BAD) == 0) & ~covered
    if usable[white].sum() < 3 or usable[~white].sum() < 8:  # clipped nearly everywhere: the check will refuse it
        usable = ~covered
    trust = np.where(usable[white], 1.0, 0.02)
    trust = np.where(samples.flags[white] & int(CellFlag.UNEVEN), 0.1 * trust, trust)
    shape = field.rgb.shape[:2]
    places = grid_places(target.size_mm, field.step_mm, (shape[0], shape[1]))
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
            rel, due, error, e_cell, field_rel, typical, e_field, usable & ~lies & ~white, have, white
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


def find_veil(target: Target, samples: CellSamples, light: Light, usable: Any) -> tuple[Veil, Light]:
    """Find the even veil of one photo from its dark cells, and note in the light what may be taken off.

    Parameters
    ----------
    usable : (n,) bool
        Cells free of glare and cover.
    """
    good = usable & ((samples.flags & (_BAD | int(CellFlag.UNEVEN))) == 0)
    level = light.e_cell.mean(axis=1)
    share, std = estimate_veil((samples.rgb - light.g_cell).mean(axis=1), level, target.device_rgb, good)
    # told in units of the median cell's light; the record counts from the mean over the piece
    coat = coat_of(light)
    scale = float(np.median(level[good]) / coat.mean()) if good.any() else 1.0
    veil = judge_veil(share * scale, std * scale)
    signal = veil.taken * coat.mean()
    veil_std = veil.std if veil.known else light.veil_std
    return veil, replace(light, veil=np.asarray(signal / coat), veil_std=veil_std, veil_known=veil.known)


def find_covered(target: Target, samples: CellSamples, field: FieldSamples) -> tuple[Any, Any]:
    """Find cells (n,) and field blocks (r, c) that something lies on: the cells there do not stand out.

    A light, a spot or a ghost changes cells and field; only a cover makes them alike.
    """
    xy = centres(target)
    step = field.step_mm
    have = np.isfinite(field.rgb[..., 0])
    every = max(1, round(0.35 * target.pitch_mm / step))
    rows, cols = np.nonzero(have)
    some = (rows % every == 0) & (cols % every == 0) if every > 1 else np.ones(len(rows), bool)
    rows, cols = rows[some], cols[some]
    places = np.stack([(cols + 0.5) * step, (rows + 0.5) * step], axis=1)
    values = field.rgb[rows, cols]
    d2 = ((xy[:, None, :] - places[None, :, :]) ** 2).sum(axis=2)
    near = np.exp(-d2 / (2 * (0.6 * target.pitch_mm) ** 2))
    around = (near @ values) / np.maximum(near.sum(axis=1), 1e-9)[:, None]
    # what each cell usually does against the field: its own device colour, by the whole sheet
    model = fit_response(target.device_rgb, np.maximum(samples.rgb, 0) / np.maximum(around, 1e-6))
    due = np.cbrt(np.maximum(predict(model, target.device_rgb), 0)) - 1.0
    ratio = np.cbrt(np.maximum(samples.rgb, 0) / np.maximum(around, 1e-6)) - 1.0
    strength = (due**2).sum(axis=1)
    share = (ratio * due).sum(axis=1) / np.maximum(strength, 1e-6)
    telling = strength > 0.12
    lost = telling & (share < 0.3)
    # one odd cell is a misprint; a cover takes neighbours too
    close = ((xy[:, None, :] - xy[None, :, :]) ** 2).sum(axis=2) < (1.6 * target.pitch_mm) ** 2
    lost &= (close & lost[None, :] & telling[None, :]).sum(axis=1) >= np.maximum(
        0.5 * (close & telling[None, :]).sum(axis=1), 2
    )
    reach = 1.5 * target.pitch_mm
    covered = np.zeros(len(xy), bool)
    block = np.zeros(have.shape, bool)
    if lost.any():
        yy, xx = np.mgrid[0 : have.shape[0], 0 : have.shape[1]]
        for x, y in xy[lost]:
            covered |= np.hypot(xy[:, 0] - x, xy[:, 1] - y) < reach
            block |= np.hypot((xx + 0.5) * step - x, (yy + 0.5) * step - y) < 1.3 * reach
    return covered, block


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
    ok = np.isfinite(excess)
    tone = fit_tone(t[ok], rho[ok], excess[ok], std[ok], field_rho=float(typical.mean()))
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


@dataclass(frozen=True, slots=True, eq=False)
class _Worked:
    """One photo worked through, with what the merged steps need of it."""

    result: PhotoResult
    field_rel: Floats
    field_std: Floats
    tone: Tone
    coat: Floats
    card: CardSignal
    veil: Veil
    veil_share: Floats
    auto_balance: bool


def work_photo(
    image: LinearImage, target: Target | None, *, limits: Limits, unread: UnreadCodeError | None = None
) -> tuple[Target, _Worked]:
    """Decode aside, everything that is done to one photo alone."""
    tones = np.unique(image.rgb[::9, ::9, 1])
    if len(tones) < 32 and tones[-1] > 0.3:
        raise PhotoError(f"{image.source} holds only {len(tones)} tones", "use the photo as the camera stored it")
    found = locate(image, target, unread=unread)
    target, pose, image = found.target, found.pose, found.image
    flat = lay_flat(image, pose, target.size_mm)
    samples = sample_cells(flat, pose, target, image)
    if float(np.percentile(np.ptp(samples.rgb, axis=1) / np.maximum(samples.rgb.max(axis=1), 1e-4), 95)) < 0.02:
        raise PhotoError(f"{image.source} has no colour, only greys", "photograph or scan the target in colour")
    field = sample_field(flat, target, edge_mm=found.edge_mm)
    parts = separate(target, samples, field, sample_quiet(flat, target, edge_mm=found.edge_mm))
    _, g_std, lies = glare_at(parts.glare, centres(target))
    veil, light = find_veil(target, samples, parts.light, ~(lies | parts.covered))
    coat = coat_of(light)
    share = light.veil * coat / light.e_cell
    cells = measure(
        samples, light, g_std=g_std, glare=lies, covered=parts.covered, model_error=0.3 * parts.fit.loo, veil=share
    )
    field_rel = without_veil((field.rgb - light.g_map) / light.e_map, light.veil * coat / light.e_map)
    field_rel[parts.covered_field] = np.nan
    clear = (cells.flags & _SPOILED) == 0
    local = check_local_tone(
        image,
        pose,
        target,
        samples.rgb - parts.light.g_cell,
        clear,
        limit=limits.photo.local_tone,
    )
    if local.error > 0:  # what the camera's own dodging may have left in every cell
        y = np.clip(cells.rgb_rel.mean(axis=1), 1e-3, 1.0)
        noise = np.hypot(cells.u_noise, 116 / 3 * np.cbrt(y) * local.error)
        cells = replace(cells, u_noise=noise, uncertainty=np.hypot(noise, cells.u_system))
    card = card_signal(image, pose, target, lambda mm: light_at(parts.fit, mm)[0])
    check = check_photo(
        target,
        pose,
        samples,
        light,
        edge_mm=found.edge_mm,
        tone_slope=parts.tone.field_slope,
        covered=parts.covered,
        local_tone=local.strength if local.noticed else 0.0,
        limits=limits.photo,
    )
    result = PhotoResult(
        image_name=image.source,
        sha256=image.sha256,
        device=image.device,
        taken=image.taken,
        colour_space=image.colour_space,
        kind=image.kind,
        notes=image.notes,
        size_px=image.original_size,
        pose=pose,
        flat=flat,
        samples=samples,
        field=field,
        light=light,
        cells=cells,
        check=check,
    )
    return target, _Worked(
        result,
        field_rel,
        parts.field_std,
        parts.tone,
        coat,
        card,
        veil,
        share,
        image.exposure.get("auto_white_balance", 0.0) > 0,
    )


def work_file(path: str | Path, target: Target | None, *, limits: Limits) -> tuple[LinearImage, Target, _Worked]:
    """Decode a photo at the scale that is needed and work it through.

    Three to six megapixels carry every figure of a sheet that fills the frame; a small or
    far one is taken again at full size.
    """
    image = decode(path, max_pixels=_QUICK_PIXELS)
    unread: UnreadCodeError | None = None
    try:
        found, worked = work_photo(image, target, limits=limits)
        if image.scale >= 1.0 or worked.result.pose.px_per_mm >= _ENOUGH_PX_PER_MM:
            return image, found, worked
    except TargetError as e:
        if image.scale >= 1.0:
            raise
        if isinstance(e, UnreadCodeError) and e.placed:
            if e.fine:
                raise
            unread = e
    image = decode(path)
    found, worked = work_photo(image, target, limits=limits, unread=unread)
    return image, found, worked


def read(
    photos: Sequence[str | Path],
    *,
    target: Target | None = None,
    camera: CameraModel | None = None,
    printed: str = "as-usual",
    paper: str = "on",
    against: Earlier | None = None,
    floor: Callable[[Sequence[str]], Floats] | None = None,
    limits: Limits | None = None,
    repress: dict[str, Any] | None = None,
    progress: Callable[[str], None] | None = None,
) -> Reading:
    """Read a pressed target from one or several photos.

    Parameters
    ----------
    photos : paths
        Photos or scans of the same piece.
    target : Target, optional
        Its layout; without one the printed code tells.
    camera : CameraModel, optional
        The characterised camera; gives trust ``referenced``, and absolute values where the
        white card round the piece links the photos to the characterisation.
    printed : {'as-usual', 'raw'}
        ``raw`` means without any profile: colour is reported, not judged.
    paper : {'on', 'off'}
        Whether the paper is still taped on and has not moved.
    against : Earlier, optional
        Another reading of the same target taken as the aim.
    floor : callable, optional
        Gives the noise floor (n,) of this set-up for the cells' names, from a repeat study.
    limits : Limits, optional
        From `load_limits`.
    repress : dict, optional
        Seconds from the heat model for the advice.
    progress : callable, optional
        Told in a word what is being done.

    Returns
    -------
    Reading

    Raises
    ------
    ColorcheckError
        A photo cannot be read, or shows no target, two, or another one.
    """
    limits = load_limits() if limits is None else limits
    say = progress or (lambda _: None)
    worked: list[_Worked] = []
    for path in photos:
        say(f"reading {Path(path).name}")
        _, target, one = work_file(path, target, limits=limits)
        if worked:  # only one flat picture is kept: the sharpest of the fit ones
            best = min((worked[-1], one), key=lambda k: (len(k.result.check.problems), k.result.check.edge_mm))
            other = one if best is worked[-1] else worked[-1]
            lean = replace(other, result=replace(other.result, flat=None))
            worked[-1:] = [lean, best] if best is one else [best, lean]
            worked.sort(key=lambda k: k.result.flat is not None)
        else:
            worked.append(one)
    assert target is not None
    say("judging")
    return _judge(
        target,
        tuple(worked),
        camera=camera,
        printed=printed,
        paper=paper,
        against=against,
        floor=floor(target.ids) if floor else None,
        limits=limits,
        repress=repress,
    )


def refer(cells: Cells, camera: CameraModel, photos: Sequence[_Worked]) -> tuple[Cells, LightChange]:
    """See merged cells through the characterised camera; their linear colour follows the new CIELAB.

    The veil that was taken off is put back: what the camera's file knows of it and what these photos tell of it
    are weighed together.
    """
    coat = np.exp(np.mean([np.log(k.coat) for k in photos], axis=0))
    seen = with_veil(cells.rgb_rel, np.mean([k.veil_share for k in photos], axis=0))
    told = [k.veil for k in photos if np.isfinite(k.veil.std)] if len(camera.tone) == 0 else []
    veil, veil_std = 0.0, np.inf
    if told and len(told) == len(photos):
        weight = np.array([k.std**-2 for k in told])
        veil, veil_std = float(weight @ [k.found for k in told] / weight.sum()), min(k.std for k in told)
    out, change, bound = refer_cells(
        replace(cells, rgb_rel=seen),
        camera,
        coat,
        join([k.card for k in photos]),
        veil=veil,
        veil_std=veil_std,
        auto_balance=any(k.auto_balance for k in photos),
    )
    flags = (out.flags & ~int(CellFlag.DENSITY_BOUND)) | np.where(bound, int(CellFlag.DENSITY_BOUND), 0)
    return replace(out, rgb_rel=xyz_to_linear_srgb(lab_to_xyz(out.lab)), flags=flags), change


def _judge(
    target: Target,
    worked: tuple[_Worked, ...],
    *,
    camera: CameraModel | None,
    printed: str,
    paper: str,
    against: Earlier | None,
    floor: Floats | None,
    limits: Limits,
    repress: dict[str, Any] | None,
) -> Reading:
    """Merge the photos and walk evenness, print faults, colour and verdict."""
    fit = [k for k in worked if not k.result.check.problems] or list(worked)
    cells = merge_cells(tuple(k.result.cells for k in fit))
    if floor is not None:
        noise = np.maximum(cells.u_noise, floor / np.sqrt(len(fit)))
        cells = replace(cells, u_noise=noise, uncertainty=np.hypot(noise, cells.u_system))
    field_rel, weight, std, glare = merge_fields(
        [k.field_rel for k in fit],
        [k.result.field.weight for k in fit],
        [k.field_std for k in fit],
        [k.result.light.glare for k in fit],
    )
    usable = (cells.flags & (_BAD | int(CellFlag.GLARE))) == 0
    due, _, response = expected(target, cells.rgb_rel, usable)
    step = fit[0].result.field.step_mm
    ok = usable & (target.kind != CellKind.WHITE)
    even = judge_evenness(target, field_rel, weight, std, glare, step, cells.rgb_rel, due, response.error, ok)
    main = next(k for k in worked if k.result.flat is not None)
    flat = main.result.flat
    assert flat is not None
    prints = check_print(
        target, flat, main.result.light, main.field_rel, main.result.cells, edge_mm=main.result.check.edge_mm
    )
    change = None
    if camera is not None:
        cells, change = refer(cells, camera, fit)
        fit_names = {k.result.image_name for k in fit if k.auto_balance}
        worked = tuple(
            replace(k, result=replace(k.result, notes=(*k.result.notes, _AUTO_NOTE)))
            if k.result.image_name in fit_names
            else k
            for k in worked
        )
    if any(f.kind == "ghost" for f in prints.findings):
        # the copy's strips beside every cell look like small dark places: they are the ghost, not the press
        even = replace(even, findings=tuple(f for f in even.findings if f.kind != "dark" and f.diameter_mm > 12))
    even_rgb = np.maximum(cells.rgb_rel, 1e-4) ** (1 / np.clip(even.uptake_cell, 0.4, 2.0))[:, None]
    smooth = fit_response(
        target.device_rgb, np.where(ok[:, None], even_rgb, cells.rgb_rel), weights=np.where(usable, 1.0, 0.0)
    )
    accuracy = judge_accuracy(
        target,
        cells,
        smooth,
        even.uptake_cell,
        against=against,
    )
    black = (target.kind == CellKind.BLACK) & usable
    density = float(np.median(cells.density[black if black.any() else target.kind == CellKind.BLACK]))
    verdict = decide(
        tuple(k.result.check for k in worked),
        prints,
        even,
        accuracy,
        trust="balanced" if camera is None else "referenced",
        other_light=change,
        printed=printed,
        paper=paper,
        limits=limits,
        black_density=density,
        tone_std=abs(main.tone.field_slope) * 3.0,
        repress=repress,
    )
    return Reading(
        target=target,
        trust="balanced" if camera is None else "referenced",
        absolute=cells.lab_absolute is not None,
        printed=printed,
        paper=paper,
        photos=tuple(k.result for k in worked),
        cells=cells,
        evenness=even,
        prints=prints,
        accuracy=accuracy,
        verdict=verdict,
        limits=limits,
    )
