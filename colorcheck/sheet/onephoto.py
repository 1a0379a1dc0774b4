"""One photo of a sheet, by itself: found, laid flat, light taken out, cells measured, fit or not."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ..ground.bench import Bench, check_camera
from ..ground.cielab import lab_to_xyz, xyz_to_linear_srgb
from ..ground.errors import PhotoError, TargetError
from ..ground.limits import Limits
from ..ground.records import CellFlag, Cells, Floats, LightChange, LinearImage, PhotoResult, Target
from ..ground.relative import with_veil, without_veil
from ..photo.camera import CameraModel, Veil, refer_cells, without_tone
from ..photo.cameradoubt import TONE_STD
from ..photo.card import CardSignal, card_signal, coat_of, join
from ..photo.decode import decode
from ..photo.drawn import refuse_drawn
from ..photo.glare import glare_at
from ..photo.lighting import light_at
from ..photo.rectify import lay_flat, sample_cells, sample_field, sample_quiet
from ..photo.tone import PRIOR_STD, Tone
from ..photo.toneguard import SLOPE_STD, check_local_tone
from .locate import UnreadCodeError, locate
from .measure import measure
from .photocheck import check_photo
from .sheetlight import find_veil, separate

_QUICK_PIXELS = 6_500_000
_ENOUGH_PX_PER_MM = 4.5
_LEAST_CURVE_STD = 0.02  # excess slope that a checked curve may still have from photo to photo; estimate
_SPOILED = int(CellFlag.CLIPPED | CellFlag.HIDDEN | CellFlag.GLARE | CellFlag.UNEVEN)


@dataclass(frozen=True, slots=True, eq=False)
class WorkedPhoto:
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
    image: LinearImage,
    target: Target | None,
    *,
    limits: Limits,
    unread: UnreadCodeError | None = None,
    bench: Bench | None = None,
) -> tuple[Target, WorkedPhoto]:
    """Decode aside, everything that is done to one photo alone; ``bench`` is what was measured of the set-up."""
    own = _assumed(bench)
    refuse_drawn(image)
    tones = np.unique(image.rgb[::9, ::9, 1])
    if len(tones) < 32 and tones[-1] > 0.3:
        raise PhotoError(f"{image.source} holds only {len(tones)} tones", "use the photo as the camera stored it")
    if bench is not None:
        image = without_tone(image, bench.tone)
    found = locate(image, target, unread=unread)
    target, pose, image = found.target, found.pose, found.image
    flat = lay_flat(image, pose, target.size_mm)
    samples = sample_cells(flat, pose, target, image)
    if float(np.percentile(np.ptp(samples.rgb, axis=1) / np.maximum(samples.rgb.max(axis=1), 1e-4), 95)) < 0.02:
        raise PhotoError(f"{image.source} has no colour, only greys", "photograph or scan the target in colour")
    field = sample_field(flat, target, edge_mm=found.edge_mm)
    parts = separate(target, samples, field, sample_quiet(flat, target, edge_mm=found.edge_mm), curve_std=own.curve)
    _, g_std, lies = glare_at(parts.glare, target.centres_mm)
    veil, light = find_veil(target, samples, parts.light, ~(lies | parts.covered), own.veil(image))
    coat = coat_of(light)
    share = light.veil * coat / light.e_cell
    cells = measure(
        samples,
        light,
        g_std=g_std,
        glare=lies,
        covered=parts.covered,
        model_error=0.3 * parts.fit.loo,
        veil=share,
        tone_std=own.exponent,
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
        likely_std=own.local,
    )
    if local.error > 0:  # what the camera's own dodging may have left in every cell
        y = np.clip(cells.rgb_rel.mean(axis=1), 1e-3, 1.0)
        noise = np.hypot(cells.u_noise, 116 / 3 * np.cbrt(y) * local.error)
        cells = replace(cells, u_noise=noise, uncertainty=np.hypot(noise, cells.u_system))
    if own.scatter != 1.0:
        noise = cells.u_noise * own.scatter
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
    return target, WorkedPhoto(
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


@dataclass(frozen=True, slots=True)
class _Assumed:
    """What is assumed of a set-up, or known of it: see `Bench`."""

    curve: float
    local: float
    exponent: float
    scatter: float
    of_mean: float | None
    veil_std: float

    def veil(self, image: LinearImage) -> tuple[float, float] | None:
        """Signal that strays over this frame, and its error as a share of the coat."""
        if self.of_mean is None:
            return None
        return self.of_mean * float(image.rgb[::8, ::8].mean()), self.veil_std


def _assumed(bench: Bench | None) -> _Assumed:
    b = bench or Bench("", "", np.zeros(0), None, None, None, None, None)
    return _Assumed(
        curve=max(_LEAST_CURVE_STD, 2 * b.exponent_std) if b.exponent_std is not None else PRIOR_STD,
        local=SLOPE_STD if b.local_std is None else b.local_std,
        exponent=TONE_STD if b.exponent_std is None else b.exponent_std,
        scatter=1.0 if b.scatter is None else b.scatter,
        of_mean=b.veil_of_mean,
        veil_std=b.veil_std or 0.0,
    )


def work_file(
    path: str | Path, target: Target | None, *, limits: Limits, bench: Bench | None = None
) -> tuple[LinearImage, Target, WorkedPhoto]:
    """Decode a photo at the scale that is needed and work it through.

    Three to six megapixels carry every figure of a sheet that fills the frame; a small or
    far one is taken again at full size.
    """
    image = decode(path, max_pixels=_QUICK_PIXELS)
    check_camera(bench, image)
    unread: UnreadCodeError | None = None
    try:
        found, worked = work_photo(image, target, limits=limits, bench=bench)
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
    found, worked = work_photo(image, target, limits=limits, unread=unread, bench=bench)
    return image, found, worked


def work_files(
    paths: Sequence[str],
    target: Target | None,
    *,
    limits: Limits,
    say: Callable[[str], None],
    bench: Bench | None = None,
) -> tuple[Target, tuple[WorkedPhoto, ...]]:
    """Work several photos of one piece through; only the sharpest of the fit ones keeps its flat picture."""
    worked: list[WorkedPhoto] = []
    for path in paths:
        say(f"reading {Path(path).name}")
        _, target, one = work_file(path, target, limits=limits, bench=bench)
        if worked:
            best = min((worked[-1], one), key=lambda k: (len(k.result.check.problems), k.result.check.edge_mm))
            other = one if best is worked[-1] else worked[-1]
            lean = replace(other, result=replace(other.result, flat=None))
            worked[-1:] = [lean, best] if best is one else [best, lean]
            worked.sort(key=lambda k: k.result.flat is not None)
        else:
            worked.append(one)
    assert target is not None
    return target, tuple(worked)


def refer(cells: Cells, camera: CameraModel, photos: Sequence[WorkedPhoto]) -> tuple[Cells, LightChange]:
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
