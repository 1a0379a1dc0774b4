"""What was found → what to do, for targets and pieces alike.

The order is fixed, so that a profile is never blamed for a press or a lamp: photo fit? → right side? → paper moved? →
printed completely? → pressed evenly? → pressed completely? → only then colour. Every step hands in `Reason`s;
`decide` alone knows what follows from them.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from ..ground.limits import Limits
from ..ground.records import (
    Accuracy,
    Action,
    Evenness,
    Finding,
    Kind,
    LightChange,
    PhotoCheck,
    Reason,
    Step,
    Uptake,
    Verdict,
)
from .catalogue import CATALOGUE, CRISP, HEAT_HELPS, Cure, fault_of

_NAN = float("nan")
_SLOPE_U = 0.02  # L* per cm
_LITTLE_JUDGED = 0.5  # less of the piece than this that could show paleness is worth a note
_AIM_DOUBT = {"reading": 0.75, "profile": 4.0}  # of the mean colour error of a piece, ΔE00 (estimates)


def compare(value: float, limit: float, u: float) -> str:
    """Compare a value with its limit, twice its uncertainty either side: 'pass', 'fail' or 'undecided'."""
    if not np.isfinite(value):
        return "skipped"
    doubt = 2 * u if np.isfinite(u) else 0.0
    if value - doubt > limit:
        return "fail"
    return "undecided" if value > limit else "pass"


def compared(
    measure: str,
    value: float,
    limit: float,
    u: float,
    step: Step,
    *,
    place: str = "",
    detail: dict[str, Any] | None = None,
) -> Reason:
    """Value against limit with twice its uncertainty either side of undecided."""
    return Reason(
        measure=measure,
        value=float(value),
        limit=float(limit),
        uncertainty=float(u),
        outcome=compare(value, limit, u),
        step=step,
        place=place,
        detail=detail or {},
    )


# ---------------------------------------------------------------- what each step hands in


def photo_reasons(checks: Sequence[PhotoCheck]) -> list[Reason]:
    """Judge the photos together: they are fit when one of them is."""
    best = min(checks, key=lambda c: len(c.problems))
    out = [Reason(m, v, lim, 0.0, "fail", Step.PHOTO, where) for m, v, lim, where in best.problems]
    out = out or [Reason("photo", 1.0, 1.0, 0.0, "pass", Step.PHOTO)]
    for m, v, lim, where in best.warnings:
        if m == "unseen":  # what no photo shows can neither be passed nor blamed
            out.append(Reason(m, v, lim, 0.0, "undecided", Step.PHOTO, where, {"doubt": "reflection"}))
            continue
        side = m == "mirrored"  # no fault of the photo: the piece lies or was printed the wrong way round
        out.append(Reason(m, v, lim, 0.0, "fail" if side else "note", Step.SIDE if side else Step.PHOTO, where))
    return out


def finding_reason(f: Finding, limits: Limits, *, u: float = 0.0, **detail: Any) -> Reason:
    """Hold one finding against the limit of its kind.

    Parameters
    ----------
    u : float
        Doubt, ΔE00, to be added in quadrature to the finding's own.

    Returns
    -------
    Reason
        A finding that something else explains about as well is undecided, however large.
    """
    fault = fault_of(f.kind)
    value, limit = fault.value_of(f), fault.limit_of(limits)
    own = f.uncertainty if fault.measure == "delta_e00" else float(f.detail.get("u", 0.0))
    whole = float(np.hypot(own if np.isfinite(own) else 0.0, u))
    told = {**f.detail, "diameter_mm": f.diameter_mm, "delta_e00": f.delta_e00, **detail}
    r = compared(f.kind, value, limit, whole, fault.step, place=f.where, detail=told)
    if f.doubt and r.outcome == "fail":
        return Reason(r.measure, value, limit, whole, "undecided", r.step, f.where, {**told, "doubt": f.doubt})
    return r


def finding_reasons(
    findings: Sequence[Finding],
    limits: Limits,
    *,
    tested: Sequence[Kind],
    broad_mm: float = np.inf,
    broad_u: float = 0.0,
) -> list[Reason]:
    """Hold all findings against their limits.

    Parameters
    ----------
    tested : kinds that are worth a line even when nothing of them was found
    broad_mm, broad_u : float
        Soft places wider than this carry so much more doubt, ΔE00: over them another camera's colours look alike.

    Returns
    -------
    list of Reason
        Strongest first within a kind; missing inks and crisp dots in one line each.
    """
    out = []
    ranked = sorted(findings, key=lambda f: -f.delta_e00)
    for kind, fault in CATALOGUE.items():
        if fault.cure is Cure.PHOTO or kind in CRISP:
            continue
        own = [f for f in ranked if f.kind == kind]
        if kind is Kind.MISSING_INK and (own or kind in tested):
            inks = [str(f.detail["ink"]) for f in own]
            outcome = "fail" if len(inks) >= max(1.0, fault.limit_of(limits)) else "pass"
            out.append(Reason(kind, float(len(inks)), 0.0, 0.0, outcome, fault.step, detail={"inks": inks}))
            continue
        for f in own:
            wide = f.diameter_mm > broad_mm and kind in (*HEAT_HELPS, Kind.DARK)
            more = {"camera": True} if wide and broad_u else {}
            out.append(finding_reason(f, limits, u=broad_u if wide else 0.0, **more))
        if not own and kind in tested:
            out.append(Reason(kind, 0.0, fault.limit_of(limits), 0.0, "pass", fault.step))
    dots = [f for f in ranked if f.kind in CRISP]
    largest = max((f.diameter_mm for f in dots), default=0.0)
    outcome = "fail" if largest > limits.even.dot_mm else "note" if dots else "pass"
    told = {"largest_mm": largest, "limit_mm": limits.even.dot_mm} if dots else {}
    out.append(Reason("crisp-defects", float(len(dots)), 0.0, 0.0, outcome, Step.PRINT, detail=told))
    return sorted(out, key=lambda r: r.step)


def evenness_reasons(even: Evenness, limits: Limits) -> list[Reason]:
    """Zones and slope of a target's field."""
    lim = limits.even
    return [
        compared("zone", even.zone_max, lim.zone_de00, 0.5 * even.uncertainty, Step.EVEN),
        compared("slope", even.slope_l_per_cm, lim.slope_l_per_cm, _SLOPE_U, Step.EVEN, place=even.slope_direction),
    ]


def uptake_reasons(uptake: Uptake | None, limits: Limits) -> list[Reason]:
    """Judge the dye of the whole piece; only another reading can tell a weak press from a pale profile."""
    if uptake is None or not np.isfinite(uptake.share):
        return []
    limit = limits.complete.uptake
    outcome = "pass" if uptake.share >= limit else "undecided"
    if uptake.reference and uptake.share + 2 * uptake.std < limit:
        outcome = "fail"
    told = {"reference": uptake.reference, "explained": uptake.explained}
    return [Reason("uptake", uptake.share, limit, uptake.std, outcome, Step.COMPLETE, detail=told)]


def density_reason(density: float, uptake: Uptake | None, limits: Limits, *, printed: str) -> Reason:
    """Depth of a target's black: it can only read too light (reflections), so doubt counts for the press.

    A weak black beside greys that took their dye is the coat's, beside pale greys the press's.
    """
    least = limits.complete.black_density
    reach = float(-np.log10(max(10**-density - limits.complete.veil, 1e-3)))
    if reach >= least:
        outcome = "undecided" if density < least else "pass"
    elif uptake is None or not np.isfinite(uptake.share):
        outcome = "undecided" if printed == "raw" else "fail"  # nothing says how dark this print should be
    elif uptake.share - 2 * uptake.std > limits.complete.uptake:
        outcome = "note"
    else:
        outcome = "undecided" if uptake.share > limits.complete.uptake else "fail"
    return Reason("black-density", density, least, reach - density, outcome, Step.COMPLETE)


def light_reasons(
    ambiguous: Sequence[str],
    broad_de00: float,
    colour_de00: float,
    judged_share: float,
    limits: Limits,
    *,
    settle_by: str,
    anchored: bool,
) -> list[Reason]:
    """Say what a finished piece's photos could hide: in their light, and in the picture's own colours.

    Without anything white, any change could be light. What the colours hide no further photo settles, so that it is
    no reason to take one.
    """
    out = []
    limit = limits.even.edge_de00
    light = [a for a in ambiguous if a != "colour"]
    if light:
        outcome = "undecided" if broad_de00 > limit or not anchored else "note"
        told = {"what": light, "settle_by": settle_by}
        out.append(Reason("broad-light", broad_de00, limit, 0.0, outcome, Step.EVEN, detail=told))
    if "colour" in ambiguous:
        outcome = "undecided" if colour_de00 > limit else "note"
        out.append(Reason("broad-colour", colour_de00, limit, 0.0, outcome, Step.EVEN, detail={"settle_by": "reading"}))
    if judged_share < _LITTLE_JUDGED:
        out.append(Reason("judged-share", judged_share, _LITTLE_JUDGED, 0.0, "note", Step.EVEN))
    return out


def colour_reasons(
    acc: Accuracy | None, limits: Limits, *, printed: str, tone_std: float, other_light: LightChange | None
) -> list[Reason]:
    """Only what a profile can correct counts, and only beyond what the camera may have done."""
    out = []
    if acc is not None and printed != "raw":
        lim = limits.colour
        tone = float(np.hypot(acc.u_grey_l, tone_std))
        lighter = bool(acc.grey_delta_l > 0)
        out = [
            compared("profile-mean", acc.mean_profile, lim.mean_de00, acc.u_profile, Step.COLOUR),
            compared("profile-p95", acc.p95_profile, lim.p95_de00, acc.u_p95, Step.COLOUR),
            compared("grey-cast", acc.grey_delta_ch, lim.grey_ch, acc.u_grey_ch, Step.COLOUR),
            compared("grey-tone", abs(acc.grey_delta_l), lim.grey_l, tone, Step.COLOUR, detail={"lighter": lighter}),
            Reason("substrate-limit", acc.mean_limit, _NAN, 0.0, "note", Step.COLOUR),
            Reason("press-part", acc.mean_press, _NAN, 0.0, "note", Step.COLOUR),
        ]
    if other_light is not None and other_light.other:
        shift = max(abs(other_light.red - 1), abs(other_light.blue - 1))
        told = {"told_by": other_light.by}
        out.append(Reason("other-light", shift, _NAN, 0.0, "note", Step.COLOUR, detail=told))
    return out


def aim_reason(mean_de00: float | None, source: str, limits: Limits, *, camera_u: float, camera: str) -> Reason:
    """Mean colour error of a finished piece against reading or profile; ``camera`` is 'other', 'unknown' or ''."""
    if mean_de00 is None:
        return Reason("colour-unknown", _NAN, _NAN, 0.0, "skipped", Step.COLOUR)
    u = float(np.hypot(_AIM_DOUBT[source], camera_u))
    told = {"camera": camera} if camera else {}
    return compared("profile-mean", mean_de00, limits.colour.mean_de00, u, Step.COLOUR, detail=told)


# ---------------------------------------------------------------- the decision


def decide(
    reasons: Sequence[Reason], *, paper: str, repress: dict[str, Any] | None = None, settle_by: str = ""
) -> Verdict:
    """Walk the fixed order; the first failure decides, the rest is still reported.

    Parameters
    ----------
    reasons : sequence of Reason
        Of all steps; those that fail, and those that stayed undecided for want of another photo.
    paper : {'on', 'off'}
        Whether the paper is still taped on; a re-press is only possible then.
    repress : dict, optional
        The heat model's plan, passed on in the advice; ``possible`` false turns a re-press into a reprint.
    settle_by : str
        The photo that would settle what stayed open, passed on in the advice.

    Returns
    -------
    Verdict
        A fault that is certain decides, though other places stay open: one more photo changes nothing about it. A
        reflection in the photo hides places but takes nothing back from a fault beside it that is certain.
    """
    ordered = sorted(reasons, key=lambda r: r.step)
    unfit = [r for r in ordered if r.outcome == "fail" and r.step is Step.PHOTO]
    failed = [r for r in ordered if r.outcome == "fail" and r.step is not Step.PHOTO]
    open_ = [r for r in ordered if r.outcome == "undecided" and (r.measure == "broad-light" or "doubt" in r.detail)]
    certain = [r for r in failed if r.measure in HEAT_HELPS]
    only_glare = bool(certain) and all(r.measure == Kind.GLARE for r in unfit)
    if unfit and not only_glare:
        action: Action = "retake-photo"
    elif failed:
        action = _cure(failed, paper)
    else:
        action = "retake-photo" if open_ else "accept"
    undecided = tuple(dict.fromkeys(r.measure for r in ordered if r.outcome == "undecided"))
    settle = {"settle_by": settle_by} if settle_by and (open_ or undecided) else {}
    action, planned = as_planned(action, repress)
    return Verdict(action=action, reasons=tuple(ordered), undecided=undecided, advice=settle | planned)


def _cure(failed: Sequence[Reason], paper: str) -> Action:
    """Give what the failures of the piece ask for together."""
    heat: Action = "re-press" if paper == "on" else "reprint"
    lost = [r for r in failed if r.step is not Step.COLOUR and not _heat_helps(r) and r.measure not in _DARK]
    if lost:
        return "reprint"
    if any(_heat_helps(r) for r in failed):
        return heat
    return "reprint" if any(r.measure in _DARK for r in failed) else "change-profile"


_DARK = (Kind.DARK, Kind.DARK_EDGE)  # a pale piece is pressed again, though it has a darker place as well
_WEAK = ("zone", "slope", "black-density", "uptake")


def _heat_helps(r: Reason) -> bool:
    return r.measure in HEAT_HELPS or r.measure in _WEAK


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
