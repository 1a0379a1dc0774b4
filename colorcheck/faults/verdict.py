"""All of it → what to do. The order is fixed, so that a profile is never blamed for a press or a lamp.

photo fit? → paper moved? → printed completely? → pressed evenly? → pressed completely? → only then colour.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from ..ground.limits import EvenLimits, Limits
from ..ground.records import (
    Accuracy,
    Action,
    Evenness,
    Finding,
    LightChange,
    PhotoCheck,
    PrintCheck,
    Reason,
    Uptake,
    Verdict,
)

_PALE = ("pale", "faded-edge", "pale-centre")


def compare(value: float, limit: float, u: float) -> str:
    """Compare a value with its limit, twice its uncertainty either side: 'pass', 'fail' or 'undecided'."""
    if not np.isfinite(value):
        return "skipped"
    if value - 2 * u > limit:
        return "fail"
    return "undecided" if value > limit else "pass"


def spot_limit(kind: str, even: EvenLimits) -> float:
    """ΔE00 that a pale or dark place of this kind may reach."""
    if kind == "faded-edge":
        return even.edge_de00
    return even.dark_de00 if kind in ("dark", "dark-edge") else even.spot_de00


def _compare(measure: str, value: float, limit: float, u: float, *, place: str = "", **detail: Any) -> Reason:
    """Value against limit with twice its uncertainty either side of undecided."""
    outcome = compare(value, limit, u)
    return Reason(
        measure=measure,
        value=float(value),
        limit=float(limit),
        uncertainty=float(u),
        outcome=outcome,
        place=place,
        detail=detail,
    )


def _photo(checks: tuple[PhotoCheck, ...]) -> list[Reason]:
    """Judge the photos together: they are fit when one of them is."""
    worst = min(checks, key=lambda c: len(c.problems))
    out = [Reason(m, v, lim, 0.0, "fail", where) for m, v, lim, where in worst.problems]
    if not out:
        out = [Reason("photo", 1.0, 1.0, 0.0, "pass")]
    for m, v, lim, where in worst.warnings:
        out.append(Reason(m, v, lim, 0.0, "note", where))
    return out


def _even(even: Evenness, limits: Limits) -> list[Reason]:
    """Zones, spots, edges, slope."""
    lim = limits.even
    out = [_compare("zone", even.zone_max, lim.zone_de00, 0.5 * even.uncertainty)]
    for f in even.findings:
        r = _compare(
            f.kind,
            f.delta_e00,
            spot_limit(f.kind, lim),
            0.25 * float(f.detail.get("uncertainty", 0.3)),
            place=f.where,
            diameter_mm=f.diameter_mm,
        )
        out.append(r)
    out.append(_compare("slope", even.slope_l_per_cm, lim.slope_l_per_cm, 0.02, place=even.slope_direction))
    return out


def _colour(acc: Accuracy | None, trust: str, printed: str, limits: Limits, tone_std: float) -> list[Reason]:
    """Only what a profile can correct counts, and only beyond what the camera may have done."""
    if acc is None or printed == "raw":
        return []
    lim = limits.colour
    # What differing cameras make of one and the same print, as one standard deviation of each figure
    # (found by simulation with real and synthetic sensors). It is common to neighbouring colours and
    # does not average out over the cells, but largely cancels against another reading.
    scale = 0.25 if acc.against else 1.0 if trust == "balanced" else 0.4
    return [
        _compare("profile-mean", acc.mean_profile, lim.mean_de00, 0.75 * scale),
        _compare("profile-p95", acc.p95_profile, lim.p95_de00, 1.6 * scale),
        _compare("grey-cast", acc.grey_delta_ch, lim.grey_ch, 0.7 * scale),
        _compare(
            "grey-tone",
            abs(acc.grey_delta_l),
            lim.grey_l,
            0.6 * scale + tone_std,
            lighter=bool(acc.grey_delta_l > 0),
        ),
        Reason("substrate-limit", acc.mean_limit, float("nan"), 0.0, "note"),
        Reason("press-part", acc.mean_press, float("nan"), 0.0, "note"),
    ]


def _black_outcome(
    density: float, reach: float, least: float, uptake: Uptake | None, printed: str, limit: float
) -> str:
    """Judge black: a weak one beside greys that took their dye is the coat's, beside pale greys the press's."""
    if reach >= least:
        return "undecided" if density < least else "pass"
    if uptake is None or not np.isfinite(uptake.share):
        return "undecided" if printed == "raw" else "fail"  # nothing says how dark this print should be
    if uptake.share - 2 * uptake.std > limit:
        return "note"
    return "undecided" if uptake.share > limit else "fail"


def _lack(uptake: Uptake | None, limit: float) -> list[Reason]:
    """Judge the dye of the whole piece; only another reading can tell a weak press from a pale profile."""
    if uptake is None or not np.isfinite(uptake.share):
        return []
    outcome = "pass" if uptake.share >= limit else "undecided"
    if uptake.reference and uptake.share + 2 * uptake.std < limit:
        outcome = "fail"
    detail = {"reference": uptake.reference, "explained": uptake.explained}
    return [Reason("uptake", uptake.share, limit, uptake.std, outcome, detail=detail)]


def decide(
    checks: tuple[PhotoCheck, ...],
    prints: PrintCheck,
    even: Evenness,
    acc: Accuracy | None,
    *,
    trust: str,
    printed: str,
    paper: str,
    limits: Limits,
    black_density: float,
    uptake: Uptake | None = None,
    other_light: LightChange | None = None,
    tone_std: float = 0.0,
    repress: dict[str, Any] | None = None,
) -> Verdict:
    """Walk the fixed order; the first failure decides, the rest is still reported.

    Parameters
    ----------
    checks : one per photo
    paper : {'on', 'off'}
        Whether the paper is still taped on; a re-press is only possible then.
    black_density : float
        Median visual density of the black cells relative to the coat.
    uptake : Uptake, optional
        Dye of the whole piece against another reading, or against the aim where it was printed as usual.
    other_light : LightChange, optional
        How the light compares with that of the camera's characterisation.
    repress : dict, optional
        The heat model's plan, passed on in the advice; ``possible`` false turns a re-press into a reprint.

    Returns
    -------
    Verdict
    """
    photo = _photo(checks)
    seen = {f.kind for f in prints.findings}  # a finding is certain; a number alone is the best candidate
    ghost = Reason(
        "ghost",
        prints.ghost_strength if "ghost" in seen else 0.0,
        limits.ghost.strength,
        0.0,
        "fail" if "ghost" in seen and prints.ghost_strength > limits.ghost.strength else "pass",
        detail={"shift_mm": list(prints.ghost_shift_mm)} if "ghost" in seen else {},
    )
    banding = Reason(
        "banding",
        prints.banding_amplitude_l if "banding" in seen else 0.0,
        limits.print.banding_l,
        0.0,
        "fail" if "banding" in seen and prints.banding_amplitude_l > limits.print.banding_l else "pass",
        detail={"period_mm": prints.banding_period_mm, "axis": prints.banding_axis} if "banding" in seen else {},
    )
    missing = Reason(
        "missing-ink",
        float(len(prints.missing)),
        0.0,
        0.0,
        "fail" if len(prints.missing) >= max(1.0, limits.print.missing_ink) else "pass",
        detail={"inks": list(prints.missing)},
    )
    crisp = [f for f in prints.findings if f.kind in ("pinhole", "speck", "hair")]
    dirt = Reason("crisp-defects", float(len(crisp)), 0.0, 0.0, "note" if crisp else "pass")
    evenness = _even(even, limits)
    scorch = Reason(
        "scorch",
        prints.scorch_b if "scorch" in seen else 0.0,
        limits.complete.scorch_b,
        prints.scorch_u,
        "fail" if "scorch" in seen and prints.scorch_b > limits.complete.scorch_b else "pass",
        place=next((f.where for f in prints.findings if f.kind == "scorch"), ""),
    )
    density = black_density
    # black can only read too light (reflections), never too dark: doubt counts for the press
    least = limits.complete.black_density
    reach = -np.log10(max(10**-density - limits.complete.veil, 1e-3))
    faint = Reason(
        "black-density",
        density,
        least,
        float(reach - density),
        _black_outcome(density, reach, least, uptake, printed, limits.complete.uptake),
    )
    lack = _lack(uptake, limits.complete.uptake)
    colour = _colour(acc, trust, printed, limits, tone_std)
    action: Action = "accept"
    pale_fails = [r for r in evenness if r.outcome == "fail" and r.measure in (*_PALE, "zone", "slope")]
    dark_fails = [r for r in evenness if r.outcome == "fail" and r.measure == "dark"]
    if any(r.outcome == "fail" for r in photo):
        action = "retake-photo"
    elif "fail" in (ghost.outcome, banding.outcome, missing.outcome) or scorch.outcome == "fail":
        action = "reprint"
    elif pale_fails:
        action = "re-press" if paper == "on" else "reprint"
    elif dark_fails:
        action = "reprint"
    elif "fail" in (faint.outcome, *(r.outcome for r in lack)):
        action = "re-press" if paper == "on" else "reprint"
    elif any(r.outcome == "fail" for r in colour):
        action = "change-profile"
    if other_light is not None and other_light.other:
        shift = max(abs(other_light.red - 1), abs(other_light.blue - 1))
        colour.append(Reason("other-light", shift, float("nan"), 0.0, "note", detail={"told_by": other_light.by}))
    reasons = (*photo, ghost, banding, missing, dirt, *evenness, scorch, *lack, faint, *colour)
    undecided = tuple(dict.fromkeys(r.measure for r in reasons if r.outcome == "undecided"))
    action, advice = as_planned(action, repress)
    return Verdict(action=action, reasons=reasons, undecided=undecided, advice=advice)


def as_planned(action: Action, repress: dict[str, Any] | None) -> tuple[Action, dict[str, Any]]:
    """Hold a re-press against its plan: one that cannot be made is a reprint.

    Parameters
    ----------
    action : str
        What the findings ask for.
    repress : dict or None
        The heat model's plan; None when nothing is known about blank and press.

    Returns
    -------
    action : str
        'reprint' in place of 're-press' when the plan says it is not ``possible``.
    advice : dict
        The plan, under ``repress``, wherever a re-press was asked for.
    """
    if action != "re-press" or not repress:
        return action, {}
    return ("re-press" if repress.get("possible", True) else "reprint"), {"repress": repress}


def pale_findings(even: Evenness) -> tuple[Finding, ...]:
    """Return the findings that pressing again can help."""
    return tuple(f for f in even.findings if f.kind in _PALE)
