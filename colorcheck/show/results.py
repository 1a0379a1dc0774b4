"""Results ⇄ JSON: what `read` writes, and what later commands take up again."""

from __future__ import annotations

from typing import Any, cast

import numpy as np

from ..ground.errors import BlurredError
from ..ground.geometry import place_in_photo
from ..ground.jsontext import picked, rounded
from ..ground.records import CellFlag, Finding, Reading, Reason, Step, Verdict
from ..sheet.target import kind_name
from ..sheet.target import to_dict as target_to_dict

SCHEMA = "colorcheck-reading/1"


def _listed(values: Any, digits: int) -> list[Any]:
    """Round a column for the file in one go; what is not finite becomes null."""
    near = np.round(np.asarray(values, dtype=float), digits)
    return cast("list[Any]", near.tolist() if np.isfinite(near).all() else rounded(near, digits))


def flag_names(flags: int) -> list[str]:
    """Names of a cell's flags, small letters with hyphens."""
    return [f.name.lower().replace("_", "-") for f in CellFlag if f.value and flags & f.value and f.name]


def finding_dict(f: Finding) -> dict[str, Any]:
    """One finding as JSON."""
    names = "kind x_mm y_mm diameter_mm area_mm2 delta_e00 delta_L=delta_l uncertainty confidence where"
    return picked(f, f"{names} severity doubt evidence{' detail' if f.detail else ''}")


def reason_dict(r: Reason, says: str) -> dict[str, Any]:
    """One step of the decision as JSON."""
    told = {
        **picked(r, "measure step value limit uncertainty outcome place"),
        "step": r.step.name.lower(),
        "says": says,
    }
    return {**told, **({"detail": r.detail} if r.detail else {})}


def blurred_verdict(e: BlurredError) -> Verdict:
    """Answer of `read` to a photo in which no target shows for blur."""
    return Verdict("retake-photo", (Reason("blur-px", e.edge_px, e.limit_px, 0.0, "fail", Step.PHOTO),), (), {})


def blurred_to_dict(e: BlurredError) -> dict[str, Any]:
    """Turn it into JSON: nothing was measured."""
    from .words import cautions, headline

    verdict = blurred_verdict(e)
    (reason,) = verdict.reasons
    return {
        "schema": SCHEMA,
        "photos": [{"file": e.source, "problems": [reason.measure]}],
        "press": {"findings": []},
        "verdict": {
            "action": verdict.action,
            "headline": headline(verdict),
            "why": e.message,
            "reasons": [rounded(reason_dict(reason, e.message))],
            "undecided": [],
            "advice": {},
            "what_to_do": [],
            "cautions": cautions(verdict.action),
        },
        "patches": [],
    }


def reading_to_dict(reading: Reading) -> dict[str, Any]:
    """Turn a reading into the JSON of the contract.

    Keys may be added in later schema versions; those here stay.
    """
    from .words import cautions, headline, one_line_why, repress_lines, say_reason

    t, c, e, p, v = reading.target, reading.cells, reading.evenness, reading.prints, reading.verdict
    acc = reading.accuracy
    first = reading.photos[0]
    columns: dict[str, list[Any]] = {
        "id": list(t.ids),
        "kind": [kind_name(k) for k in t.kind],
        "device_rgb": t.device_rgb.tolist(),
        "lab": _listed(c.lab, 3),
        "uncertainty": _listed(c.uncertainty, 3),
        "u_random": _listed(c.u_noise, 3),
        "density": _listed(c.density, 4),
        "flags": [flag_names(int(v)) for v in c.flags],
        "box_mm": _listed(t.box_mm, 2),
        "centre_px": _listed(c.centre_px, 2),
    }
    if c.lab_absolute is not None:
        columns["lab_absolute"] = _listed(c.lab_absolute, 3)
    if acc is not None:
        columns["aim_lab"] = _listed(acc.aim_lab, 3)
        columns["delta_e00"] = _listed(acc.total, 3)
        parts = zip(_listed(acc.press, 3), _listed(acc.profile, 3), _listed(acc.limit, 3), strict=True)
        columns["delta_e00_split"] = [{"press": x, "profile": y, "substrate": z} for x, y, z in parts]
        columns["uptake"] = _listed(e.uptake_cell, 4)
    patches = [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]
    colour: dict[str, Any] = {}
    if acc is not None:
        colour = {
            **picked(acc, "mean_delta_e00=mean_total p95_delta_e00=p95_total"),
            "against": acc.against or "aim",
            "parts": picked(
                acc, "press=mean_press profile=mean_profile substrate=mean_limit measurement=mean_measurement"
            ),
            **picked(acc, "profile_p95_delta_e00=p95_profile grey_delta_ch grey_delta_L=grey_delta_l"),
        }
    rest = rounded(
        {
            "schema": SCHEMA,
            "name": t.name,
            **picked(reading, "trust absolute printed paper lit"),
            "photos": [
                {
                    **picked(f, "file=image_name sha256 device taken colour_space kind size_px notes"),
                    **picked(f, "lighting_ratio=light.ratio px_per_mm=pose.px_per_mm"),
                    "piece_in_photo": place_in_photo(f.pose, reading.target.size_mm),
                    "problems": [m for m, *_ in f.check.problems],
                }
                for f in reading.photos
            ],
            "geometry": picked(first.pose, "residual_mm px_per_mm markers_found edges_used distortion=k mirrored"),
            "lighting": {
                **picked(first, "ratio=light.ratio glare_share=check.glare_share cast=light.cast"),
                **picked(first, "residual=light.residual veil=light.veil veil_known=light.veil_known"),
                **picked(first, "tone_slope=check.tone_spread white_level=check.white_level"),
            },
            "press": {
                **picked(e, "evenness=zone_max zones_delta_e00=zones zone_std_lab slope_L_per_cm=slope_l_per_cm"),
                **picked(e, "slope_towards=slope_direction range_L=range_l uncertainty"),
                "findings": [finding_dict(f) for f in reading.findings],
                "ghost": picked(p.looked.copy, "shift_mm strength significance"),
                "banding": picked(p.looked.lines, "period_mm amplitude_L=amplitude_l significance axis"),
                **picked(p, "missing_inks=missing scorch_delta_b=looked.yellow.delta_b edge_width_mm"),
                "black_density": next((r.value for r in v.reasons if r.measure == "black-density"), None),
                **picked(p, "uptake uptake_u"),
            },
            "colour": colour,
            "verdict": {
                "action": v.action,
                "headline": headline(v),
                "why": one_line_why(reading),
                "reasons": [reason_dict(r, say_reason(r, reading)) for r in v.reasons],
                **picked(v, "undecided advice"),
                "what_to_do": repress_lines(reading) if v.action == "re-press" else [],
                "cautions": cautions(v.action),
            },
        }
    )
    checked = {"bench": reading.bench} if reading.bench else {}
    return {**cast("dict[str, Any]", rest), **checked, "patches": patches, "target": target_to_dict(t)}
