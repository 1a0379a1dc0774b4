"""Results of inspect, prepare, profile, compare, ladder and health as JSON and CSV (those of read: `results`)."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import asdict, astuple
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from ..ground.geometry import place_in_photo
from ..ground.jsontext import picked, rounded
from . import answers as told
from . import inspectwords as iw
from . import words
from .results import finding_dict, reason_dict
from .say import items, say

if TYPE_CHECKING:
    from ..colour.reach import Missed
    from ..colour.substrate import Quantity, Substrate
    from ..flows.compare import Comparison
    from ..flows.inspect import Inspection, PiecePhoto
    from ..flows.prepare import Prepared
    from ..flows.profile import Profile
    from ..shop.ladder import BestTime, LadderFit, LadderPlan
    from ..shop.presshealth import Fade, Health, TrendLine
    from ..shop.ranking import Ranking

_PRESS_COLUMNS = (
    *("step", "time_s", "temperature_c", "pressure", "density", "share_of_plateau", "black_density", "coat_b"),
    *("scorch_delta_b", "edge_width_mm", "evenness_delta_e00", "looked_yellow", "off_the_rise", "faults", "reading"),
)
_SPOT_COLUMNS = (
    *("piece", "file", "kind", "x_mm", "y_mm", "diameter_mm", "delta_e00", "platen_x_mm", "platen_y_mm"),
    *("blank_x_mm", "blank_y_mm", "sheet_x_mm", "sheet_y_mm", "photo_x_mm", "photo_y_mm", "common_spot"),
)
_FADE_COLUMNS = ("reading", "taken", "group", "delta_e00", "uncertainty", "delta_L", "delta_C", "cells")


def csv_text(head: Sequence[str], rows: Sequence[Sequence[Any]]) -> str:
    """Write a table for a spreadsheet: unknown is empty, and no text is taken for a formula."""
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerows([head, *([_cell(v) for v in row] for row in rows)])
    return out.getvalue()


def _cell(value: Any) -> Any:
    if isinstance(value, float | np.floating):
        return f"{value:.6g}" if math.isfinite(value) else ""
    if isinstance(value, str):
        return f"'{value}" if value[:1] in ("=", "+", "-", "@", "\t") else value
    return "" if value is None else value


def inspection_to_dict(i: Inspection) -> dict[str, Any]:
    """Turn an inspection into the JSON of the contract.

    Keys may be added in later schema versions; those here stay. What is not known is null.
    """
    d, v = i.defects, i.verdict
    colour: dict[str, Any] = {}
    if d.mean_de00 is not None:
        colour = {
            **picked(d, "mean_delta_e00=mean_de00 p95_delta_e00=p95_de00 dye_share=uptake against=source"),
            "colours": [asdict(c) for c in d.colours],
        }
    whole = {
        "schema": "colorcheck-inspection/1",
        "name": i.artwork,
        **picked(i, "artwork size_mm shape view paper lit"),
        "findings": [finding_dict(f) for f in d.findings],
        "lighting": {
            "ratio": d.light_ratio,
            "glare_share": float(d.glare.mean()) if d.glare.size else 0.0,
            **picked(d, "anchors ambiguous broad_delta_e00=broad_de00"),
            **picked(d, "broad_colour_delta_e00=broad_colour_de00 settle_by"),
        },
        "verdict": {
            "action": v.action,
            "headline": iw.headline(i),
            "why": iw.why(i),
            "reasons": [reason_dict(r, iw.say(r, i)) for r in v.reasons],
            **picked(v, "undecided advice"),
            "what_to_do": _to_do(i),
            "cautions": words.cautions(v.action),
        },
        "photos": [_photo_dict(p, i.size_mm) for p in i.photos],
        **picked(d, "judged_share noise_delta_e00=noise_de00 expected_from=source white_from=coat"),
        "colour": colour,
        "before": None if i.before is None else asdict(i.before),
        **({"bench": i.bench} if i.bench else {}),
    }
    return cast("dict[str, Any]", rounded(whole))


def _to_do(i: Inspection) -> list[str]:
    if i.verdict.action == "re-press":
        return words.repress_lines(i)
    return [line for line in iw.next_photo_lines(i) if line]


def _photo_dict(p: PiecePhoto, size_mm: tuple[float, float]) -> dict[str, Any]:
    return {
        "piece_in_photo": place_in_photo(p.pose, size_mm),
        **picked(
            p, "file=name sha256 device taken colour_space notes placed_by shows_mirrored=mirrored uncertainty_mm"
        ),
        **picked(p, "score px_per_mm=pose.px_per_mm mirrored=pose.mirrored on_card clipped_share white_level sharp_mm"),
    }


def _missed(m: Missed) -> dict[str, Any]:
    return {
        "share": round(m.share, 4),
        "colour": told.colour_name(m.due_lab),
        "due_lab": [round(v, 2) for v in m.due_lab],
        "printed_lab": [round(v, 2) for v in m.printed_lab],
        "delta_e00": round(m.delta_e00, 2),
    }


def prepared_to_dict(p: Prepared, *, print_file: str, proof_file: str | None = None) -> dict[str, Any]:
    """Everything that is known of a prepared picture, for JSON."""
    from ..colour.reach import REACH_DE00

    r = p.reach
    return {
        "schema": "colorcheck-prepared/1",
        "print_file": print_file,
        "proof_file": proof_file,
        "size_mm": list(p.size_mm),
        "sheet_mm": [round(v, 3) for v in p.sheet_mm],
        "pixels": [p.picture.shape[1], p.picture.shape[0]],
        **picked(p, "dpi bleed_mm border_mm shape view mirrored lit"),
        "correction": p.correction if p.profile is not None else "curves" if p.curves is not None else "none",
        "intent": p.intent if p.correction == "full" and p.profile is not None else None,
        "black_point_compensation": p.correction == "full" and p.profile is not None,
        "artwork": {
            **picked(p, "file=artwork sha256=artwork_sha256 pixels=file_px"),
            "pixels_per_inch": round(p.ppi, 1),
            "bleed_mm": round(p.art_bleed_mm, 2),
            "bleed_known": p.art_bleed_known,
            "bleed_filled_mm": round(p.filled_mm, 2),
            "cropped_share": round(p.cropped, 4),
            **picked(p, "colour_space=source_space colour_space_assumed=assumed"),
        },
        "profile": None if p.profile is None else picked(p.profile, "file description sha256 faults"),
        "unreachable": None
        if r is None
        else {
            "limit_de00": REACH_DE00,
            "share": round(r.share, 4),
            "mean_delta_e00": round(r.mean, 2),
            "p95_delta_e00": round(r.p95, 2),
            "black_lab": [round(v, 2) for v in r.black_lab],
            "worst": [_missed(m) for m in r.worst],
        },
        "expected_mean_delta_e00": {k: round(v, 2) for k, v in p.expected.items()} or None,
        "headline": told.prepare_headline(p),
        "warnings": told.prepare_warnings(p),
        "how_to_print": items("prepare_print", p),
    }


def profile_to_dict(profile: Profile, path: str, *, version: int, readings: Sequence[str]) -> dict[str, Any]:
    """Turn what a profile gains into JSON."""
    head = {
        "schema": "colorcheck-profile/1",
        "headline": told.profile_headline(profile),
        "profile": path,
        "icc_version": version,
    }
    return {**head, "readings": list(readings), **rounded(_summary(profile))}


def _summary(profile: Profile) -> dict[str, Any]:
    """Gather the figures of a profile, for JSON."""
    g, m = profile.gain, profile.model
    return {
        **picked(profile, "name=tables.description trust printed view absolute lit"),
        "expected": {
            "before": picked(g, "mean_delta_e00=before_mean p95_delta_e00=before_p95 grey_delta_ch=before_grey"),
            "after": picked(g, "mean_delta_e00=after_mean p95_delta_e00=after_p95 grey_delta_ch=after_grey"),
            "tone_curve_only": picked(g, "mean_delta_e00=tone_mean grey_delta_ch=tone_grey"),
            "grey_curves_only": picked(g, "mean_delta_e00=curves_mean grey_delta_ch=curves_grey"),
            **picked(g, "camera_delta_e00=camera after_with_camera_delta_e00=in_all worth_it=worth"),
            **picked(g, "least_correction=least"),
        },
        "outside_gamut": picked(g, "share=outside_share mean_delta_e00=outside_mean hues=outside_hues"),
        "model": {
            **picked(m, "colours cells held_out_mean_delta_e00=held_out_mean held_out_p95_delta_e00=held_out_p95"),
            **picked(m, "cell_noise_delta_e00=noise odd_colours=odd corners_missing"),
        },
        "gamut_volume": profile.volume,
        "round_trip": picked(profile, "mean_delta_e00=round_trip_mean p95_delta_e00=round_trip_p95"),
        "notes": list(profile.notes),
    }


def _flat(c: Comparison, s: Substrate) -> tuple[dict[str, Any], dict[str, Any]]:
    """Single numbers of one substrate, and their standard uncertainties."""
    known: dict[str, Quantity] = {
        **picked(
            s, "gamut_volume gamut_volume_absolute srgb_coverage black_L=black_l black_L_absolute=black_l_absolute"
        ),
        **picked(s, "max_density neutral_delta_ch=neutral evenness edge_width_mm=edge_mm"),
    }
    single = picked(s, "replicates_delta_e00=replicate_de00")
    if s.repeat is not None:
        names = "repeat_delta_e00=delta_e00 repeat_gamut_volume=gamut_volume repeat_black_L=black_l"
        single |= picked(s.repeat, names)
    if s.name in c.costs:
        known["cost_per_good_piece"] = c.costs[s.name].per_good_piece
    if s.name in c.lights:
        known["light_share"] = c.lights[s.name].share
    doubt = {key: picked(q, "whole=u random=u_random") for key, q in known.items()}
    return {**{key: q.value for key, q in known.items()}, **single}, doubt


def comparison_to_dict(c: Comparison) -> dict[str, Any]:
    """Turn a comparison into the JSON of the contract; what is not known is null.

    ``gamut_volume``, ``srgb_coverage``, ``black_L`` and ``max_density`` are relative to each bare coat in every file;
    ``…_absolute`` are beside them. Uncertainties are one standard deviation: ``random`` differs from reading to
    reading and decides between substrates seen by one camera, ``whole`` includes the camera's own errors.
    """
    substrates = []
    for k, s in enumerate(c.substrates):
        values, doubt = _flat(c, s)
        substrates.append(
            {
                "name": s.name,
                **values,
                "max_density_is": "lower bound" if s.density_is_bound else "measured",
                **picked(s, "white_lab white_uncertainty=white_u absolute trust printed"),
                "neutral": picked(s, "device=neutral_at lab=neutral_lab"),
                "covers": {o.name: float(c.covers[k, n]) for n, o in enumerate(c.substrates) if n != k},
                "readings": [Path(f).name for f in s.files],
                "uncertainty": doubt,
                **({"cost": c.costs[s.name].parts} if s.name in c.costs else {}),
                **({"light_seen_on": c.lights[s.name].seen_on} if s.name in c.lights else {}),
            }
        )
    data = {
        "schema": "colorcheck-comparison/1",
        "purpose": c.purpose,
        "answer": told.compare_answer(c.rankings[c.purpose]),
        "why": told.compare_why(c),
        "substrates": substrates,
        "ranking": ranking_list(c.rankings[c.purpose]),
        "measure": c.rankings[c.purpose].measure,
        "k": c.rankings[c.purpose].k,
        "one_camera": c.one_camera,
        "rankings": {name: ranking_list(r) for name, r in c.rankings.items()},
        "notes": told.compare_notes(c),
    }
    return cast("dict[str, Any]", rounded(data))


def ranking_list(r: Ranking) -> list[dict[str, Any]]:
    """One ranking as JSON: equal ranks are ties; rank null where nothing was measured."""
    return [
        {
            "rank": p.rank or None,
            **picked(p, "name value=quantity.value uncertainty=quantity.u_random"),
            "tied_with": list(p.tied),
        }
        for p in r.places
    ]


def comparison_csv(c: Comparison) -> str:
    """One line for each substrate, best first for the purpose; ``u_…`` are whole standard uncertainties."""
    order = c.rankings[c.purpose].places
    by_name = {s.name: s for s in c.substrates}
    flats = [_flat(c, by_name[p.name]) for p in order]
    keys = list(dict.fromkeys(k for values, _ in flats for k in values))
    head = ["rank", "name"]
    for k in keys:
        head += [k, *([f"u_{k}"] if any(k in d for _, d in flats) else [])]
    rows = []
    for p, (values, doubt) in zip(order, flats, strict=True):
        s = by_name[p.name]
        row: list[Any] = [p.rank or "", p.name]
        for k in keys:
            row += [values.get(k, math.nan), *([doubt.get(k, {}).get("whole", math.nan)] if f"u_{k}" in head else [])]
        bound = "lower bound" if s.density_is_bound else "measured"
        rows.append([*row, *s.white_lab, bound, s.trust, "yes" if s.absolute else "no", len(s.files)])
    return csv_text(
        [*head, *("white_L", "white_a", "white_b", "max_density_is", "trust", "absolute", "readings")], rows
    )


def ladder_to_dict(plan: LadderPlan, fit: LadderFit) -> dict[str, Any]:
    """Turn the answer into JSON; what is not known is null."""
    n = fit.next
    whole = {
        "schema": "colorcheck-ladder-result/1",
        "name": plan.name,
        "status": fit.status,
        "headline": say("ladder_headline", fit),
        "why": told.ladder_why(fit),
        "best": _recipe_dict(fit.best),
        "recipes": [_recipe_dict(r) for r in fit.recipes],
        "step_s": fit.step_s,
        "plateau": picked(fit, "density=plateau std=plateau_std within scatter"),
        "slowest": {"light": fit.light or None, "lag_s": fit.lag_s},
        "begins_s": dict(zip(("low", "median", "high"), fit.begins_s, strict=True)),
        "upper_end": fit.harm or None,
        "harm_s": {k: {"low": v[0], "median": v[1], "high": v[2]} for k, v in fit.harm_s.items()},
        "knows": {"yellowing": fit.knows_yellow, "edges": fit.knows_edges},
        "next": None if n is None else {**asdict(n.settings), **picked(n, "why half_width_now_s=now_s expected_s")},
        "limits": picked(plan.limits, "time_s temperature_c"),
        "steps": [dict(zip(_PRESS_COLUMNS, row, strict=True)) for row in _rows(fit)],
        "open": told.ladder_open(fit),
        "what_to_do": [told.ladder_next(fit, plan)],
        "cautions": told.ladder_cautions(),
        "curve": picked(fit, "time_s=times density=level low=level_low high=level_high"),
    }
    return cast("dict[str, Any]", rounded(whole))


def _recipe_dict(r: BestTime) -> dict[str, Any]:
    return {**asdict(r.settings), **picked(r, "low_s high_s safe_until_s p_safe")}


def _rows(fit: LadderFit) -> list[list[Any]]:
    out = []
    for p, share, odd in zip(fit.pressed, fit.share, fit.odd, strict=True):
        looked = None if p.looked_yellow is None else bool(p.looked_yellow)
        out.append(
            [p.name, *astuple(p.settings), p.density, float(share), p.black, p.yellow_b, p.scorch_b]
            + [p.edge_mm, p.evenness, looked, bool(odd), " ".join(p.faults), p.source]
        )
    return out


def ladder_csv(fit: LadderFit) -> str:
    """One line for each press, for a spreadsheet; what is not known is empty."""
    return csv_text(_PRESS_COLUMNS, cast("list[list[Any]]", rounded(_rows(fit))))


def health_to_dict(
    health: Health, trends: Sequence[TrendLine] = (), facts: Sequence[tuple[str, str]] = ()
) -> dict[str, Any]:
    """Turn the answer into JSON; what is not known is null."""
    f = told.leading(health)
    whole = {
        "schema": "colorcheck-health/1",
        "pieces": len(health.pieces),
        "accepted": health.yield_share[0],
        "source": None if f is None else f.source,
        "headline": told.health_headline(health),
        "why": told.health_why(health),
        "families": [
            {
                **picked(g, "family source affected rivals lead_log_likelihood=ahead"),
                "tests": [
                    picked(t, "frame gain_log_likelihood=gain p written_down=known can_be_told_apart=varied")
                    for t in g.tests
                ],
                "spots": [
                    {
                        **picked(s, "frame kind x_mm y_mm diameter_mm delta_e00 pieces of=could"),
                        "where": say("health_place", s),
                    }
                    for s in g.spots
                ],
            }
            for g in health.families
        ],
        "what_to_do": told.health_todo(health),
        "cautions": told.health_cautions(health),
        "log": dict(facts),
        "trends": [picked(t, "measure=name values centre lower upper outside drifting") for t in trends],
    }
    return cast("dict[str, Any]", rounded(whole))


def health_csv(health: Health) -> str:
    """One line for each finding, with its place in every frame, for a spreadsheet."""
    from ..faults.catalogue import family_of
    from ..shop.presshealth import FRAMES, in_frame

    spots = [s for f in health.families for s in f.spots]
    rows = []
    for p in health.pieces:
        for s in p.spots:
            frames = {f: in_frame(np.array([[s.x_mm, s.y_mm]]), p, f)[0] for f in FRAMES}
            mine = [
                k
                for k, c in enumerate(spots, 1)
                if p.name in c.pieces
                and family_of(s.kind) == family_of(c.kind)
                and math.hypot(*(frames[c.frame] - (c.x_mm, c.y_mm))) <= max(8.0, 0.5 * c.diameter_mm) + 4
            ]
            row: list[Any] = [p.name, p.source, s.kind]
            row += [round(v, 2) for v in (s.x_mm, s.y_mm, s.diameter_mm, s.delta_e00)]
            row += [round(float(v), 1) for f in FRAMES for v in frames[f]]
            rows.append([*row, mine[0] if mine else ""])
    return csv_text(_SPOT_COLUMNS, rows)


def fading_to_dict(fades: Sequence[Fade], first: str, setup: str) -> dict[str, Any]:
    """Turn a fading log into JSON."""
    group = "name delta_e00 uncertainty=std delta_L=delta_l delta_C=delta_c cells"
    whole = {
        "schema": "colorcheck-fading/1",
        "first": first,
        "setup": setup,
        "headline": told.fading_headline(fades),
        "why": say("fading_why", setup),
        "later": [
            {
                **picked(f, "name taken"),
                "all": picked(f.mean, group),
                "groups": [picked(g, group) for g in f.groups],
                "apart": f.apart,
            }
            for f in fades
        ],
    }
    return cast("dict[str, Any]", rounded(whole))


def fading_csv(fades: Sequence[Fade]) -> str:
    """One line for each later reading and group."""
    rows = []
    for f in fades:
        for g in (f.mean, *f.groups):
            values = [round(v, 2) for v in (g.delta_e00, g.std, g.delta_l, g.delta_c)]
            rows.append([f.name, f.taken, g.name, *values, g.cells])
    return csv_text(_FADE_COLUMNS, rows)
