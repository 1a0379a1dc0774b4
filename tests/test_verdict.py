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

from colorcheck.faults.verdict import decide, pale_findings
from colorcheck.ground.errors import DataError, FileError
from colorcheck.ground.limits import load_limits
from colorcheck.ground.records import Accuracy, Evenness, Finding, PhotoCheck, PrintCheck, Verdict

NO = np.zeros(0)


def finding(kind: str, de: float = 6.0, **detail: Any) -> Finding:
    return Finding(
        kind=kind,
        x_mm=60.0,
        y_mm=40.0,
        diameter_mm=20.0,
        area_mm2=314.0,
        delta_e00=de,
        delta_l=de,
        confidence=0.99,
        where="upper right",
        detail={"uncertainty": 0.3, **detail},
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


def prints(**changes: Any) -> PrintCheck:
    good = PrintCheck(
        ghost_shift_mm=(0.0, 0.0),
        ghost_strength=0.0,
        ghost_significance=0.0,
        banding_period_mm=0.0,
        banding_amplitude_l=0.0,
        banding_significance=0.0,
        banding_axis="",
        missing=(),
        scorch_b=0.0,
        scorch_u=0.2,
        edge_width_mm=0.2,
        uptake=1.0,
        uptake_u=0.02,
        findings=(),
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
        findings=(),
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
        max_chroma_out=5.0,
        against="",
    )
    return replace(good, **changes)


# in the order in which they are judged: what is wrong, and what must be answered with the paper on and off
STEPS: dict[str, tuple[dict[str, Any], str, str]] = {
    "glare": ({"photo": {"problems": (("glare", 0.1, 0.02, "lower left"),)}}, "retake-photo", "retake-photo"),
    "ghost": (
        {"prints": {"ghost_strength": 0.1, "ghost_shift_mm": (1.0, 0.5), "findings": (finding("ghost"),)}},
        "reprint",
        "reprint",
    ),
    "banding": (
        {"prints": {"banding_amplitude_l": 1.0, "banding_period_mm": 2.0, "findings": (finding("banding"),)}},
        "reprint",
        "reprint",
    ),
    "missing ink": ({"prints": {"missing": ("cyan",)}}, "reprint", "reprint"),
    "scorch": ({"prints": {"scorch_b": 5.0, "findings": (finding("scorch"),)}}, "reprint", "reprint"),
    "pale spot": ({"even": {"findings": (finding("pale"),)}}, "re-press", "reprint"),
    "faded edge": ({"even": {"findings": (finding("faded-edge", side="left"),)}}, "re-press", "reprint"),
    "pale zone": ({"even": {"zone_max": 4.0}}, "re-press", "reprint"),
    "slope": ({"even": {"slope_l_per_cm": 0.9}}, "re-press", "reprint"),
    "dark spot": ({"even": {"findings": (finding("dark"),)}}, "reprint", "reprint"),
    "weak black": ({"density": 0.7}, "re-press", "reprint"),
    "profile": ({"colour": {"mean_profile": 6.0, "p95_profile": 12.0}}, "change-profile", "change-profile"),
    "grey cast": ({"colour": {"grey_delta_ch": 6.0}}, "change-profile", "change-profile"),
    "grey tone": ({"colour": {"grey_delta_l": -7.0}}, "change-profile", "change-profile"),
}


def judge(
    *names: str, paper: str = "on", printed: str = "as-usual", limits: dict[str, Any] | None = None, **more: Any
) -> Verdict:
    parts: dict[str, dict[str, Any]] = {"photo": {}, "prints": {}, "even": {}, "colour": {}}
    density = more.pop("density", 1.9)
    for name in names:
        for part, changes in STEPS[name][0].items():
            if part == "density":
                density = changes
                continue
            before = parts[part].get("findings", ())
            parts[part].update(changes)
            if before and "findings" in changes:
                parts[part]["findings"] = (*before, *changes["findings"])
    return decide(
        more.pop("checks", None) or (photo(**parts["photo"]),),
        prints(**parts["prints"]),
        even(**parts["even"]),
        more.pop("acc", colour(**parts["colour"])),
        trust=more.pop("trust", "balanced"),
        printed=printed,
        paper=paper,
        limits=limits or load_limits(),
        black_density=density,
        **more,
    )


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
    together = judge(first, second)
    assert together.action == STEPS[first][1]
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
    assert judge(acc=None).action == "accept"


def test_reasons_come_in_the_order_of_judging() -> None:
    order = [r.measure for r in judge().reasons]
    place = [
        order.index(m) for m in ("photo", "ghost", "banding", "missing-ink", "zone", "black-density", "profile-mean")
    ]
    assert place == sorted(place)


# ---------------------------------------------------------------- doubt


def test_a_value_within_its_doubt_is_undecided_and_does_not_decide() -> None:
    limit = load_limits().even.spot_de00
    barely = finding("pale", limit + 0.1)
    verdict = decide(
        (photo(),),
        prints(),
        even(findings=(barely,)),
        colour(),
        trust="balanced",
        printed="as-usual",
        paper="on",
        limits=load_limits(),
        black_density=1.9,
    )
    assert verdict.action == "accept"
    assert "pale" in verdict.undecided
    clearly = replace(barely, delta_e00=limit + 1.0)
    verdict = decide(
        (photo(),),
        prints(),
        even(findings=(clearly,)),
        colour(),
        trust="balanced",
        printed="as-usual",
        paper="on",
        limits=load_limits(),
        black_density=1.9,
    )
    assert verdict.action == "re-press"
    assert "pale" not in verdict.undecided


def test_a_known_camera_decides_sooner() -> None:
    worse = colour(mean_profile=3.4)
    assert judge(acc=worse, trust="balanced").action == "accept"
    assert "profile-mean" in judge(acc=worse, trust="balanced").undecided
    assert judge(acc=worse, trust="referenced").action == "change-profile"


def test_a_number_without_a_finding_is_only_a_candidate() -> None:
    only = prints(ghost_strength=0.2, banding_amplitude_l=2.0, scorch_b=9.0)
    verdict = decide(
        (photo(),),
        only,
        even(),
        colour(),
        trust="balanced",
        printed="as-usual",
        paper="on",
        limits=load_limits(),
        black_density=1.9,
    )
    assert verdict.action == "accept"


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


def test_pale_findings_are_those_that_pressing_helps() -> None:
    e = even(findings=(finding("pale"), finding("dark"), finding("faded-edge")))
    assert [f.kind for f in pale_findings(e)] == ["pale", "faded-edge"]


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
    unused = [f"{t}.{k}" for t, table in shipped.items() for k in table if not re.search(rf"\.{k}\b", package)]
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
    with pytest.raises(FileError, match="cannot be read"):
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
