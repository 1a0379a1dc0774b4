"""What is said of every result, the answer first: the sentences that screen, page and file share."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from ..ground.records import Floats, Reading, Reason, Target
from ..ground.units import format_seconds
from . import inspectwords, words
from .numbers import number, percent, pm, seconds
from .results import blurred_verdict
from .say import items, pairs, say
from .screen import Block, Heading, Items, Table

if TYPE_CHECKING:
    from pathlib import Path

    from ..colour.reach import Reach
    from ..colour.substrate import Quantity, Substrate
    from ..flows.bench import Checked
    from ..flows.compare import Comparison
    from ..flows.inspect import Inspection
    from ..flows.ladder import LadderRead
    from ..flows.prepare import Prepared
    from ..flows.profile import Profile
    from ..flows.repeat import Repeatability
    from ..ground.errors import BlurredError
    from ..photo.camerafile import CameraFile
    from ..shop.ladder import LadderFit, LadderPlan
    from ..shop.presshealth import Common, Fade, FamilyHealth, Health, TrendLine
    from ..shop.ranking import Ranking

FINDINGS = 5
_GOOD_SHARE = 0.03  # of the piece out of reach: not worth a headline
_AS_GOOD = 0.5  # ΔE00 by which curves may stay behind the profile and still be named


def care(lines: Sequence[str]) -> Items:
    """Cautions, the same way after every answer."""
    return Items(lines, say("name_of_part", "care"))


# ---------------------------------------------------------------- read and inspect


def worst_of_each_question(reasons: Sequence[Reason]) -> list[Reason]:
    """Take what failed or stayed open of every question, at most two, or the measure nearest its limit."""
    out: list[Reason] = []
    for name, _ in words.steps():
        here = [r for r in reasons if words.step_of(r) == name and r.outcome != "note"]
        loud = [r for way in ("fail", "undecided") for r in here if r.outcome == way][:2]
        known = [r for r in here if r.outcome == "pass"] or here
        nearest = sorted(known, key=lambda r: r.value / r.limit if r.limit > 0 else 0.0, reverse=True)
        out += loud or nearest[:1]
    return out


def reading_blocks(reading: Reading) -> list[Block]:
    """Say what the screen shows of a reading."""
    v = reading.verdict
    retake = v.action == "retake-photo"
    found = () if retake else reading.findings
    said = [words.say_finding(f, reading) for f in found]
    rows = [
        (words.short_name(r), words.measured_text(r), words.limit_text(r), words.outcome_text(r, v))
        for r in worst_of_each_question(v.reasons)
    ]
    settle = [] if retake else [words.undecided_advice(m, reading) for m in v.undecided]
    photo = words.next_photo_lines(reading) if retake else []
    notes = [words.say_reason(r, reading) for r in v.reasons if words.is_photo_measure(r) and r.outcome == "note"]
    return [
        _shout(v.action, words.headline(v)),
        words.sentences(words.one_line_why(reading), say("with_bench", reading.bench)),
        *_judged(reading, rows, said, photo, settle, notes),
    ]


def blurred_blocks(e: BlurredError) -> list[Block]:
    """Say what the screen shows where a photo of a target is too blurred to show it."""
    return [_shout("retake-photo", words.headline(blurred_verdict(e))), f"{e.message}."]


def inspection_blocks(i: Inspection) -> list[Block]:
    """Say what the screen shows of an inspection."""
    iw, v = inspectwords, i.verdict
    earlier = "" if i.before is None else say("since_before", i.before.name, iw.before_lines(i.before)[0])
    rows = [
        (iw.short_name(r), words.measured_text(r), iw.limit_text(r, i), words.outcome_text(r, v))
        for r in worst_of_each_question(v.reasons)
    ]
    settle = [] if v.action == "retake-photo" else [iw.settle_line(m, i) for m in v.undecided]
    notes = [iw.say(r, i) for r in v.reasons if words.is_photo_measure(r) and r.outcome == "note"]
    said = [iw.say_finding(f, i) for f in iw.counted_findings(i)]
    return [
        _shout(v.action, iw.headline(i)),
        words.sentences(iw.why(i), earlier, say("with_bench", i.bench)),
        *_judged(i, rows, said, [line for line in iw.next_photo_lines(i) if line], settle, notes),
    ]


def _shout(action: str, text: str) -> Heading:
    """Capitals for the action alone, so that its condition stays readable."""
    word = words.action_word(action)
    return Heading(text.replace(word, word.upper(), 1))


def _judged(
    judged: words.Judged,
    rows: Sequence[Sequence[str]],
    findings: Sequence[str],
    photo: Sequence[str],
    settle: Sequence[str],
    notes: Sequence[str],
) -> list[Block]:
    """Everything below the answer, the same for a target and a piece."""
    action = judged.verdict.action
    again = action == "re-press"
    more = len(findings) - FINDINGS
    return [
        Table(items("judged_columns"), rows, ".ll."),
        Items(findings[:FINDINGS], mark="1", more=say("more_in_report", more) if more > 0 else ""),
        Items(words.repress_lines(judged) if again else [], say("name_of_part", "again"), first="!"),
        Items(photo, say("name_of_part", "photo")),
        Items([] if again else words.next_piece_lines(judged)),
        care(words.cautions(action)),
        Items([say("to_settle", line) for line in dict.fromkeys(settle)]),
        Items([say("photo_note", line) for line in notes]),
    ]


def target_blocks(target: Target, print_file: Path, layout_file: Path, *measuring: Path) -> list[Block]:
    """Say what the screen shows of a new target."""
    said = items("target_says", target, int((target.kind == 0).sum()), print_file, layout_file)
    return [*said, *(items("measuring_files", *measuring) if measuring else [])]


def camera_blocks(camera: CameraFile, out: str) -> list[Block]:
    """Say what the screen shows of a characterised camera."""
    notes = [say("note", note) for note in camera.notes]
    return [Heading(say("camera_head", out, camera)), say("camera_says", camera.model), *notes]


def repeat_blocks(result: Repeatability) -> list[Block]:
    """Say what the screen shows of several photos of one piece."""
    return [Heading(say("repeat_head", result)), say("repeat_says", result)]


def bench_blocks(result: Checked, path: str | None = None) -> list[Block]:
    """Say what is told of a checked set-up; ``path`` is where its file was written."""
    done = [c for c in result.checks if c.outcome != "left-out"]
    rows = [
        (say("bench_name", c.name), *say("bench_value", c).split(" / "), say("bench_outcome", c.outcome)) for c in done
    ]

    def names(outcome: str) -> list[str]:
        return [say("bench_name", c.name) for c in done if c.outcome == outcome]

    blocks: list[Block] = [
        Heading(say("bench_head", names("poor"), names("open"))),
        Table(items("bench_columns"), rows, ".ll."),
        Items([say("bench_proves", c) for c in done], say("name_of_part", "proves")),
    ]
    change = [say("bench_change", c) for c in done if c.outcome in ("poor", "open")]
    if change:
        blocks.append(Items(change, say("name_of_part", "change")))
    left = [say("bench_name", c.name) for c in result.checks if c.outcome == "left-out"]
    return [*blocks, *([say("bench_left_out", left)] if left else []), say("bench_use", path)]


# ---------------------------------------------------------------- prepare


def colour_name(lab: Sequence[float]) -> str:
    """Name a colour in plain words: lightness, strength, hue."""
    lightness, a, b = lab
    return say("colour_name", lightness, math.hypot(a, b), math.degrees(math.atan2(b, a)) % 360)


def prepare_headline(p: Prepared) -> str:
    """Say the answer in a few words."""
    from ..colour.reach import REACH_DE00
    from ..flows.prepare import FINE_PPI

    if p.correction != "full" and p.expected:
        off = p.expected[p.correction] > REACH_DE00
    else:
        off = p.reach is not None and p.reach.share >= _GOOD_SHARE
    return say("prepare_headline", p.ppi < FINE_PPI, off)


def unreachable(r: Reach | None) -> str:
    """Say how much of the picture this coat cannot show; '' when that is not known."""
    if r is None:
        return ""
    worst: dict[str, Any] | None = None
    if r.worst:
        m = r.worst[0]
        worst = {"due": colour_name(m.due_lab), "share": m.share, "delta_e00": m.delta_e00}
        worst["printed"] = colour_name(m.printed_lab)
    return say("prepare_unreachable", r, worst)


def prepare_why(p: Prepared) -> str:
    """One or two sentences under the headline."""
    return say("prepare_why", p, unreachable(p.reach))


def prepare_warnings(p: Prepared, *, answered: bool = False) -> list[str]:
    """Say what a person should know before printing, the weightiest first; ``answered``: the answer stands above."""
    from ..flows.prepare import FINE_PPI

    lost = "" if answered and not (p.correction != "full" and p.expected) else unreachable(p.reach)
    return items("prepare_warnings", p, p.reach, p.expected, FINE_PPI, _AS_GOOD, lost)


def prepare_blocks(p: Prepared, out: str, proof: str | None) -> list[Block]:
    """Say what the screen shows of a prepared picture, and the files that were written."""
    return [
        Heading(prepare_headline(p)),
        prepare_why(p),
        *items("prepare_files", p, out, proof),
        Items(prepare_warnings(p, answered=True), say("name_of_part", "good")),
        Items(items("prepare_print", p), say("name_of_part", "print")),
    ]


# ---------------------------------------------------------------- profile


def profile_headline(profile: Profile) -> str:
    """Say first whether it is worth printing through."""
    g = profile.gain
    return say("profile_headline", g, math.hypot(g.tone_mean if g.least == "tone" else g.curves_mean, g.camera))


def profile_context(
    profile: Profile, path: str, *, name: str, version: int, curves: str | None = None, page: bool = True
) -> dict[str, Any]:
    """Gather everything that is said of a profile, the answer first.

    Parameters
    ----------
    profile : Profile
    path : str
        Where it was written.
    name : str
        What it is called.
    version : int
        Of the format.
    curves : str, optional
        Where the grey curves were written.
    page : bool
        For the local page, which prepares pictures without naming commands.
    """
    g = profile.gain
    values = (
        (g.before_mean, g.tone_mean, g.curves_mean, g.after_mean),
        (g.before_grey, g.tone_grey, g.curves_grey, g.after_grey),
        (g.before_p95, math.nan, math.nan, g.after_p95),
    )
    rows = zip(items("profile_rows"), values, strict=True)
    return {
        "name": name,
        "headline": profile_headline(profile),
        "columns": items("profile_columns"),
        "rows": [(title, [number(v) if math.isfinite(v) else "" for v in row]) for title, row in rows],
        "says": items("profile_says", g, profile.model, profile.trust),
        "notes": list(profile.notes),
        "use": items("profile_use", profile, path, version, page, curves),
        "fixed": items("profile_fixed", profile),
    }


def profile_blocks(profile: Profile, path: str, *, version: int, curves: str | None = None) -> list[Block]:
    """Say what the screen shows of a profile; parameters as for `profile_context`."""
    c = profile_context(profile, path, name="", version=version, curves=curves, page=False)
    return [
        Heading(c["headline"]),
        Table(["", *c["columns"]], [[title, *values] for title, values in c["rows"]]),
        *c["says"],
        *(say("note", note) for note in c["notes"]),
        Items(c["use"], say("name_of_part", "use")),
        Items(c["fixed"], say("name_of_part", "fixed")),
    ]


# ---------------------------------------------------------------- compare


def _groups(ranking: Ranking) -> list[list[str]]:
    """Names that share a rank, best first."""
    groups: dict[int, list[str]] = {}
    for p in ranking.places:
        if p.rank:
            groups.setdefault(p.rank, []).append(p.name)
    return [groups[k] for k in sorted(groups)]


def compare_headline(ranking: Ranking) -> str:
    """Say who comes first, such as 'For photos: X', ties as ties."""
    return say("compare_headline", ranking.purpose, _groups(ranking))


def compare_rest(ranking: Ranking) -> str:
    """Say who comes after the first, in order, ties as ties; '' when nobody does."""
    return say("compare_rest", _groups(ranking)[1:])


def compare_answer(ranking: Ranking) -> str:
    """Say the whole ranking in plain words, such as 'For photos: X. Y and Z cannot be told apart'."""
    return words.sentences(compare_headline(ranking), compare_rest(ranking))


def compare_across(ranking: Ranking) -> str:
    """Name the pairs of unlike rank that cannot be told apart all the same, or ''."""
    rank_of = {p.name: p.rank for p in ranking.places}
    near = [(p.name, [n for n in p.tied if 0 < rank_of[n] < p.rank]) for p in ranking.places]
    return say("compare_across", [pair for pair in near if pair[1]])


def compare_why(c: Comparison) -> str:
    """Say what the first has over those behind it."""
    r = c.rankings[c.purpose]
    first = [p for p in r.places if p.rank == 1]
    behind = [p for p in r.places if p.rank > 1]
    spread = abs(first[-1].quantity.value - first[0].quantity.value) if first else math.nan
    own_coat = not r.measure.endswith("absolute")
    return say("compare_why", r.purpose, first[0] if first else None, behind[-1] if behind else None, spread, own_coat)


def compare_notes(c: Comparison) -> list[str]:
    """Put what limits the comparison into words."""
    return [say("compare_note", what, names, len(names) == len(c.substrates)) for what, names in c.notes]


def compare_judged(c: Comparison) -> str:
    """Say what ± means and when one is called better."""
    r = c.rankings[c.purpose]
    return say("compare_judged", r.purpose, c.one_camera, r.k)


def tint_words(lab: Floats | Sequence[float]) -> str:
    """Name the tint of a bare coat: 'L* 93, slightly yellow'."""
    lightness, a, b = (float(v) for v in lab)
    known = math.isfinite(lightness)
    chroma, angle = (math.hypot(a, b), math.degrees(math.atan2(b, a)) % 360) if known else (math.nan, math.nan)
    return say("coat_tint", lightness, chroma, angle, known)


def quantity(q: Quantity, digits: int = 1, *, scale: float = 1.0, unit: str = "", shared: bool = True) -> str:
    """Value ± twice its standard uncertainty, the whole one or that without what one camera gets wrong for all."""
    text = pm(scale * q.value, 2 * scale * (q.u if shared else q.u_random), digits)
    return f"{text}{unit}" if math.isfinite(q.value) else text


def ranked_by(c: Comparison, q: Quantity) -> str:
    """Write a value in the unit of the ranking."""
    shared = not c.one_camera
    if c.purpose == "photos":
        return quantity(q, 0, scale=1e-3, shared=shared)
    if c.purpose == "window":
        return quantity(q, 0, scale=100, unit=" %", shared=shared)
    return quantity(q, 1 if c.purpose == "blacks" else 2, shared=shared)


def compare_blocks(c: Comparison) -> list[Block]:
    """Say what the screen shows of a comparison."""
    r = c.rankings[c.purpose]
    by_name: dict[str, Substrate] = {s.name: s for s in c.substrates}
    rows = []
    for p in r.places:
        s = by_name[p.name]
        density = f"{'≥ ' if s.density_is_bound else ''}{number(s.max_density.value, 2)}"
        measured = (percent(s.srgb_coverage.value), number(s.black_l.value), density, number(s.evenness.value))
        rows.append((str(p.rank or "–"), p.name, ranked_by(c, p.quantity), *measured))
    return [
        Heading(compare_answer(r)),
        words.sentences(compare_why(c), compare_across(r)),
        Table(items("compare_columns", r.purpose), rows, "l.nnnnn"),
        compare_judged(c),
        Items(compare_notes(c)),
    ]


# ---------------------------------------------------------------- ladder


def ladder_why(fit: LadderFit) -> str:
    """Say in a sentence or two what the answer rests on."""
    harm = fit.harm in ("yellow", "scorch", "edges")
    safe_known = math.isfinite(fit.best.safe_until_s) and harm
    return say("ladder_why", fit, safe_known, bool(set(fit.harm_s) - {"limit"}))


def ladder_next(fit: LadderFit, plan: LadderPlan) -> str:
    """Say what to press next, and what it is worth."""
    used = {p.name for p in fit.pressed}
    spare = next(((name, seed) for name, seed in plan.spares if name not in used), None)
    told = ""
    if fit.next is not None:
        at = fit.next.settings
        heat = [] if at.temperature_c is None else [f"{at.temperature_c:g}C"]
        told = ",".join([f"{at.time_s:.0f}s", *heat, *([at.pressure] if at.pressure else [])])
    return say("ladder_next", fit, plan, spare, told)


def ladder_open(fit: LadderFit) -> list[dict[str, str]]:
    """List what the series could not decide, each with what would settle it."""
    steps = [
        (p.name, bool(odd), ", ".join(sorted({k.replace("-", " ") for k in p.faults})))
        for p, odd in zip(fit.pressed, fit.odd, strict=True)
    ]
    return [{"what": what, "settle": settle} for what, settle in pairs("ladder_open", fit, steps)]


def ladder_doubts(read: LadderRead) -> list[str]:
    """Say what was taken for granted about the readings of a series."""
    return items("ladder_doubts", read.by_order, read.cameras)


def ladder_cautions() -> list[str]:
    """Cautions of a series of presses."""
    return items("ladder_cautions", words.cautions("re-press"))


def ladder_table(fit: LadderFit) -> Table:
    """Every press with what came out of it; columns that hold nothing are left out."""
    rows = []
    for p, share, odd in zip(fit.pressed, fit.share, fit.odd, strict=True):
        coat = number(p.yellow_b) if math.isfinite(p.yellow_b) else say("eye", p.looked_yellow)
        notes = items("ladder_notes", bool(odd), p.looked_yellow, p.faults)
        rows.append(
            [p.name, seconds(p.settings.time_s), say("settings", p.settings, False) or "–"]
            + [percent(float(share), 1), number(p.black, 2), coat, number(p.scorch_b)]
            + [number(p.edge_mm, 2), number(p.evenness), ", ".join(notes) or "–"]
        )
    kept = [k for k in range(len(rows[0])) if any(row[k] != "–" for row in rows)]
    head, kinds = items("ladder_columns"), "lnlnnnnnn."
    return Table([head[k] for k in kept], [[row[k] for k in kept] for row in rows], "".join(kinds[k] for k in kept))


def ladder_blocks(plan: LadderPlan, fit: LadderFit) -> list[Block]:
    """Say what the screen shows of a step test."""
    several = fit.recipes if len(fit.recipes) > 1 else ()
    return [
        Heading(say("ladder_headline", fit)),
        ladder_why(fit),
        ladder_table(fit),
        Items([say("ladder_best", r, fit.limits) for r in several], say("name_of_part", "best")),
        ladder_next(fit, plan),
        say("ladder_begins", *fit.begins_s),
        Items([say("open_question", o["what"], o["settle"]) for o in ladder_open(fit)]),
        care(ladder_cautions()),
    ]


def run_table(plan: LadderPlan) -> Table:
    """List the presses in their order."""
    always = say("as_always")
    rows = []
    for step in plan.steps:
        s = step.settings
        time = f"{seconds(s.time_s)} ({format_seconds(s.time_s)})" if s.time_s >= 120 else seconds(s.time_s)
        heat = always if s.temperature_c is None else say("heat_of", s.temperature_c)
        rows.append([step.name, say("run_target", step.target_seed), time, heat, s.pressure or always])
    return Table(items("run_columns"), rows, "lllll")


def run_blocks(plan: LadderPlan, out: Path, sheets: Sequence[Path]) -> list[Block]:
    """Say what the screen shows of a plan, and which files were written into ``out``."""
    files = items("run_files", plan, out / "runsheet.html", sheets, out / "plan.json")
    return [say("run_order"), run_table(plan), care(ladder_cautions()), *files]


# ---------------------------------------------------------------- health and fading


def leading(health: Health) -> FamilyHealth | None:
    """Pick the family of findings that the answer is about: named before unclear before the rest."""
    from ..shop.presshealth import FRAMES

    rank = {**dict.fromkeys(FRAMES, 3), "unclear": 2, "random": 1, "unknown": 1, "few": 0}
    return max(health.families, key=lambda f: (rank[f.source], f.affected), default=None)


def health_headline(health: Health) -> str:
    """Say the answer in one line."""
    return say("health_headline", leading(health), len(health.pieces))


def health_why(health: Health) -> str:
    """Say in a sentence or two what the answer rests on."""
    from ..shop.presshealth import MIN_AFFECTED, MIN_PIECES

    f = leading(health)
    p, odds, lost = math.nan, math.nan, []
    if f is not None:
        p = next((t.p for t in f.tests if t.frame == f.source), math.nan)
        odds, lost = math.exp(min(f.ahead, 13.8)), [t.frame for t in f.tests if not t.known]
    good, judged = health.yield_share
    return say("health_why", f, len(health.pieces), good, judged, p, odds, lost, MIN_PIECES, MIN_AFFECTED)


def spot_words(s: Common) -> str:
    """Describe a shared place in one line."""
    return say("health_spot", s, words.kind_name(s.kind))


def health_todo(health: Health) -> list[str]:
    """Say what to look at first, and how to make sure."""
    f = leading(health)
    lines = items("health_checks", "few" if f is None else f.source)
    rivals = f.rivals if f is not None and f.source == "unclear" else ()
    return lines + [items("health_checks", r)[0] for r in rivals]


def health_cautions(health: Health) -> list[str]:
    """Cautions: all advice here ends at the press, with the next pieces or with the platen itself."""
    f = leading(health)
    press = f is not None and (f.source == "platen" or (f.source == "unclear" and "platen" in f.rivals))
    general = words.cautions("re-press")
    return items("health_cautions", general) if press else general


def health_blocks(health: Health, facts: Sequence[tuple[str, str]] = ()) -> list[Block]:
    """Say what the screen shows of many pieces."""
    return [
        Heading(health_headline(health)),
        health_why(health),
        Items([spot_words(s) for f in health.families for s in f.spots], mark="1"),
        Items(health_todo(health), say("name_of_part", "todo")),
        *(f"{k}: {v}" for k, v in facts),
        care(health_cautions(health)),
    ]


def trend_words(t: TrendLine) -> str:
    """Say whether a measure is steady."""
    n = len(t.values)
    if not math.isfinite(t.centre):
        state = "few"
    elif t.outside and t.outside[-1] >= n - 3:
        state = "outside now"
    elif t.drifting and t.drifting[-1] >= n - 3:
        state = "drifting"
    else:
        state = "outside" if t.outside else "steady"
    return say("trend", n, state, len(t.outside), t.rough)


def fading_headline(fades: Sequence[Fade]) -> str:
    """Say in one line what faded."""
    last = fades[-1]
    return say("fading_headline", last.mean, [g.name for g in last.groups[: max(1, last.apart)]][:2], last.apart)


def fading_table(fade: Fade) -> Table:
    """Tell the change of each group of colours, all together first."""
    rows = []
    for g in (fade.mean, *fade.groups):
        lighter = g.delta_l if abs(g.delta_l) >= 0.5 else 0
        duller = -g.delta_c if abs(g.delta_c) >= 0.5 else 0
        how = ", ".join(items("fading_how", lighter, duller)) or "–"
        rows.append([g.name, pm(g.delta_e00, 2 * g.std), how, str(g.cells)])
    return Table(items("fading_columns"), rows, ".n.n")


def fading_blocks(fades: Sequence[Fade], setup: str) -> list[Block]:
    """Say what the screen shows of a fading log."""
    out: list[Block] = [Heading(fading_headline(fades)), say("fading_why", setup)]
    for f in fades:
        out += [Heading(f"{f.name}, {f.taken}" if f.taken else f.name), fading_table(f)]
    return out
