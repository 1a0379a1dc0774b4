"""From readings of pressed targets to a printer profile, and what it is expected to gain."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

import numpy as np

from ..colour import gamut
from ..colour.icc import PERCEPTUAL_BLACK_LAB, ProfileTables, pcs_grid
from ..colour.printer_model import PrinterModel, fit_printer, merge_cells
from ..colour.tonecorrect import neutral_curves
from ..ground.cielab import D50_WHITE, delta_ch, delta_e00, lab_to_xyz
from ..ground.errors import DataError, UsageError
from ..ground.records import CellKind, Floats, Mask
from ..ground.relative import even_lab
from ..sheet.exchange import measurements_from_lab, write_measurements
from ..sheet.savedreading import SavedReading

DEVICE_NODES = 33
PCS_NODES = 33
PICTURE_NODES = 21  # of sRGB, a side: colours that are looked up when the tables are corrected
REACHED = 1.0  # ΔE00 within which an aim counts as inside the gamut
NEARLY = 0.5  # ΔE00 by which curves alone may stay behind the profile and still be advised first
WORTH = 0.8  # share of the error before that must not be left, all doubt included
_SAME = 5.0  # mean ΔE00 between readings beyond which they are not one printer on one substrate
_NOTED = 2.5  # the same, to be told
_DRAWS = 8

# what to do about a sheet that may not be profiled, by the measure that failed
_CURE = {
    "ghost": "the paper moved; tape it down, print and press another target",
    "banding": "the printer leaves lines; clean it until its own check is complete, then print another target",
    "missing-ink": "an ink is missing; clean the printer and print another target",
    "scorch": "the coat has yellowed; press another target cooler or shorter",
    "black-density": "it is not pressed through; press longer, within the maker's limits, and read again",
    "glare": "move the lamp or hang up black card, and take the photo again",
}
_UNEVEN = "the press was uneven; mend that first, then print, press and read another target"
_PHOTO = "take the photo again as 'read' says"


@dataclass(frozen=True, slots=True, eq=False)
class Pool:
    """Cells of all readings, one after the other.

    ``device_rgb``, ``lab`` (n, 3) evened; ``std`` (n,) random and ``system`` (n,) shared uncertainty, ΔE00;
    ``usable`` (n,); ``between`` mean ΔE00 between readings of common colours, NaN with one reading.
    """

    device_rgb: Floats
    lab: Floats
    std: Floats
    system: Floats
    usable: Mask
    between: float
    white_xyz: Floats | None


@dataclass(frozen=True, slots=True, eq=False)
class Gain:
    """What is expected of a correction, over the colours of sRGB that the substrate can show.

    ``*_mean`` and ``*_p95`` are ΔE00, ``*_grey`` the mean ΔCh of the greys: before, after the profile, and after one
    tone curve or three grey curves alone. ``camera`` is what the readings share in error, ``outside_share`` the part
    of sRGB that the substrate cannot show, ``outside_mean`` how far that lies outside.
    """

    before_mean: float
    before_p95: float
    before_grey: float
    after_mean: float
    after_p95: float
    after_grey: float
    tone_mean: float
    tone_grey: float
    curves_mean: float
    curves_grey: float
    camera: float
    outside_share: float
    outside_mean: float
    outside_hues: tuple[str, ...]

    @property
    def in_all(self) -> float:
        """Mean ΔE00 to expect with the camera's own colour error in it: the two are independent."""
        return float(np.hypot(self.after_mean, self.camera))

    @property
    def worth(self) -> bool:
        """Whether the profile is expected to help beyond doubt."""
        return self.in_all <= WORTH * self.before_mean

    @property
    def least(self) -> Literal["tone", "grey", "full"]:
        """Smallest correction that gains nearly as much as the profile (escalation of ISO/TS 10128, from memory)."""
        enough = self.in_all + NEARLY
        if np.hypot(self.tone_mean, self.camera) <= enough:
            return "tone"
        return "grey" if np.hypot(self.curves_mean, self.camera) <= enough else "full"


@dataclass(frozen=True, slots=True, eq=False)
class Profile:
    """A finished profile: its tables, the model behind it, and what is expected of it."""

    tables: ProfileTables
    model: PrinterModel
    gain: Gain
    round_trip_mean: float
    round_trip_p95: float
    volume: float
    curves: Floats
    trust: str
    printed: str
    view: str
    absolute: bool
    notes: tuple[str, ...]


# ---------------------------------------------------------------- which sheets


def check_fit(reading: SavedReading) -> None:
    """Refuse a sheet whose faults a profile would bake in.

    Raises
    ------
    DataError
        With the first fault in the fixed order of the verdict, and what to do.
    """
    verdict = reading.data.get("verdict", {})
    action = verdict.get("action")
    if action in ("accept", "change-profile"):
        return
    name = Path(reading.path).name
    failed = next((r for r in verdict.get("reasons", ()) if r.get("outcome") == "fail"), None)
    if action not in ("re-press", "reprint", "retake-photo") or failed is None:
        raise DataError(f"{name} holds no verdict", "read the photo again")
    measure = str(failed.get("measure", ""))
    uneven = measure in ("pale", "faded-edge", "pale-centre", "zone", "slope", "dark")
    cure = _CURE.get(measure, _PHOTO if action == "retake-photo" else _UNEVEN if uneven else "print and press another")
    where = f" {failed['place']}" if uneven and failed.get("place") else ""
    fault = {
        "ghost": "a second copy",
        "banding": "regular lines",
        "missing-ink": "a missing ink",
        "scorch": "a yellowed coat",
        "black-density": "too weak a black",
        "glare": "reflections in the photo",
        "zone": "uneven pressing",
        "slope": "pressing that changes over the piece",
        "pale": "a pale spot",
        "faded-edge": "a faded edge",
        "pale-centre": "a pale middle",
        "dark": "a dark spot",
    }.get(measure, "a photo that is not fit to measure by" if action == "retake-photo" else measure)
    raise DataError(f"{name} cannot be profiled, it has {fault}{where}", cure)


def _white_xyz(reading: SavedReading) -> Floats | None:
    """Absolute XYZ of the bare coat, when the reading has it."""
    rows = {str(r["id"]): r for r in reading.data["patches"]}
    white = (reading.target.kind == CellKind.WHITE) & reading.usable
    labs = [rows[i].get("lab_absolute") for i, w in zip(reading.target.ids, white, strict=True) if w]
    known = [v for v in labs if v is not None and np.isfinite(np.asarray(v, dtype=float)).all()]
    return np.asarray(np.median(lab_to_xyz(np.array(known, dtype=float)), axis=0)) if known else None


def pool_readings(readings: Sequence[SavedReading]) -> Pool:
    """Bring the cells of readings together, uneven pressing divided out.

    Raises
    ------
    UsageError
        The readings were not made alike, or one is given twice.
    DataError
        One may not be profiled, or they are too unlike to be one printer on one substrate.
    """
    for r in readings:
        check_fit(r)
    first = readings[0]
    seen: dict[str, str] = {}
    for r in readings:
        key = ",".join(sorted(str(p.get("sha256", "")) for p in r.data.get("photos", ()))) or r.path
        if key in seen:
            raise UsageError(f"{r.path} and {seen[key]} read the same photo", "give every reading once")
        seen[key] = r.path
        for what, mine, theirs in (
            ("printed", r.data.get("printed"), first.data.get("printed")),
            ("looked at", r.target.view, first.target.view),
        ):
            if mine != theirs:
                raise UsageError(
                    f"{Path(r.path).name} was {what} '{mine}', {Path(first.path).name} '{theirs}'",
                    "pool readings that were made alike",
                )
    parts = []
    for r in readings:
        rows = {str(q["id"]): q for q in r.data["patches"]}
        uptake = np.array([float(rows[i].get("uptake") or 1.0) for i in r.target.ids])
        uptake[r.target.kind == CellKind.WHITE] = 1.0
        parts.append(even_lab(r.lab, uptake))
    device = np.concatenate([r.target.device_rgb.astype(float) for r in readings])
    lab = np.concatenate(parts)
    std = np.concatenate([r.u_random for r in readings])
    usable = np.concatenate([r.usable for r in readings]) & np.isfinite(std)
    between = _between(readings, parts)
    if between > _SAME:
        raise DataError(
            f"the readings differ by {between:.1f} ΔE00 on average, too much for one printer on one substrate",
            "give readings of the same blanks, printed and pressed alike",
        )
    whites = [w for w in (_white_xyz(r) for r in readings) if w is not None]
    total = np.concatenate([r.uncertainty for r in readings])
    return Pool(
        device_rgb=device,
        lab=lab,
        std=std,
        system=np.sqrt(np.maximum(total**2 - std**2, 0.0)),
        usable=usable,
        between=between,
        white_xyz=np.asarray(np.mean(whites, axis=0)) if whites else None,
    )


def _between(readings: Sequence[SavedReading], labs: Sequence[Floats]) -> float:
    """Mean ΔE00 of the colours that readings share, the most unlike pair; NaN with one reading."""
    merged = []
    for r, lab in zip(readings, labs, strict=True):
        device, value, _, _ = merge_cells(r.target.device_rgb[r.usable], lab[r.usable], r.u_random[r.usable])
        merged.append({tuple(d): v for d, v in zip(device.tolist(), value, strict=True)})
    worst = float("nan")
    for i in range(len(merged)):
        for other in merged[:i]:
            common = sorted(set(merged[i]) & set(other))
            if len(common) >= 8:
                a, b = np.array([merged[i][k] for k in common]), np.array([other[k] for k in common])
                worst = float(np.fmax(worst, float(np.mean(delta_e00(a, b)))))
    return worst


# ---------------------------------------------------------------- the tables


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


def _hues_outside(aims: Floats, outside: Mask) -> tuple[str, ...]:
    """Which hues hold most of the colours outside, in plain words, the worst first."""
    names = ("reds", "oranges", "yellows", "greens", "cyans", "blues", "violets", "pinks")
    edges = np.array([15.0, 50.0, 80.0, 115.0, 180.0, 240.0, 312.0, 338.0])
    strong = outside & (np.hypot(aims[:, 1], aims[:, 2]) > 10)
    hue = np.degrees(np.arctan2(aims[:, 2], aims[:, 1])) % 360.0
    count = np.bincount((np.searchsorted(edges, hue[strong]) - 1) % 8, minlength=8)
    order = [int(k) for k in np.argsort(-count) if count[k] > 0.15 * max(count.sum(), 1)]
    return tuple(names[k] for k in order[:3])


def expected_gain(
    model: PrinterModel,
    forward: gamut.Forward,
    b2a: Floats,
    *,
    black_y: float,
    camera: float,
    curves: Floats,
) -> Gain:
    """Work out what the profile changes, on colours all over sRGB.

    Parameters
    ----------
    model, forward, b2a
        The printer, its table, and the relative colorimetric table back.
    black_y : float
        As for `profile_tables`; aims are sRGB with this black.
    camera : float
        Shared uncertainty of the readings, ΔE00: no profile built from them can be truer.
    curves : (256, 3)
        Grey curves to compare with.
    """
    rgb = gamut.cube_nodes(9)
    grey = np.repeat(np.linspace(0.0, 255.0, 33)[1:-1, None], 3, axis=1)
    rng = np.random.Generator(np.random.PCG64(7))

    def expect(device: Floats, aim: Floats, difference: Callable[[Floats, Floats], Floats] = delta_e00) -> Floats:
        """Mean difference over what the model's own uncertainty leaves open."""
        lab, std = model.lab(device), model.lab_std(device)
        draws = [difference(lab + std * rng.standard_normal(lab.shape), aim) for _ in range(_DRAWS)]
        return np.asarray(np.mean(draws, axis=0))

    def bent(device: Floats, curve: Floats) -> Floats:
        return np.stack([np.interp(device[:, c], np.arange(256.0), curve[:, c]) for c in range(3)], axis=1)

    aim, grey_aim = gamut.srgb_lab(rgb, black_y), gamut.srgb_lab(grey, black_y)
    _, reached = gamut.invert(forward, aim)
    limit = delta_e00(reached, aim)
    ok = limit <= REACHED
    before = delta_e00(model.lab(rgb[ok]), aim[ok])
    after = expect(look_up(b2a, aim[ok]), aim[ok])
    tone = neutral_curves(model.lab, step="tone")
    return Gain(
        before_mean=float(before.mean()),
        before_p95=float(np.percentile(before, 95)),
        before_grey=float(np.mean(delta_ch(model.lab(grey), grey_aim))),
        after_mean=float(after.mean()),
        after_p95=float(np.percentile(after, 95)),
        after_grey=float(np.mean(expect(look_up(b2a, grey_aim), grey_aim, delta_ch))),
        tone_mean=float(np.mean(expect(bent(rgb[ok], tone), aim[ok]))),
        tone_grey=float(np.mean(expect(bent(grey, tone), grey_aim, delta_ch))),
        curves_mean=float(np.mean(expect(bent(rgb[ok], curves), aim[ok]))),
        curves_grey=float(np.mean(expect(bent(grey, curves), grey_aim, delta_ch))),
        camera=camera,
        outside_share=float(np.mean(~ok)),
        outside_mean=float(limit[~ok].mean()) if (~ok).any() else 0.0,
        outside_hues=_hues_outside(aim, ~ok),
    )


def _characterisation(pool: Pool, name: str) -> str:
    """Measured values as ISO 28178 text."""
    device, lab, _, _ = merge_cells(
        pool.device_rgb[pool.usable], pool.lab[pool.usable], np.maximum(pool.std[pool.usable], 0.1)
    )
    # noise may leave what a print can have; the text holds what it can
    lab = np.clip(lab, [0.0, -128.0, -128.0], [100.0, 128.0, 128.0])
    header = {
        "FILE_DESCRIPTOR": f"{name}: CIELAB relative to the bare coat, uneven pressing divided out",
        "PRINT_CONDITIONS": name,
    }
    values = measurements_from_lab([str(k + 1) for k in range(len(lab))], lab, device_rgb=device, header=header)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "characterisation.txt"
        write_measurements(path, values)
        return path.read_text(encoding="utf-8")


def build_profile(
    readings: Sequence[SavedReading],
    *,
    name: str,
    version: Literal[4, 2] = 4,
    progress: Callable[[str], None] | None = None,
    created: datetime | None = None,
) -> Profile:
    """Build a printer profile from readings of pressed targets.

    Parameters
    ----------
    readings : sequence of SavedReading
        One or several, of one printer with one ink, paper, recipe, substrate and view.
    name : str
        What the profile calls itself.
    version : {4, 2}
        Of ICC.1.
    progress : callable, optional
        Told in a few words what is being done.
    created : datetime, optional
        Now, unless given.

    Returns
    -------
    Profile

    Raises
    ------
    DataError
        A sheet is not fit to be profiled, or has too few usable colours.
    UsageError
        The readings do not belong together.
    """
    say = progress or (lambda _: None)
    pool = pool_readings(readings)
    say("fitting the printer")
    model = fit_printer(pool.device_rgb, pool.lab, pool.std, usable=pool.usable)
    black_y = float(np.clip(lab_to_xyz(model.lab(np.zeros((1, 3))))[0, 1], 0.0, 0.5))
    forward, tables = profile_tables(model, black_y=black_y, version=version, say=say)
    say("working out what it gains")
    curves = neutral_curves(model.lab)
    colour = pool.usable & (pool.device_rgb < 255).any(axis=1)
    gain = expected_gain(
        model,
        forward,
        tables["b2a_relative"],
        black_y=black_y,
        camera=float(np.mean(pool.system[colour])),
        curves=curves,
    )
    mean, p95 = round_trip(forward, tables["b2a_relative"])
    white = D50_WHITE if pool.white_xyz is None else np.clip(pool.white_xyz, 0.0, 1.2)
    trusts = {r.trust for r in readings}
    return Profile(
        tables=ProfileTables(
            **tables,
            white_xyz=np.asarray(white),
            black_xyz=np.asarray(np.clip(black_y * white, 0.0, 1.0)),
            description=name,
            copyright="Made with colorcheck by the owner of the printer; free to use.",
            characterisation=_characterisation(pool, name),
            created=created or datetime.now(UTC),
        ),
        model=model,
        gain=gain,
        round_trip_mean=mean,
        round_trip_p95=p95,
        volume=gamut.gamut_volume(forward.lab, 17),
        curves=curves,
        trust="balanced" if "balanced" in trusts else "referenced",
        printed=str(readings[0].data.get("printed", "as-usual")),
        view=str(readings[0].target.view),
        absolute=pool.white_xyz is not None,
        notes=_notes(readings, pool, model, trusts),
    )


def round_trip(forward: gamut.Forward, b2a: Floats) -> tuple[float, float]:
    """Mean and 95th percentile of ΔE00 between in-gamut colours and what the tables make of them."""
    rng = np.random.Generator(np.random.PCG64(3))
    lab = forward.lab(rng.uniform(0, 255, (3000, 3)))
    error = delta_e00(forward.lab(look_up(b2a, lab)), lab)
    return float(error.mean()), float(np.percentile(error, 95))


def _notes(readings: Sequence[SavedReading], pool: Pool, model: PrinterModel, trusts: set[str]) -> tuple[str, ...]:
    """Gather what a person should know beside the figures."""
    out = []
    for r in readings:
        open_ = [str(m) for m in r.data.get("verdict", {}).get("undecided", ())]
        if open_:
            out.append(f"{Path(r.path).name}: too close to call for {', '.join(open_)}; see its reading")
    if np.isfinite(pool.between) and pool.between > _NOTED:
        out.append(f"the readings differ by {pool.between:.1f} ΔE00 on average; the profile takes their mean")
    if len(trusts) > 1:
        out.append("some readings are without a characterised camera; the doubt of those counts for all")
    if model.corners_missing:
        out.append(f"{model.corners_missing} of the 8 purest colours could not be measured and are guessed")
    if model.odd:
        plural = "s" if model.odd > 1 else ""
        out.append(f"{model.odd} colour{plural} fitted badly and counted less")
    if model.colours < 120:
        out.append(
            f"{model.colours} colours make a rough profile; the standard set has about 175, two sheets are better still"
        )
    return tuple(out)


def summary(profile: Profile) -> dict[str, Any]:
    """Gather the figures of a profile, for JSON."""
    g, m = profile.gain, profile.model
    return {
        "name": profile.tables.description,
        "trust": profile.trust,
        "printed": profile.printed,
        "view": profile.view,
        "absolute": profile.absolute,
        "expected": {
            "before": {"mean_delta_e00": g.before_mean, "p95_delta_e00": g.before_p95, "grey_delta_ch": g.before_grey},
            "after": {"mean_delta_e00": g.after_mean, "p95_delta_e00": g.after_p95, "grey_delta_ch": g.after_grey},
            "tone_curve_only": {"mean_delta_e00": g.tone_mean, "grey_delta_ch": g.tone_grey},
            "grey_curves_only": {"mean_delta_e00": g.curves_mean, "grey_delta_ch": g.curves_grey},
            "camera_delta_e00": g.camera,
            "after_with_camera_delta_e00": g.in_all,
            "worth_it": g.worth,
            "least_correction": g.least,
        },
        "outside_gamut": {"share": g.outside_share, "mean_delta_e00": g.outside_mean, "hues": list(g.outside_hues)},
        "model": {
            "colours": m.colours,
            "cells": m.cells,
            "held_out_mean_delta_e00": m.held_out_mean,
            "held_out_p95_delta_e00": m.held_out_p95,
            "cell_noise_delta_e00": m.noise,
            "odd_colours": m.odd,
            "corners_missing": m.corners_missing,
        },
        "gamut_volume": profile.volume,
        "round_trip": {"mean_delta_e00": profile.round_trip_mean, "p95_delta_e00": profile.round_trip_p95},
        "notes": list(profile.notes),
    }
