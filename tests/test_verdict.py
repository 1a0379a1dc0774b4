"""The order of the verdict, step by step, and the limits that a workshop may set itself."""

from __future__ import annotations

import copy
import re
import tomllib
from dataclasses import replace
from importlib.resources import files
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from colorcheck.faults.catalogue import BANDS, CATALOGUE, CRISP, HEAT_HELPS, WHOLE, Cure, family_of, fault_of
from colorcheck.faults.verdict import (
    colour_reasons,
    decide,
    density_reason,
    evenness_reasons,
    finding_reason,
    finding_reasons,
    light_reasons,
    photo_reasons,
    uptake_reasons,
)
from colorcheck.ground.errors import DataError, FileError
from colorcheck.ground.limits import Limits, load_limits
from colorcheck.ground.records import (
    Accuracy,
    Evenness,
    Finding,
    Kind,
    PhotoCheck,
    Reason,
    Severity,
    Step,
    Uptake,
    Verdict,
)

NO = np.zeros(0)


def finding(kind: str, de: float = 6.0, *, doubt: str = "", diameter_mm: float = 20.0, **detail: Any) -> Finding:
    return Finding(
        kind=Kind(kind),
        x_mm=60.0,
        y_mm=40.0,
        diameter_mm=diameter_mm,
        area_mm2=314.0,
        delta_e00=de,
        delta_l=de,
        confidence=0.99,
        where="upper right",
        uncertainty=0.3,
        doubt=doubt,
        detail=detail,
    )


def strong(kind: str, **more: Any) -> Finding:
    """A finding far beyond whatever limit its kind is held against."""
    measure = fault_of(kind).measure
    return finding(
        kind, **{"de": 50.0, "diameter_mm": 50.0, **({} if hasattr(Finding, measure) else {measure: 50.0}), **more}
    )


def photo(**changes: Any) -> PhotoCheck:
    good = PhotoCheck(
        sharpness_px=1.5,
        edge_mm=0.3,
        clipped_share=0.0,
        glare_share=0.0,
        white_level=0.6,
        noise=0.01,
        tone_spread=0.0,
        hidden=0,
        problems=(),
        warnings=(),
    )
    return replace(good, **changes)


def even(**changes: Any) -> Evenness:
    good = Evenness(
        lab_map=np.zeros((2, 2, 3)),
        de_map=np.zeros((2, 2)),
        step_mm=2.0,
        zones=np.zeros((3, 3)),
        zone_max=0.5,
        zone_std_lab=(0.1, 0.1, 0.1),
        slope_l_per_cm=0.02,
        slope_direction="left",
        range_l=0.5,
        uncertainty=0.1,
        uptake_cell=np.ones(1),
        uptake_map=np.ones((2, 2)),
    )
    return replace(good, **changes)


def colour(**changes: Any) -> Accuracy:
    good = Accuracy(
        aim_lab=NO,
        reachable_lab=NO,
        even_lab=NO,
        total=NO,
        press=NO,
        profile=NO,
        limit=NO,
        measurement=NO,
        used=NO.astype(bool),
        mean_total=1.5,
        p95_total=3.0,
        mean_press=0.3,
        mean_profile=1.0,
        p95_profile=2.5,
        mean_limit=1.0,
        mean_measurement=1.5,
        grey_delta_ch=0.5,
        grey_delta_l=0.3,
        u_profile=0.75,
        u_p95=1.6,
        u_grey_ch=0.7,
        u_grey_l=0.6,
        max_chroma_out=5.0,
        against="",
    )
    return replace(good, **changes)


# in the order in which their answers count: what is wrong, and what must be answered with the paper on and off
STEPS: dict[str, tuple[dict[str, Any], str, str]] = {
    "blur": ({"problems": (("blur-mm", 2.0, 0.8, ""),)}, "retake-photo", "retake-photo"),
    "glare": ({"problems": (("glare", 0.1, 0.02, "lower left"),)}, "retake-photo", "retake-photo"),
    "ghost": ({"findings": (finding("ghost", strength=0.1, shift_mm=(1.0, 0.5)),)}, "reprint", "reprint"),
    "banding": ({"findings": (finding("banding", amplitude_l=1.0, period_mm=2.0, axis="x"),)}, "reprint", "reprint"),
    "missing ink": ({"findings": (finding("missing-ink", ink="cyan"),)}, "reprint", "reprint"),
    "large speck": ({"findings": (finding("speck", diameter_mm=3.0),)}, "reprint", "reprint"),
    "scorch": ({"findings": (finding("scorch", delta_b=5.0),)}, "reprint", "reprint"),
    "pale spot": ({"findings": (finding("pale"),)}, "re-press", "reprint"),
    "faded edge": ({"findings": (finding("faded-edge", side="left"),)}, "re-press", "reprint"),
    "pale zone": ({"zone_max": 4.0}, "re-press", "reprint"),
    "slope": ({"slope_l_per_cm": 0.9}, "re-press", "reprint"),
    "weak black": ({"density": 0.7}, "re-press", "reprint"),
    "dark spot": ({"findings": (finding("dark"),)}, "reprint", "reprint"),
    "profile": ({"colour": {"mean_profile": 6.0, "p95_profile": 12.0}}, "change-profile", "change-profile"),
    "grey cast": ({"colour": {"grey_delta_ch": 6.0}}, "change-profile", "change-profile"),
    "grey tone": ({"colour": {"grey_delta_l": -7.0}}, "change-profile", "change-profile"),
}
CERTAIN_IN_GLARE = ("pale spot", "faded edge")  # a reflection elsewhere takes nothing back from them
TESTED = (Kind.GHOST, Kind.BANDING, Kind.MISSING_INK, Kind.SCORCH)


def judge(
    *names: str,
    findings: tuple[Finding, ...] = (),
    acc: Accuracy | None = None,
    checks: tuple[PhotoCheck, ...] | None = None,
    density: float = 1.9,
    paper: str = "on",
    printed: str = "as-usual",
    limits: Limits | None = None,
    coloured: bool = True,
    repress: dict[str, Any] | None = None,
) -> Verdict:
    """Gather the reasons of a target as its flow does, and decide."""
    limits = limits or load_limits()
    problems: tuple[Any, ...] = ()
    tones: dict[str, Any] = {}
    evenly: dict[str, Any] = {}
    for name in names:
        for part, value in STEPS[name][0].items():
            if part == "problems":
                problems += value
            elif part == "findings":
                findings += value
            elif part == "density":
                density = value
            elif part == "colour":
                tones |= value
            else:
                evenly[part] = value
    reasons = [
        *photo_reasons(checks or (photo(problems=problems),)),
        *finding_reasons(findings, limits, tested=TESTED),
        *evenness_reasons(even(**evenly), limits),
        density_reason(density, None, limits, printed=printed),
        *colour_reasons(
            (acc or colour(**tones)) if coloured else None,
            limits,
            printed=printed,
            tone_std=0.0,
            other_light=None,
        ),
    ]
    return decide(reasons, paper=paper, repress=repress)


def test_nothing_wrong_is_accepted() -> None:
    verdict = judge()
    assert verdict.action == "accept"
    assert not verdict.undecided
    assert {r.outcome for r in verdict.reasons} <= {"pass", "note"}
    assert not verdict.advice


@pytest.mark.parametrize("paper", ["on", "off"])
@pytest.mark.parametrize("name", STEPS)
def test_each_step_alone(name: str, paper: str) -> None:
    verdict = judge(name, paper=paper)
    assert verdict.action == STEPS[name][1 if paper == "on" else 2]
    assert [r for r in verdict.reasons if r.outcome == "fail"]


@pytest.mark.parametrize(("first", "second"), list(combinations(STEPS, 2)))
def test_the_earlier_step_wins(first: str, second: str) -> None:
    """All but a reflection: beside it a pale place that is certain asks for pressing all the same."""
    together = judge(first, second)
    wins = second if first == "glare" and second in CERTAIN_IN_GLARE else first
    assert together.action == STEPS[wins][1]
    failed = {r.measure for r in together.reasons if r.outcome == "fail"}
    assert failed >= {r.measure for n in (first, second) for r in judge(n).reasons if r.outcome == "fail"}


def test_everything_wrong_asks_for_another_photo() -> None:
    assert judge(*STEPS).action == "retake-photo"


@pytest.mark.parametrize("name", STEPS)
def test_paper_off_never_says_press_again(name: str) -> None:
    assert judge(name, paper="off").action != "re-press"


@pytest.mark.parametrize("name", ["profile", "grey cast", "grey tone"])
def test_raw_prints_are_not_judged_by_colour(name: str) -> None:
    assert judge(name, printed="raw").action == "accept"


def test_without_colour_there_is_no_change_of_profile() -> None:
    verdict = judge("profile", coloured=False)
    assert verdict.action == "accept"
    assert not [r for r in verdict.reasons if r.step is Step.COLOUR]


def test_reasons_come_in_the_order_of_judging() -> None:
    reasons = judge(*STEPS).reasons
    steps = [r.step for r in reasons]
    assert steps == sorted(steps)
    order = [r.measure for r in judge().reasons]
    place = [
        order.index(m) for m in ("photo", "ghost", "banding", "missing-ink", "zone", "black-density", "profile-mean")
    ]
    assert place == sorted(place)


# ---------------------------------------------------------------- doubt


def test_a_value_within_its_doubt_is_undecided_and_does_not_decide() -> None:
    limit = load_limits().even.spot_de00
    barely = finding("pale", limit + 0.1)
    verdict = judge(findings=(barely,))
    assert verdict.action == "accept"
    assert "pale" in verdict.undecided
    verdict = judge(findings=(replace(barely, delta_e00=limit + 1.0),))
    assert verdict.action == "re-press"
    assert "pale" not in verdict.undecided


def test_a_known_camera_decides_sooner() -> None:
    worse = colour(mean_profile=3.4, u_profile=0.75)
    assert judge(acc=worse).action == "accept"
    assert "profile-mean" in judge(acc=worse).undecided
    assert judge(acc=replace(worse, u_profile=0.3)).action == "change-profile"


@pytest.mark.parametrize("kind", TESTED)
def test_what_was_looked_for_and_not_found_passes_with_a_line(kind: Kind) -> None:
    """Only a finding is certain; without one the kind is told to be absent, whatever the best candidate was."""
    (line,) = [r for r in judge().reasons if r.measure == kind]
    assert (line.value, line.outcome, line.step) == (0.0, "pass", CATALOGUE[kind].step)


def test_weak_black_that_a_mirrored_room_may_explain_is_undecided() -> None:
    """At density 1.10 a veil of 1.2 % may hide a black of 1.17: not the press's fault for certain."""
    verdict = judge(density=1.10)
    assert verdict.action == "accept"
    assert "black-density" in verdict.undecided


def test_what_is_not_measured_is_skipped() -> None:
    verdict = judge(acc=colour(grey_delta_ch=float("nan")))
    assert verdict.action == "accept"
    assert [r.outcome for r in verdict.reasons if r.measure == "grey-cast"] == ["skipped"]


def test_one_fit_photo_of_several_is_enough() -> None:
    bad = photo(problems=(("blur-mm", 2.0, 0.8, ""),))
    assert judge(checks=(bad, photo())).action == "accept"
    assert judge(checks=(bad, bad)).action == "retake-photo"


def test_warnings_are_told_and_do_not_decide() -> None:
    verdict = judge(checks=(photo(warnings=(("uneven-light", 2.6, 2.2, "left"),)),))
    assert verdict.action == "accept"
    assert [(r.measure, r.outcome, r.place) for r in verdict.reasons if r.measure == "uneven-light"] == [
        ("uneven-light", "note", "left")
    ]


def test_seconds_go_with_a_repress_alone() -> None:
    seconds = {"total_seconds": 60}
    assert judge("pale spot", repress=seconds).advice == {"repress": seconds}
    assert not judge("pale spot", paper="off", repress=seconds).advice
    assert not judge("profile", repress=seconds).advice


def test_pressing_helps_what_is_pale_alone() -> None:
    assert {"pale", "faded-edge", "pale-centre"} == HEAT_HELPS


# ---------------------------------------------------------------- the catalogue


@pytest.mark.parametrize("kind", Kind)
def test_every_kind_is_described(kind: Kind) -> None:
    fault = fault_of(kind)
    assert fault is CATALOGUE[kind]
    assert fault.word == fault.word.strip() != ""
    if fault.cure is Cure.PHOTO:
        return  # not on the piece: neither limit nor cause
    assert fault.cause.endswith(".")
    limits = load_limits()
    assert 0 <= fault.limit_of(limits) < 10
    measured = strong(kind)
    assert fault.value_of(measured) == 50.0
    reason = finding_reason(measured, limits)
    assert (reason.measure, reason.outcome, reason.step) == (kind, "fail", fault.step)


def test_the_catalogue_holds_kinds_and_nothing_else() -> None:
    assert set(CATALOGUE) == set(Kind)
    assert not HEAT_HELPS & CRISP
    assert not BANDS & WHOLE


@pytest.mark.parametrize("name", ["", "Pale", "palespot", "smear"])
def test_an_unknown_kind_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match="Kind"):
        fault_of(name)
    with pytest.raises(ValueError, match="Kind"):
        finding_reason(replace(finding("pale"), kind=name), load_limits())  # type: ignore[arg-type]
    assert family_of(name) == ""  # what an older file names is not counted


@pytest.mark.parametrize(
    ("de", "said"),
    [(0.0, "note"), (1.99, "note"), (2.0, "minor"), (3.49, "minor"), (3.5, "major"), (12.0, "major")],
)
def test_severity_follows_the_colour_difference_alone(de: float, said: str) -> None:
    assert {finding(kind, de).severity for kind in Kind} == {Severity(said)}


# ---------------------------------------------------------------- the decision as a table


GLARE = Reason("glare", 0.1, 0.02, 0.0, "fail", Step.PHOTO, "lower left")
BLUR = Reason("blur-mm", 2.0, 0.8, 0.0, "fail", Step.PHOTO)
HIDDEN_BY_LIGHT = light_reasons(("tilt",), 6.0, 0.0, 0.9, load_limits(), settle_by="blank frame", anchored=False)[0]


def fails(kind: str, **more: Any) -> Reason:
    reason = finding_reason(strong(kind, **more), load_limits())
    assert reason.outcome == ("undecided" if "doubt" in more else "fail")
    return reason


DECISIONS: dict[str, tuple[tuple[Reason, ...], str, str]] = {
    "nothing": ((), "accept", "accept"),
    "certain pale place": ((fails("pale"),), "re-press", "reprint"),
    "certain beside an open one": ((fails("pale"), fails("pale", doubt="reflection")), "re-press", "reprint"),
    "certain beside light that hides": ((fails("pale"), HIDDEN_BY_LIGHT), "re-press", "reprint"),
    "ghost beside an open place": ((fails("ghost"), fails("pale", doubt="rim")), "reprint", "reprint"),
    "dark beside an open place": ((fails("dark"), fails("pale", doubt="reflection")), "reprint", "reprint"),
    "open place alone": ((fails("pale", doubt="reflection"),), "retake-photo", "retake-photo"),
    "sharp rim alone": ((fails("pale", doubt="rim"),), "retake-photo", "retake-photo"),
    "light that hides alone": ((HIDDEN_BY_LIGHT,), "retake-photo", "retake-photo"),
    "reflection": ((GLARE,), "retake-photo", "retake-photo"),
    "reflection beside a certain place": ((GLARE, fails("pale")), "re-press", "reprint"),
    "reflection beside a certain faded edge": ((GLARE, fails("faded-edge")), "re-press", "reprint"),
    "reflection beside an open place": ((GLARE, fails("pale", doubt="reflection")), "retake-photo", "retake-photo"),
    "reflection and blur beside a certain place": ((GLARE, BLUR, fails("pale")), "retake-photo", "retake-photo"),
    "blur beside a certain place": ((BLUR, fails("pale")), "retake-photo", "retake-photo"),
    "pale and dark": ((fails("pale"), fails("dark")), "re-press", "reprint"),
    "pale and ghost": ((fails("pale"), fails("ghost")), "reprint", "reprint"),
    "pale and yellowed": ((fails("pale"), fails("scorch")), "reprint", "reprint"),
}  # fmt: skip


@pytest.mark.parametrize("name", DECISIONS)
def test_decisions(name: str) -> None:
    """In whatever order the reasons are handed in."""
    reasons, on, off = DECISIONS[name]
    for handed in (reasons, reasons[::-1]):
        for paper, action in (("on", on), ("off", off)):
            verdict = decide(handed, paper=paper)
            assert verdict.action == action
            assert [r.step for r in verdict.reasons] == sorted(r.step for r in reasons)


def test_a_re_press_that_cannot_be_is_a_reprint() -> None:
    plan = {"possible": False, "why": "never-hot-enough"}
    verdict = decide([fails("pale")], paper="on", repress=plan)
    assert verdict.action == "reprint"
    assert verdict.advice == {"repress": plan}
    assert decide([fails("pale")], paper="on", repress={"possible": True}).action == "re-press"
    assert decide([fails("pale")], paper="on").action == "re-press"
    assert decide([fails("pale", doubt="reflection")], paper="on", repress=plan).action == "retake-photo"


def test_the_photo_that_settles_it_is_named_where_something_stayed_open() -> None:
    asked = {"settle_by": "blank frame"}
    assert decide([fails("pale", doubt="reflection")], paper="on", settle_by="blank frame").advice == asked
    assert decide([fails("pale"), HIDDEN_BY_LIGHT], paper="on", settle_by="blank frame").advice == asked
    assert decide([fails("pale")], paper="on", settle_by="blank frame").advice == {}


def test_a_weak_press_told_against_a_reading_is_pressed_again() -> None:
    limits = load_limits()
    known, guessed = Uptake(0.7, 0.03, 0.9, "good.json"), Uptake(0.7, 0.03, 0.9, "")
    assert decide(uptake_reasons(known, limits), paper="on").action == "re-press"
    assert decide(uptake_reasons(known, limits), paper="off").action == "reprint"
    verdict = decide(uptake_reasons(guessed, limits), paper="on")
    assert (verdict.action, verdict.undecided) == ("accept", ("uptake",))


def test_a_reason_that_may_be_a_reflection_is_undecided_however_strong() -> None:
    reason = finding_reason(finding("pale", 30.0, doubt="reflection"), load_limits())
    assert (reason.outcome, reason.detail["doubt"]) == ("undecided", "reflection")
    faint = finding_reason(finding("pale", 1.0, doubt="reflection"), load_limits())
    assert faint.outcome == "pass"


# ---------------------------------------------------------------- limits


def test_shipped_limits_are_all_used_and_documented() -> None:
    text = files("colorcheck").joinpath("limits.toml").read_text(encoding="utf-8")
    shipped = tomllib.loads(text)
    assert load_limits().tables() == shipped
    for table in shipped.values():
        for key in table:
            line = next(line for line in text.splitlines() if line.startswith(key))
            assert "#" in line, f"{key} says not where it comes from"
    package = "".join(p.read_text(encoding="utf-8") for p in Path(str(files("colorcheck"))).rglob("*.py"))
    catalogued = {fault.limit for fault in CATALOGUE.values()}
    unused = [
        f"{t}.{k}"
        for t, table in shipped.items()
        for k in table
        if (t, k) not in catalogued and not re.search(rf"\.{k}\b", package)
    ]
    assert not unused


def test_published_limits() -> None:
    """ISO 12647-7 (from memory): evenness ≤ 2 ΔE00, all patches mean ≤ 2.5 and 95 % ≤ 5.0, greys mean ΔCh ≤ 2.0."""
    limits = load_limits()
    assert limits.even.zone_de00 == 2.0
    assert (limits.colour.mean_de00, limits.colour.p95_de00, limits.colour.grey_ch) == (2.5, 5.0, 2.0)


def own(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_own_limits_lie_over_the_shipped_ones(tmp_path: Path) -> None:
    limits = load_limits(own(tmp_path, "[even]\nspot_de00 = 9\n[colour]\nmean_de00 = 1.25\n"))
    assert limits.even.spot_de00 == 9
    assert limits.colour.mean_de00 == 1.25
    assert limits.even.zone_de00 == load_limits().even.zone_de00
    assert load_limits().even.spot_de00 != 9
    assert judge("pale spot").action == "re-press"
    assert judge("pale spot", limits=limits).action == "accept"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("even = 1", "even"), ("[evenness]\nspot_de00 = 2", "evenness"), ("[even]\nspot = 2", "even.spot"),
        ("[even]\nspot_de00 = 'two'", "even.spot_de00"), ("[even]\nspot_de00 = true", "even.spot_de00"),
        ("[even]\nspot_de00 = -0.1", "even.spot_de00"), ("[even]\nspot_de00 = nan", "even.spot_de00"),
        ("[even]\nspot_de00 = inf", "even.spot_de00"), ("[even]\nspot_de00 = [2]", "even.spot_de00"),
        ("[even]\nspot_de00 = {a = 2}", "even.spot_de00"), ("[even\n", "not a limits file"), ("\x00", "not a limits file"),  # noqa: E501
    ],
)  # fmt: skip
def test_damaged_limits(text: str, says: str, tmp_path: Path) -> None:
    with pytest.raises(DataError) as e:
        load_limits(own(tmp_path, text))
    assert says in str(e.value)
    assert "own.toml" in str(e.value)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("[even]\nspot_de00 = 1\nspot = 2\n", 3), ("[colour]\n\n[ even ]\nzone_de00 = -1 # low\n", 4),
        ("even.spot_de00 = 'x'\n", 1), ("# mine\n[evenness]\n", 2), ("even = 3\n", 1), ("[piece]\npose_mm = 1e30\n", 2),
    ],
)  # fmt: skip
def test_the_line_of_a_wrong_limit_is_named(text: str, line: int, tmp_path: Path) -> None:
    with pytest.raises(DataError, match=rf"own\.toml, line {line}: "):
        load_limits(own(tmp_path, text))


def test_limits_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="there is no file"):
        load_limits(tmp_path / "none.toml")
    with pytest.raises(FileError, match="is a folder"):
        load_limits(tmp_path)
    (tmp_path / "latin.toml").write_bytes(b"# caf\xe9\n")
    with pytest.raises(DataError, match="not plain text"):
        load_limits(tmp_path / "latin.toml")


def test_the_callers_limits_stay_as_they_are() -> None:
    limits = load_limits()
    kept = copy.deepcopy(limits)
    for name in STEPS:
        judge(name, limits=limits)
    assert limits == kept
