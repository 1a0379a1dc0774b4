"""JSON, terminal and page of an inspection: whole, true to its numbers and safe. The pieces are made up by hand."""

from __future__ import annotations

import io
import json
import math
import os
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from colorcheck.faults.beforeafter import Before, compare_before, load_earlier
from colorcheck.faults.catalogue import BANDS, CATALOGUE, WHOLE
from colorcheck.faults.find import DefectResult
from colorcheck.flows.inspect import Inspection, PiecePhoto, _verdict
from colorcheck.flows.requests import InspectRequest
from colorcheck.ground.errors import FileError
from colorcheck.ground.jsontext import write_json
from colorcheck.ground.limits import load_limits
from colorcheck.ground.records import (
    Finding,
    FlatImage,
    Kind,
    Lines,
    Looked,
    Pose,
    Reason,
    SecondCopy,
    Step,
    Verdict,
    Yellowing,
)
from colorcheck.piece.aim import ColourCell
from colorcheck.show import inspectwords, words
from colorcheck.show.answers import inspection_blocks
from colorcheck.show.page import inspection_context, render_page, write_page
from colorcheck.show.resultfiles import inspection_to_dict
from colorcheck.show.screen import show
from tests.test_report import BAD_NAME, UGLY, _page

ACTIONS = ("accept", "re-press", "change-profile", "reprint", "retake-photo")
SIZE = (120.0, 80.0)
STEP = 2.0
OWN: dict[Kind, dict[str, Any]] = {  # what only this kind has
    Kind.GHOST: {"strength": 0.08, "shift_mm": (0.9, -0.6)},
    Kind.BANDING: {"amplitude_l": 1.2, "period_mm": 1.4, "axis": "x"},
    Kind.SCORCH: {"delta_b": 5.0},
    Kind.FADED_EDGE: {"side": "left"},
    Kind.DARK_EDGE: {"side": "left"},
}
STEPS = {
    **{str(kind): fault.step for kind, fault in CATALOGUE.items()},
    "crisp-defects": Step.PRINT,
    **dict.fromkeys(("broad-light", "broad-colour", "judged-share"), Step.EVEN),
    **dict.fromkeys(("profile-mean", "colour-unknown"), Step.COLOUR),
}
MARGIN = 25.0
NUMBERS_OF_A_MACHINE = re.compile(r"\b(nan|None|inf)\b")


def spot(
    kind: str = "pale",
    x: float = 84.0,
    y: float = 26.0,
    d: float = 20.0,
    de: float = 4.5,
    *,
    doubt: str = "",
    **detail: Any,
) -> Finding:
    known = Kind(kind)
    where = "all over" if known in WHOLE else "left" if known in BANDS else ""
    return Finding(
        kind=known,
        x_mm=x,
        y_mm=y,
        diameter_mm=d,
        area_mm2=math.pi / 4 * d**2,
        delta_e00=de,
        delta_l=3.0,
        confidence=0.99,
        where=where or "3.6 cm from the right, 2.6 cm from the top (upper right)",
        doubt=doubt,
        detail={**OWN.get(known, {}), **detail},
    )


def defects(*findings: Finding, **other: Any) -> DefectResult:
    rows, cols = round(SIZE[1] / STEP), round(SIZE[0] / STEP)
    residual = np.zeros((rows, cols))
    residual[:, :4] = np.nan
    fields: dict[str, Any] = {
        "findings": findings,
        "looked": Looked(SecondCopy((0.0, 0.0), 0.0, 0.0), Lines(0.0, 0.0, 0.0, "x", ""), Yellowing(0.0, 0.3)),
        "residual": residual,
        "lack": np.zeros((rows, cols)),
        "lack_std": np.full((rows, cols), 0.01),
        "step_mm": STEP,
        "light": np.linspace(0.5, 0.9, cols)[None, :, None] * np.ones((rows, 1, 3)),
        "light_ratio": 1.8,
        "glare": np.zeros((rows, cols), bool),
        "ambiguous": (),
        "settle_by": "",
        "anchors": ("card",),
        "noise_lack": 0.01,
        "noise_de00": 0.15,
        "judged_share": 0.9,
        "broad_de00": 0.4,
        "broad_colour_de00": 0.4,
        "source": "photo",
        "coat": "card",
        "placed_mm": 0.1,
        "least_told_mm": 0.0,
    }
    return DefectResult(**{**fields, **other})


def photo(**other: Any) -> PiecePhoto:
    pose = Pose(np.diag([6.0, 6.0, 1.0]), (0.0, 0.0), (400.0, 300.0), 500.0, False, 0.1, 6.0, 0, 0)
    fields: dict[str, Any] = {
        "name": "plaque.jpg",
        "sha256": "00",
        "device": "",
        "taken": "",
        "colour_space": "sRGB",
        "notes": ("no profile inside: sRGB was taken",),
        "pose": pose,
        "placed_by": "content",
        "uncertainty_mm": 0.08,
        "score": 0.98,
        "mirrored": False,
        "on_card": True,
        "clipped_share": 0.0,
        "white_level": 0.4,
        "sharp_mm": 0.4,
    }
    return PiecePhoto(**{**fields, **other})


def verdict_on(found: DefectResult, shot: PiecePhoto, paper: Any, photos: int = 1) -> Verdict:
    """Judge as the flow does, without a reading and with nothing known about the press."""
    request = InspectRequest(photos=("plaque.jpg",), artwork="number-27.png", size_mm=SIZE, paper=paper)
    return _verdict([shot] * photos, found, request, load_limits(None), (0.0, ""), None)


def inspection(found: DefectResult, *, paper: str = "on", shot: PiecePhoto | None = None, **other: Any) -> Inspection:
    """A piece with a margin round it, judged as the flow judges it."""
    g = 3.0
    h, w = round((SIZE[1] + 2 * MARGIN) * g), round((SIZE[0] + 2 * MARGIN) * g)
    rgb = np.full((h, w, 3), 0.6, np.float32)
    m = round(MARGIN * g)
    rgb[m:-m, m:-m] = (0.05, 0.3, 0.1)  # the piece is green, the card is grey
    shot = shot or photo()
    fields: dict[str, Any] = {
        "artwork": "number-27.png",
        "size_mm": SIZE,
        "shape": "rect",
        "view": "front",
        "paper": paper,
        "photos": (shot,),
        "defects": found,
        "verdict": verdict_on(found, shot, paper),
        "flat": FlatImage(rgb=rgb, clipped=np.zeros((h, w), np.uint8), inside=np.ones((h, w), bool), px_per_mm=g),
        "limits": load_limits(None),
        "before": None,
    }
    return Inspection(**{**fields, **other})


def judged(i: Inspection, action: str, *reasons: Reason) -> Inspection:
    undecided = tuple(dict.fromkeys(r.measure for r in reasons if r.outcome == "undecided"))
    return replace(i, verdict=Verdict(action=action, reasons=reasons, undecided=undecided, advice={}))  # type: ignore[arg-type]


def every_reason() -> list[Reason]:
    out = []
    for measure in inspectwords.MEASURES:
        on_piece = measure in set(Kind) and measure != "glare"
        for outcome in ("pass", "fail", "undecided", "note", "skipped"):
            for value in (0.0, 3.456, math.nan):
                detail = {"diameter_mm": 14.0, **OWN.get(Kind(measure), {})} if on_piece else {}
                detail |= {"largest_mm": 2.6} if measure == "crisp-defects" else {}
                place = "left" if measure.endswith("-edge") else "all over" if measure in ("ghost", "banding") else ""
                out.append(Reason(measure, value, 2.0, 0.3, outcome, STEPS.get(measure, Step.PHOTO), place, detail))
                if measure == "dark":  # a place on the piece, and a photo that is too dark
                    out.append(Reason(measure, value, 2.0, 0.3, outcome, Step.PHOTO))
    return out


@pytest.fixture(scope="module")
def pale() -> Inspection:
    i = inspection(defects(spot(), spot("speck", 20, 60, 0.8, 6.0)))
    assert i.verdict.action == "re-press"
    return i


@pytest.fixture(scope="module")
def hidden() -> Inspection:
    """No card, no second photo: light could hide more than the limit."""
    found = defects(
        anchors=(), ambiguous=("tilt", "bowl", "edge"), settle_by="blank frame", broad_de00=6.2, judged_share=0.8
    )
    i = inspection(found, shot=photo(on_card=False))
    assert i.verdict.action == "retake-photo"
    return i


def render_inspection(i: Inspection) -> str:
    return render_page("inspect.html.j2", inspection_context(i))


def printed(i: Inspection, **how: Any) -> str:
    stream = io.StringIO()
    show(stream, inspection_blocks(i), **{"width": 80, **how})
    return stream.getvalue()


# ---------------------------------------------------------------- words


def test_every_measure_of_the_decision_has_words(pale: Inspection) -> None:
    for r in every_reason():
        for text in (
            inspectwords.say(r, pale),
            inspectwords.short_name(r),
            words.measured_text(r),
            inspectwords.limit_text(r, pale),
        ):
            assert text
            assert not UGLY.search(text), (r.measure, r.outcome, text)
        said = inspectwords.say(r, pale)
        assert said.endswith("."), said
        assert said[0].isupper() or said[0].isdigit(), said
        assert "cell" not in said, f"a piece has no cells: {said}"


def test_measures_the_flow_makes_are_all_known() -> None:
    found = defects(
        *(spot(k, de=5.0) for k in Kind if k not in (Kind.MIRRORED, Kind.MISSING_INK)),
        ambiguous=("ring", "colour"),
        settle_by="blank frame",
        broad_de00=9.0,
        mean_de00=4.0,
        source="profile",
    )
    bad = photo(clipped_share=0.5, white_level=0.01, sharp_mm=4.0, uncertainty_mm=9.0)
    flooded = replace(found, glare=np.ones_like(found.glare), mean_de00=None)
    for i in (inspection(found), inspection(found, shot=bad), inspection(flooded)):
        for r in i.verdict.reasons:
            assert r.measure in inspectwords.MEASURES, f"{r.measure} needs words"
            assert words.step_of(r) in dict(words.steps())
            assert r.step is STEPS.get(r.measure, Step.PHOTO) or (r.measure, r.step) == ("dark", Step.PHOTO)


def test_what_spoils_the_whole_print_is_told_in_its_own_unit_as_on_a_target() -> None:
    i = inspection(defects(spot("ghost"), spot("banding"), spot("scorch")))
    said = {r.measure: inspectwords.say(r, i) for r in i.verdict.reasons}
    assert "8 % of the print's strength lies 1.1 mm beside the first" in said["ghost"]
    assert "level lines, one every 1.4 mm, 1.20 L* (limit 0.25)" in said["banding"]
    assert "5.0 b* (limit 2.0)" in said["scorch"]
    assert i.verdict.action == "reprint"
    faint = inspection(defects(spot("ghost", strength=0.01), spot("banding", amplitude_l=0.2)))
    assert faint.verdict.action == "accept"


def test_findings_are_told_with_place_size_and_weight(pale: Inspection) -> None:
    text = inspectwords.say_finding(spot(), pale)
    for part in ("Pale spot", "upper right", "20 mm", "4.5 ΔE00", "plain to see"):
        assert part in text
    for kind in Kind:
        assert not UGLY.search(inspectwords.say_finding(spot(kind), pale)), kind
    assert "at the all over" not in inspectwords.say_finding(spot("ghost"), pale)


def test_light_and_print_that_cannot_be_told_apart_name_the_photo_that_settles_it(hidden: Inspection) -> None:
    why = inspectwords.why(hidden)
    assert "from one side to the other, a pale or dark middle or a faded edge" in why
    assert "cannot be told from the lamp" in why
    assert "blank white sheet" in why
    assert "--blank-frame" in why
    several = replace(hidden, defects=replace(hidden.defects, settle_by="turned a quarter and shifted"))
    assert "turned by a quarter" in inspectwords.why(several)
    assert inspectwords.headline(hidden).startswith(words.action_word("retake-photo"))
    assert "6.2" in why


def test_pale_piece_without_paper_says_why_it_is_not_pressed_again() -> None:
    i = inspection(defects(spot()), paper="off")
    assert i.verdict.action == "reprint"
    assert "paper is off" in inspectwords.why(i)


def test_little_that_could_be_judged_is_said() -> None:
    few = inspection(defects(judged_share=0.3))
    assert "Only 30 % of the piece" in inspectwords.why(few)
    # a nearly white picture cannot show paleness in any photo: asking for another one would help nobody
    none = inspection(defects(judged_share=0.02))
    assert none.verdict.action == "accept"
    assert any(r.measure == "judged-share" and r.outcome == "note" for r in none.verdict.reasons)
    assert "Only 2 %" in inspectwords.why(none)


# ---------------------------------------------------------------- JSON


def test_json_has_the_keys_of_the_contract_and_no_nan(pale: Inspection, hidden: Inspection, tmp_path: Path) -> None:
    for k, i in enumerate((pale, hidden)):
        data = inspection_to_dict(i)
        assert data["schema"] == "colorcheck-inspection/1"
        assert data["name"] == "number-27.png"
        assert data["size_mm"] == [120.0, 80.0]
        assert {"shape", "view", "paper", "judged_share", "expected_from", "colour", "before"} <= set(data)
        assert {"ratio", "glare_share", "anchors", "ambiguous", "settle_by"} <= set(data["lighting"])
        verdict = data["verdict"]
        assert {"action", "headline", "why", "undecided", "advice", "what_to_do", "cautions"} <= set(verdict)
        for r in verdict["reasons"]:
            assert {"measure", "value", "limit", "uncertainty", "outcome", "place", "says"} <= set(r)
            assert not NUMBERS_OF_A_MACHINE.search(r["says"])
        assert {"placed_by", "uncertainty_mm", "px_per_mm", "on_card"} <= set(data["photos"][0])
        path = tmp_path / f"{k}.json"
        write_json(path, data)  # refuses NaN
        assert "NaN" not in path.read_text(encoding="utf-8")
        assert json.loads(path.read_text(encoding="utf-8")) == data
    first = inspection_to_dict(pale)["findings"][0]
    assert (first["kind"], first["x_mm"], first["y_mm"]) == ("pale", 84.0, 26.0)
    assert {"diameter_mm", "area_mm2", "delta_e00", "delta_L", "confidence", "where"} <= set(first)


def test_json_serves_as_the_earlier_inspection(pale: Inspection, tmp_path: Path) -> None:
    path = tmp_path / "first.json"
    write_json(path, inspection_to_dict(pale))
    now = defects(spot(de=2.1), spot("pale", 20, 60, 10, 1.9))
    before = compare_before(load_earlier(path), now.findings, now.noise_de00)
    data = inspection_to_dict(inspection(now, before=before))
    assert data["before"]["worst_before"] == 4.5
    assert data["before"]["better"]
    assert data["before"]["new"]
    assert data["before"]["significant"] is True


# ---------------------------------------------------------------- terminal


@pytest.mark.parametrize("action", ACTIONS)
def test_answer_comes_first_on_the_terminal(pale: Inspection, action: str) -> None:
    text = printed(judged(pale, action, *pale.verdict.reasons))
    assert text.startswith(words.action_word(action).upper())
    assert "\x1b" not in text
    assert not NUMBERS_OF_A_MACHINE.search(text)
    assert max(len(line) for line in text.splitlines()) <= 80


def test_terminal_of_a_repress_has_condition_and_cautions(pale: Inspection) -> None:
    text = " ".join(printed(pale).split())
    assert words.CONDITION in text
    for line in words.cautions("re-press"):
        assert line in text


def test_terminal_of_a_retake_names_the_photo(hidden: Inspection) -> None:
    text = " ".join(printed(hidden).split())
    assert text.count("blank white sheet") >= 1
    assert "turned by a quarter" in text  # the other way
    assert "Burns" not in text


# ---------------------------------------------------------------- page


def test_page_is_whole_and_stands_alone(pale: Inspection, hidden: Inspection) -> None:
    for i in (pale, hidden):
        html = render_inspection(i)
        page = _page(html)
        for tag, attrs in page.tags:
            assert tag not in ("script", "link", "iframe", "object")
            for name in ("src", "href", "xlink:href", "action"):
                link = attrs.get(name)
                assert link is None or link.startswith(("data:image/", "#")), (tag, link)
            assert not any(n.startswith("on") for n in attrs)
        assert not re.search(r"url\((?!#)|@import", html)
        ids = [a["id"] for _, a in page.tags if "id" in a]
        assert len(ids) == len(set(ids))
        pictured = [a for t, a in page.tags if t == "svg"]
        assert len(pictured) == 3
        assert all(a.get("role") in ("img", "group") and a.get("aria-label") for a in pictured)
        assert not NUMBERS_OF_A_MACHINE.search(page.words)
        assert page.headings[0] == inspectwords.headline(i)


def test_findings_are_marked_at_their_millimetres_on_the_piece_without_its_margin(pale: Inspection) -> None:
    html = render_inspection(pale)
    drawn = {(float(a), float(b)) for a, b in re.findall(r'data-x-mm="([-\d.]+)" data-y-mm="([-\d.]+)"', html)}
    assert drawn == {(84.0, 26.0), (20.0, 60.0)}
    picture = re.search(r'aria-label="The photo laid flat.*?<image href="data:image/jpeg;base64,([^"]+)" (.*?)/>', html)
    assert picture
    assert 'x="0" y="0" width="120" height="80"' in picture.group(2)
    import base64

    import cv2

    pixels = cv2.imdecode(np.frombuffer(base64.b64decode(picture.group(1)), np.uint8), cv2.IMREAD_COLOR)
    assert pixels.shape[:2] == (240, 360)
    corner = pixels[2, 2].astype(int)  # BGR: green piece up to the corner, no grey card
    assert corner[1] > corner[0] + 40
    assert corner[1] > corner[2] + 40


def test_repress_page_has_condition_and_cautions(pale: Inspection) -> None:
    text = _page(render_inspection(pale)).words
    assert words.CONDITION in text
    for line in words.cautions("re-press"):
        assert line in text
    calm = _page(render_inspection(inspection(defects()))).words
    assert "Burns" not in calm
    assert words.CONDITION not in calm
    assert "No findings" in calm


def test_retake_page_names_the_settling_photo_in_answer_and_open_questions(hidden: Inspection) -> None:
    page = _page(render_inspection(hidden))
    first, last = page.words.index("blank white sheet"), page.words.rindex("blank white sheet")
    assert first < page.words.index("What to photograph next")
    assert last > page.words.index("What could not be decided")


def test_unfit_photo_marks_only_its_reflections() -> None:
    found = defects(spot(doubt="reflection"), spot("glare", 60, 40, 30, 0.0))
    found.glare[5:25, 10:40] = True
    i = inspection(found)
    assert i.verdict.action == "retake-photo"
    html = render_inspection(i)
    assert re.findall(r'data-x-mm="([\d.]+)"', html) == ["60"]
    text = _page(html).words
    assert "reflection" in text
    assert "does not count" in text
    assert words.photo_advice("glare") in text


def test_a_certain_pale_place_beside_a_reflection_is_pressed_again_and_marked() -> None:
    found = defects(spot(), spot("glare", 30, 60, 30, 0.0))
    found.glare[20:40, 5:25] = True
    i = inspection(found)
    assert i.verdict.action == "re-press"
    html = render_inspection(i)
    assert sorted(re.findall(r'data-x-mm="([\d.]+)"', html)) == ["30", "84"]
    text = _page(html).words
    assert words.CONDITION in text
    assert "does not count" not in text
    assert inspectwords.why(i).startswith("A pale spot")


def test_before_block_says_what_became_of_the_piece(pale: Inspection) -> None:
    before = Before("first.json", 4.5, 2.1, ("left",), ("upper right",), (), ("middle",), True)
    text = _page(render_inspection(replace(pale, before=before))).words
    assert "Since the earlier inspection" in text
    for part in ("Better: the palest place was 4.5", "now 2.1", "Gone: at the left.", "New:"):
        assert part in text
    doubtful = replace(before, significant=False)
    assert "No change beyond doubt" in _page(render_inspection(replace(pale, before=doubtful))).words
    worse = replace(before, worst_now=6.0)
    assert "Worse" in printed(replace(pale, before=worse))
    assert "Since the earlier" not in _page(render_inspection(pale)).words


@pytest.mark.parametrize("action", ACTIONS)
def test_every_action_and_every_reason_renders(pale: Inspection, action: str) -> None:
    i = judged(pale, action, *every_reason())
    assert not NUMBERS_OF_A_MACHINE.search(_page(render_inspection(i)).words)
    assert not NUMBERS_OF_A_MACHINE.search(printed(i))
    json.dumps(inspection_to_dict(i), allow_nan=False)


def test_colour_is_shown_where_it_is_known() -> None:
    cells = (ColourCell((200.0, 40.0, 40.0), 0.4, (50.0, 60.0, 40.0), (54.0, 50.0, 35.0), 5.2),)
    i = inspection(defects(colours=cells, mean_de00=5.2, p95_de00=5.2, uptake=0.9, source="reading"))
    assert i.verdict.action == "change-profile"
    data = inspection_to_dict(i)["colour"]
    assert data["mean_delta_e00"] == 5.2
    assert data["colours"][0]["due_lab"] == [50.0, 60.0, 40.0]
    page = _page(render_inspection(i))
    assert "Colour" in page.headings
    assert "5.2 ΔE00 on average" in page.words
    assert "Burns" not in page.words


def test_nothing_judged_leaves_dashes_not_words_of_the_machine() -> None:
    lost = defects(broad_de00=math.nan, noise_de00=math.nan, light_ratio=math.nan, judged_share=0.0)
    lost.residual[:] = np.nan
    lost.light[:] = np.nan
    i = inspection(lost, shot=photo(sharp_mm=math.nan, uncertainty_mm=math.nan))
    assert not NUMBERS_OF_A_MACHINE.search(_page(render_inspection(i)).words)
    json.dumps(inspection_to_dict(i), allow_nan=False)


def test_edge_of_a_round_piece_is_marked_along_its_rim() -> None:
    i = inspection(defects(spot("faded-edge", 60, 40, 8, 5.0, side="rim")), shape="round")
    html = render_inspection(i)
    assert '<ellipse class="ink dash" cx="60" cy="40" rx="52" ry="32"' in html


def test_hostile_names_are_escaped(pale: Inspection) -> None:
    shot = photo(name=BAD_NAME, device=BAD_NAME, colour_space=BAD_NAME, taken=BAD_NAME, notes=(BAD_NAME,))
    before = Before(BAD_NAME, 4.5, 2.1, (BAD_NAME,), (), (), (), True)
    html = render_inspection(replace(pale, artwork=BAD_NAME, photos=(shot,), before=before))
    page = _page(html)
    assert not any(t == "img" for t, _ in page.tags)
    assert "<img" not in html
    assert page.words.count("onerror=alert(1)") >= 6


def test_report_is_kept_unless_told_otherwise(pale: Inspection, tmp_path: Path) -> None:
    folder = tmp_path / "new" / "place"
    path = write_page(folder, "inspect.html.j2", inspection_context(pale))
    assert os.listdir(folder) == ["report.html"]
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(FileError, match="holds a report already"):
        write_page(folder, "inspect.html.j2", inspection_context(pale))
    assert path.read_text(encoding="utf-8") == "mine"
    write_page(folder, "inspect.html.j2", inspection_context(pale), overwrite=True)
    assert path.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")


def test_a_rim_sharper_than_heat_makes_it_asks_for_a_photo_as_long_as_it_may_be_light() -> None:
    """In one photo it asks for further ones; in several it is no light, and pale as any other place."""
    alone = inspection(defects(spot(doubt="rim", rim_mm=1.0)))
    assert alone.verdict.action == "retake-photo"
    assert "reflection" in inspectwords.why(alone)
    assert any("a hand's breadth" in line for line in inspectwords.next_photo_lines(alone))
    assert "sharper than heat" in inspectwords.say_finding(alone.defects.findings[0], alone)
    several = inspection(defects(spot(rim_mm=1.0)))
    assert several.verdict.action == "re-press"
    for text in (inspectwords.why(several), inspectwords.say_finding(several.defects.findings[0], several)):
        assert "reflection" not in text
    assert inspection(defects(spot(doubt="rim", rim_mm=1.0), spot(x=30.0))).verdict.action == "re-press"


@pytest.mark.parametrize("glare", [False, True])
@pytest.mark.parametrize(("doubt", "action"), [("reflection", "retake-photo"), ("", "re-press")])
def test_a_place_that_may_be_light_is_never_accepted(glare: bool, doubt: str, action: str) -> None:
    """Whether or not a reflection lies elsewhere in the photo; what is none of light is pressed again either way."""
    mirrored = np.zeros((round(SIZE[1] / STEP), round(SIZE[0] / STEP)), bool)
    mirrored[2:4, 2:4] = glare
    i = inspection(defects(spot(d=33.0, doubt=doubt), glare=mirrored))
    assert i.verdict.action == action
    assert ("pale" in i.verdict.undecided) is bool(doubt)
    assert inspection(defects(spot(d=33.0, doubt=doubt), glare=mirrored), paper="off").verdict.action != "accept"


@pytest.mark.parametrize(
    ("reach_mm", "photos", "action"), [(16, 1, "retake-photo"), (4, 1, "accept"), (16, 2, "accept")]
)
def test_a_place_hidden_in_the_only_photo_is_not_accepted(reach_mm: int, photos: int, action: str) -> None:
    """Where a spot has room it could be the fault itself that is taken for a reflection; two photos saw it move."""
    mirrored = np.zeros((round(SIZE[1] / STEP), round(SIZE[0] / STEP)), bool)
    n = round(reach_mm / STEP)
    mirrored[10 : 10 + n, 10 : 10 + n] = True
    found = defects(glare=mirrored)
    i = inspection(found, photos=(photo(),) * photos, verdict=verdict_on(found, photo(), "on", photos))
    assert i.verdict.action == action
    if action == "retake-photo":
        text = _page(render_inspection(i)).words
        assert "A reflection lies over" in text
        assert "a hand's breadth" in text
