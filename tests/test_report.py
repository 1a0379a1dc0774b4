"""Words, terminal and report: what a person reads must be true to the numbers, whole and safe."""

from __future__ import annotations

import io
import math
import os
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from colorcheck import read
from colorcheck.faults.catalogue import CATALOGUE
from colorcheck.ground import reader
from colorcheck.ground.errors import FileError
from colorcheck.ground.recipe import Recipe, parse_recipe
from colorcheck.ground.records import CellFlag, Finding, Kind, Reading, Reason, Step, Verdict
from colorcheck.sheet.draw import render
from colorcheck.sheet.target import make_target
from colorcheck.shop.heat import repress_plan
from colorcheck.show import pictures, words
from colorcheck.show import svg as svg_
from colorcheck.show.answers import reading_blocks
from colorcheck.show.page import reading_context, render_page, write_page
from colorcheck.show.screen import Progress, show
from tests import virtual as v

ACTIONS = ("accept", "re-press", "change-profile", "reprint", "retake-photo")
OUTCOMES = ("pass", "fail", "undecided", "note", "skipped")
UGLY = re.compile(r"\b(nan|None|inf|NaN|True|False)\b|\{|\}|  |\(\)| ,|\.\.")
PHOTO = (
    *("px-per-mm", "blur-mm", "pose-mm", "dark", "clipped-white", "clipped-cells", "glare", "hidden", "uneven-light"),
    *("tone-curve", "local-tone", "mirrored"),
)
STEPS = {
    "crisp-defects": Step.PRINT,
    **dict.fromkeys(("zone", "slope"), Step.EVEN),
    **dict.fromkeys(("black-density", "uptake"), Step.COMPLETE),
    **dict.fromkeys(("photo", *PHOTO), Step.PHOTO),
}
BAD_NAME = "<img src=x onerror=alert(1)>&\"'"


def render_report(reading: Reading) -> str:
    return render_page("report.html.j2", reading_context(reading))


def write_report(reading: Reading, folder: Path, *, overwrite: bool = False) -> Path:
    return write_page(folder, "report.html.j2", reading_context(reading), overwrite=overwrite)


def _photo(folder: Path, name: str, faults: v.Faults) -> Path:
    target = make_target(size_mm=(120.0, 120.0), patches="compact", seed=1)
    dpi = 200
    piece = v.press_sheet(render(target, dpi=dpi), dpi / 25.4, size_mm=target.size_mm, faults=faults, seed=1)
    shot = v.photograph(
        piece,
        scene=v.Scene(),
        camera=v.Camera(),
        pose=v.Pose.megapixels(1.5, rotation_deg=4, tilt_deg=6),
        seed=1,
    )
    return Path(v.save_photo(shot, str(folder / name)))


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Reading:
    return read([_photo(tmp_path_factory.mktemp("good"), "plaque.jpg", v.Faults())])


@pytest.fixture(scope="module")
def pale(tmp_path_factory: pytest.TempPathFactory) -> Reading:
    spot = v.Spot(80, 45, 22, v.pale_strength(6.0))
    return read([_photo(tmp_path_factory.mktemp("pale"), "pale.jpg", v.Faults(spots=(spot,)))])


def _as(reading: Reading, action: str, *reasons: Reason, **advice: Any) -> Reading:
    """The same reading with another verdict."""
    said = reasons or reading.verdict.reasons
    undecided = tuple(dict.fromkeys(r.measure for r in said if r.outcome == "undecided"))
    return replace(reading, verdict=Verdict(action=action, reasons=said, undecided=undecided, advice=advice))  # type: ignore[arg-type]


def _reason(measure: str, value: float, limit: float, u: float, outcome: str, place: str = "", **detail: Any) -> Reason:
    """A reason with the step at which its measure is judged; 'dark-spot' is the dark place on the piece."""
    if measure == "dark-spot":
        return Reason(Kind.DARK, value, limit, u, outcome, Step.EVEN, place, detail)
    kind = CATALOGUE[Kind(measure)].step if measure in set(Kind) else Step.COLOUR
    return Reason(measure, value, limit, u, outcome, STEPS.get(measure, kind), place, detail)


def _detail(measure: str) -> dict[str, Any]:
    return {
        "ghost": {"shift_mm": [0.6, -0.8]},
        "banding": {"period_mm": 1.4, "axis": "x"},
        "grey-tone": {"lighter": True},
        "missing-ink": {"inks": ["cyan"]},
        "dark-spot": {"diameter_mm": 14.0},
        "pale": {"diameter_mm": 20.0},
        "faded-edge": {"diameter_mm": 9.0},
    }.get(measure, {})


def _every_reason() -> list[Reason]:
    places = (
        "",
        "lower left",
        "along the left edge",
        "6 cm from the left, 5 cm from the bottom (lower left)",
    )
    out = []
    for k, measure in enumerate(words.MEASURES):
        for outcome in OUTCOMES:
            for value in (0.0, 3.456, math.nan):
                out.append(_reason(measure, value, 2.0, 0.25, outcome, places[k % 4], **_detail(measure)))
            out.append(_reason(measure, 1.0, math.nan, math.nan, outcome))
    return out


# ---------------------------------------------------------------- words


def test_every_measure_has_words_for_every_outcome(good: Reading) -> None:
    for r in _every_reason():
        for text in (
            words.say_reason(r, good),
            words.short_name(r),
            words.measured_text(r),
            words.limit_text(r),
            words.outcome_text(r, good.verdict),
        ):
            assert text
            assert not UGLY.search(text), (r.measure, r.outcome, text)
        sentence = words.say_reason(r, good)
        assert sentence[0].isupper() or sentence[0].isdigit() or sentence[0] == "–", sentence
        assert sentence.endswith("."), sentence


def test_measures_of_real_readings_have_their_own_sentence(good: Reading, pale: Reading) -> None:
    for reading in (good, pale):
        for r in reading.verdict.reasons:
            assert r.measure in words.MEASURES, f"{r.measure} needs words"


def test_unknown_measure_still_gets_a_sentence(good: Reading) -> None:
    text = words.say_reason(_reason("gloss", 1.5, 1.0, 0.1, "fail"), good)
    assert "1.5" in text
    assert "gloss" in text.lower()


def test_sentences_carry_value_and_limit(good: Reading) -> None:
    place = "6 cm from the left, 5 cm from the bottom (lower left)"
    r = _reason("pale", 4.47, 2.0, 0.04, "fail", place, diameter_mm=25.3)
    text = words.say_reason(r, good)
    for part in ("25 mm", "at the lower left", "6 cm from the left", "4.5", "2.0"):
        assert part in text
    assert "± 0.1" in text  # 0.08 rounded up, never to nought
    assert "glare" not in text


def test_black_is_given_as_a_range_because_reflections_only_lift_it(good: Reading) -> None:
    text = words.say_reason(_reason("black-density", 0.9, 1.15, 0.06, "fail"), good)
    assert "0.90 to 0.96" in text
    assert "at least 1.15" in text


def test_a_dark_photo_and_a_dark_spot_are_told_apart(good: Reading) -> None:
    photo = _reason("dark", 0.05, 0.08, 0.0, "fail")
    spot = _reason("dark-spot", 4.0, 3.0, 0.2, "fail", "middle", diameter_mm=20.0)
    assert "too dark" in words.say_reason(photo, good)
    assert "dark spot" in words.say_reason(spot, good)
    assert words.is_photo_measure(photo)
    assert not words.is_photo_measure(spot)


def test_slight_tints_are_named_by_their_hue(good: Reading) -> None:
    acc = good.accuracy
    assert acc is not None
    for shift, name in (((6, 0), "red"), ((0, 6), "yellow"), ((-6, 0), "green"), ((0, -6), "blue")):
        moved = replace(
            good, accuracy=replace(acc, even_lab=acc.reachable_lab + np.array([0, *shift]), grey_delta_ch=6.0)
        )
        assert words.grey_tint(moved) == name


@pytest.mark.parametrize("action", ACTIONS)
def test_headline_names_the_action(good: Reading, action: str) -> None:
    r = _as(
        good,
        action,
        _reason("photo", 1.0, 1.0, 0.0, "pass"),
        _reason("pale", 5, 2, 0.1, "fail", diameter_mm=9),
    )
    assert words.headline(r.verdict).startswith(words.action_word(action))
    assert not UGLY.search(words.headline(r.verdict))
    assert not UGLY.search(words.one_line_why(r))


def test_accept_with_open_questions_says_so(good: Reading) -> None:
    open_ = _as(good, "accept", _reason("pale", 2.1, 2.0, 0.3, "undecided", "middle", diameter_mm=9))
    assert "could not be decided" in words.headline(open_.verdict)
    assert "pale spot" in words.one_line_why(open_)


def test_colour_is_called_true_only_when_beyond_doubt(good: Reading) -> None:
    doubtful = _as(good, "accept", _reason("profile-mean", 1.9, 2.5, 1.4, "pass"))
    certain = _as(good, "accept", _reason("profile-mean", 0.9, 2.5, 0.3, "pass"))
    unjudged = _as(good, "accept", _reason("photo", 1.0, 1.0, 0.0, "pass"))
    assert "true in colour" not in words.headline(doubtful.verdict)
    assert "true in colour" in words.headline(certain.verdict)
    assert "not judged" in words.headline(unjudged.verdict)


def test_each_photo_fault_has_advice_with_its_place() -> None:
    general = words.photo_advice("no such measure")
    for m in PHOTO:
        assert words.photo_advice(m, "lower left") != general, m
    assert "at the lower left" in words.photo_advice("glare", "lower left")
    assert "card" in words.photo_advice("glare", "lower left")


def test_every_open_measure_has_a_way_to_settle_it(good: Reading) -> None:
    for r in good.verdict.reasons:
        assert not UGLY.search(words.undecided_advice(r.measure, good))
    assert "turned" in words.undecided_advice("pale", good)
    assert "instrument" in words.undecided_advice("profile-mean", good)


def test_repress_lines_always_start_with_the_condition(pale: Reading) -> None:
    plain = words.repress_lines(_as(pale, "re-press"))
    assert plain[0] == words.CONDITION
    assert "not moved" in plain[0]
    assert "still holds dye" in plain[0]
    assert any("One re-press only" in line for line in plain)
    assert any("makers" in line for line in plain)


def test_repress_lines_repeat_the_heat_models_seconds(pale: Reading) -> None:
    plan = repress_plan(parse_recipe("200C 180s heated back"), glass_mm=4.0, piece_c=100.0)
    text = " ".join(words.repress_lines(_as(pale, "re-press", repress=plan.to_dict())))
    assert plan.reheat_seconds is not None
    for seconds in (plan.total_seconds, plan.reheat_seconds, plan.hold_seconds, plan.reheat_high_seconds):
        assert f"{seconds:.0f} s" in text
    assert "200 °C (392 °F)" in text
    assert "longest time were not told" in text
    assert not UGLY.search(text)


def test_a_plan_that_cannot_be_gives_its_reason_and_no_steps(pale: Reading) -> None:
    plan = repress_plan(parse_recipe("165C 180s"), glass_mm=6.0, piece_c=20.0)
    shown = _as(pale, "reprint", repress=plan.to_dict())
    assert words.repress_lines(shown) == []
    assert "never get hot enough" in words.one_line_why(shown)
    assert "paper is off" not in words.one_line_why(shown)


def test_steps_of_a_re_press_come_in_the_order_of_the_hands(pale: Reading) -> None:
    text = " ".join(words.repress_lines(_as(pale, "re-press", repress=repress_plan(Recipe()).to_dict())))
    order = [
        "taped on",
        "from behind",
        "cover sheet",
        "Lay the piece back",
        "hold it",
        "gloves",
        "peel",
    ]
    assert [text.index(w) for w in order] == sorted(text.index(w) for w in order)
    assert "°C" not in text


def test_cautions_only_where_heat_is_involved() -> None:
    text = " ".join(words.cautions("re-press"))
    for part in (
        "Burns",
        "quench",
        "chipped",
        "Ventilate",
        "unattended",
        "children",
        "pets",
        "makers",
        "codes",
    ):
        assert part in text
    assert words.cautions("accept") == []
    assert words.cautions("change-profile") == []
    hot = " ".join(words.cautions("retake-photo"))  # a piece still warm from the press is moved for the next photo
    for part in ("gloves", "quench", "makers", "codes"):
        assert part in hot


def test_flags_in_words_cover_all_flags() -> None:
    for flag in CellFlag:
        if flag.value:
            assert len(words.flag_words(int(flag))) == 1, flag
    assert words.flag_words(0) == []


# ---------------------------------------------------------------- terminal


def _printed(reading: Reading, **how: Any) -> str:
    stream = io.StringIO()
    show(stream, reading_blocks(reading), **{"color": False, "width": 80, **how})
    return stream.getvalue()


@pytest.mark.parametrize("action", ACTIONS)
def test_answer_comes_first_and_without_escape_codes(pale: Reading, action: str) -> None:
    text = _printed(_as(pale, action))
    assert text.startswith(words.action_word(action).upper())
    assert "\x1b" not in text
    assert not re.search(r"\b(nan|None|inf)\b", text)
    assert max(len(line) for line in text.splitlines()) <= 80


def test_colour_changes_type_only(pale: Reading) -> None:
    loud, plain = _printed(pale, color=True), _printed(pale)
    assert "\x1b[1m" in loud
    assert re.sub(r"\x1b\[\d*m", "", loud) == plain


def test_terminal_shows_condition_and_place(pale: Reading) -> None:
    assert pale.verdict.action == "re-press"
    text = " ".join(_printed(pale).split())
    assert " ".join(words.CONDITION.split()) in text
    assert "Pale spot" in text
    assert "fails" in text


def test_terminal_survives_narrow_codecs(pale: Reading) -> None:
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding="ascii")
    show(stream, reading_blocks(pale), color=False, width=60)
    stream.flush()
    assert raw.getvalue().startswith(b"PRESS AGAIN")


class _Tty(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_progress_is_silent_when_quick_or_not_a_terminal() -> None:
    quick = _Tty()
    with Progress(quick, after_s=30.0) as say:
        say("reading a.jpg")
    assert quick.getvalue() == ""
    piped = io.StringIO()
    with Progress(piped, after_s=0.0) as say:
        say("reading a.jpg")
    assert piped.getvalue() == ""


def test_progress_appears_when_slow_and_wipes_itself() -> None:
    import time

    slow = _Tty()
    with Progress(slow, after_s=0.01) as say:
        say("reading a.jpg")
        end = time.monotonic() + 5
        while "a.jpg" not in slow.getvalue() and time.monotonic() < end:
            time.sleep(0.01)
        say("judging")
    assert "reading a.jpg" in slow.getvalue()
    assert "judging" in slow.getvalue()
    assert re.search(r"\x1b\[2K(\x1b\[\?25h)?$", slow.getvalue()), "the line is wiped and the cursor is back"


# ---------------------------------------------------------------- pictures


def test_diverging_table_is_even_and_monotone() -> None:
    from skimage.color import rgb2lab

    lab = rgb2lab(pictures.diverging_table()[None] / 255.0)[0]  # scikit-image as second opinion
    light = lab[:, 0]
    assert (np.diff(light[:128]) > -0.35).all()  # 8-bit rounding
    assert (np.diff(light[128:]) < 0.35).all()
    for half in (lab[:128], lab[128:]):
        step = np.linalg.norm(half[32:] - half[:-32], axis=1)  # over 32 entries: single ones are whole codes
        assert step.max() / step.min() < 1.2
    assert light[0] < 50
    assert light[128] > 90
    assert np.linalg.norm(lab[0] - lab[-1]) > 60


def test_light_table_is_even() -> None:
    from skimage.color import rgb2lab

    lab = rgb2lab(pictures.light_table()[None] / 255.0)[0]
    step = np.linalg.norm(lab[32:] - lab[:-32], axis=1)  # over 32 entries: single ones are whole 8-bit codes
    assert step.max() / step.min() < 1.2
    assert lab[0, 0] < 20
    assert lab[-1, 0] > 92


def test_lab_hex_of_known_colours() -> None:
    assert pictures.lab_hex(np.array([100.0, 0, 0])) == ("#ffffff", False)
    assert pictures.lab_hex(np.array([0.0, 0, 0])) == ("#000000", False)
    # mid grey of sRGB: code 119 has L* 50.03 (CIE formulae)
    assert pictures.lab_hex(np.array([50.03, 0, 0])) == ("#777777", False)
    # sRGB red under D50: 54.29, 80.80, 69.89 (from memory, as in ICC sRGB profiles)
    rgb, outside = pictures.lab_to_srgb8(np.array([54.29, 80.80, 69.89]))
    assert np.abs(rgb.astype(int) - [255, 0, 0]).max() <= 2
    assert not outside
    assert pictures.lab_hex(np.array([60.0, -100.0, 60.0]))[1]


def test_map_marks_unmeasured_and_outside() -> None:
    values = np.zeros((10, 12))
    values[2:4, 3:6] = np.nan
    inside = np.ones((10, 12), bool)
    inside[:, 11] = False
    pix = pictures.map_pixels(values, pictures.diverging_table(), -3, 3, inside=inside, zoom=4)
    assert pix.shape == (40, 48, 4)
    assert (pix[:, 44:, 3] == 0).all()
    hole = pix[8:16, 12:24, :3].reshape(-1, 3)
    assert len(np.unique(hole, axis=0)) == 2  # hatched
    assert (np.ptp(hole.astype(int), axis=1) == 0).all()


def _finding(kind: str, x: float, y: float, d: float = 10.0, **detail: Any) -> Finding:
    return Finding(Kind(kind), x, y, d, 78.5, 3.0, 2.0, 0.99, "at the middle", detail=detail)


def test_marks_lie_at_their_millimetres() -> None:
    found = (
        _finding("pale", 37.5, 61.25),
        _finding("ghost", 60, 60, 120),
        _finding("dark", 90, 20, 16),
        _finding("faded-edge", 6, 60, 12, side="left"),
    )
    svg = svg_.overlay_svg(found, (120.0, 120.0))
    marks = re.findall(r'data-x-mm="([\d.]+)" data-y-mm="([\d.]+)"', svg)
    assert [(float(a), float(b)) for a, b in marks] == [(37.5, 61.25), (90.0, 20.0), (6.0, 60.0)]
    rings = re.findall(r'<circle class="ink[^"]*" cx="([\d.]+)" cy="([\d.]+)" r="([\d.]+)"', svg)
    assert [(float(a), float(b)) for a, b, _ in rings] == [(37.5, 61.25), (90.0, 20.0)]
    assert all(float(r) >= 0.5 * f.diameter_mm for (_, _, r), f in zip(rings, (found[0], found[2]), strict=True))
    assert re.findall(r'<rect class="ink dash" x="([\d.]+)" y="([\d.]+)" width="([\d.]+)" height="([\d.]+)"', svg) == [
        ("0", "0", "12", "120")
    ]
    assert re.findall(r">(\d+)</text>", svg) == [
        "1",
        "3",
        "4",
    ]  # numbers of the list, the whole sheet has no mark


def test_faded_edge_of_a_round_piece_follows_its_rim() -> None:
    svg = svg_.overlay_svg([_finding("faded-edge", 60, 5, 10, side="top")], (120.0, 120.0), shape="round")
    path = re.search(r'<path class="ink dash" d="M([\d.]+) ([\d.]+)A60 60 .*?L([\d.]+) ([\d.]+)A50 50', svg)
    assert path
    x0, y0, x1, y1 = (float(k) for k in path.groups())
    assert math.hypot(x0 - 60, y0 - 60) == pytest.approx(60, abs=0.02)
    assert math.hypot(x1 - 60, y1 - 60) == pytest.approx(50, abs=0.02)
    assert y0 < 60
    assert y1 < 60


def test_picture_keeps_millimetres_when_a_map_ends_beside_the_rim() -> None:
    svg = svg_.piece_svg("data:,", (101.0, 75.0), name="a", about="a", image_mm=(102.0, 76.0))
    assert '<image href="data:," x="0" y="0" width="102" height="76"' in svg
    assert 'clip-path="url(#clip-a)"' in svg
    assert '<clipPath id="clip-a"><rect x="0" y="0" width="101" height="75"/>' in svg


def test_names_in_drawings_are_escaped() -> None:
    lab = np.array([[50.0, 0, 0]])
    for svg in (
        svg_.piece_svg("data:,", (10.0, 10.0), name="a", about=BAD_NAME),
        svg_.swatches_svg([BAD_NAME], lab, lab, [1.0], columns=1, about=BAD_NAME),
        svg_.bars_svg([(BAD_NAME, 1.0, "b1")], about=BAD_NAME),
    ):
        assert "<img" not in svg


_PLACED = st.tuples(
    st.sampled_from(["pale", "dark", "pinhole", "glare"]), st.floats(-5, 205), st.floats(-5, 125), st.floats(0.1, 90)
)


@settings(max_examples=40, deadline=None)
@given(st.lists(_PLACED, max_size=70), st.sampled_from([(200.0, 120.0), (200.0, 20.0), (60.0, 120.0)]))
def test_numbers_of_findings_never_meet_and_never_leave_the_picture(
    placed: list[Any], size: tuple[float, float]
) -> None:
    svg = svg_.overlay_svg([_finding(*p) for p in placed], size)
    shown = re.findall(r'class="badge" cx="([^"]+)" cy="([^"]+)" r="([^"]+)"/><text[^>]*>(\d+)<', svg)
    assert [int(k) for *_, k in shown] == list(range(1, len(placed) + 1))
    assert not placed or svg.rindex('class="ink') < svg.index('class="badge"'), "no outline covers a number"
    places = [tuple(map(float, p)) for *p, _ in shown]
    for i, (x, y, r) in enumerate(places):
        assert r <= 0.031 * max(size) + 0.01
        assert r - 0.01 <= x <= size[0] - r + 0.01
        assert r - 0.01 <= y <= size[1] - r + 0.01
        assert all(math.hypot(x - a, y - b) > 2 * r for a, b, _ in places[:i])


def test_a_number_stands_where_it_would_best_unless_another_does() -> None:
    places, r = svg_.free_places(
        [(50.0, 50.0), (50.0, 50.0), (20.0, 90.0), (-9.0, 300.0)], 3.0, (0.0, 0.0, 100.0, 100.0)
    )
    assert r == 3.0
    assert [places[k] for k in (0, 2, 3)] == [(50.0, 50.0), (20.0, 90.0), (3.0, 97.0)]
    assert 6.0 < math.dist(places[1], (50.0, 50.0)) < 9.0, "as near as there is room"
    places, r = svg_.free_places([(5.0, 5.0)] * 30, 3.0, (0.0, 0.0, 20.0, 20.0))
    assert 0.5 < r < 3.0, "smaller where there is no room for so many"


def test_axes_of_a_piece_are_in_the_units_of_its_reader() -> None:
    def numbers(text: str) -> list[str]:
        return re.findall(r'<text class="axis[^"]*"[^>]*>([^<]+)<', text)

    with reader.for_page():
        kept = svg_.piece_svg("data:,", (203.2, 101.6), name="photo", about="a piece")
    assert numbers(reader.shown(kept)) == ["0", "50", "100", "150", "200", "0", "50", "100", "mm"]
    assert numbers(reader.shown(kept, reader.Reader("in"))) == ["0", "2", "4", "6", "8", "0", "2", "4", "in"]
    at = re.findall(r'<line class="tick" x1="([^"]+)"', reader.shown(kept, reader.Reader("in")))
    assert [float(x) for x in at[:5]] == pytest.approx([0, 50.8, 101.6, 152.4, 203.2])
    assert numbers(svg_.piece_svg("data:,", (203.2, 101.6), name="photo", about="a piece"))[-1] == "mm"
    plot = svg_.Plot((0.0, 60.0), (0.0, 2.0))
    with reader.for_page():
        kept = plot.svg("edges", "time, s", "width, mm", y_inches="width, in")
    assert "width, mm" in reader.shown(kept)
    assert "width, in" not in reader.shown(kept)
    assert {"width, in", "0.02", "0.06"} <= set(numbers(reader.shown(kept, reader.Reader("in"))))


# ---------------------------------------------------------------- report


class _Page(HTMLParser):
    """Collects what the tests ask about, and checks that tags close in order."""

    VOID = frozenset({"meta", "img", "br", "hr", "link", "input"})

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.stack: list[str] = []
        self.text: list[str] = []
        self.headings: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.stack.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.stack, tag
        assert self.stack.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.stack and self.stack[-1] not in ("style", "script"):
            self.text.append(data)
            if self.stack[-1] in ("h1", "h2", "h3"):
                self.headings.append(data)

    @property
    def words(self) -> str:
        return " ".join(" ".join(self.text).split())


def _page(html: str) -> _Page:
    page = _Page()
    page.feed(html)
    page.close()
    assert not page.stack
    return page


@pytest.mark.parametrize("which", ["good", "pale"])
def test_page_is_whole_and_stands_alone(which: str, request: pytest.FixtureRequest) -> None:
    html = render_report(request.getfixturevalue(which))
    page = _page(html)
    assert len(html.encode()) < 1_500_000
    for tag, attrs in page.tags:
        assert tag not in ("script", "link", "iframe", "object")
        for name in ("src", "href", "xlink:href", "action"):
            link = attrs.get(name)
            assert link is None or link.startswith(("data:image/", "#")), (tag, link)
        assert not any(n.startswith("on") for n in attrs)
    assert "@import" not in html
    assert not re.search(r"url\((?!#)", html)
    ids = [a["id"] for _, a in page.tags if "id" in a]
    assert len(ids) == len(set(ids))
    used = re.findall(r"url\(#([^)]+)\)", html)
    assert set(used) <= set(ids)
    assert not re.search(r"\b(nan|None|inf)\b", page.words)
    assert [t for t, _ in page.tags].count("h1") == 1


def test_every_picture_has_a_text(pale: Reading) -> None:
    page = _page(render_report(pale))
    pictured = [a for t, a in page.tags if t == "svg"]
    assert len(pictured) >= 6
    for a in pictured:
        assert a.get("role") in ("img", "group")  # a group holds links to the findings
        assert a.get("aria-label")
    assert all(a.get("alt") for t, a in page.tags if t == "img")
    assert all(a.get("scope") for t, a in page.tags if t == "th")


def test_answer_is_the_first_heading(pale: Reading) -> None:
    page = _page(render_report(pale))
    assert page.headings[0] == words.headline(pale.verdict)
    assert page.words.index(words.one_line_why(pale)) < page.words.index("How to press it again")
    order = [
        "How to press it again",
        "Take care",
        "Evenness and light",
        "How the answer was reached",
        "Colour",
        "The photo",
        "What could not be decided",
    ]
    places = [page.headings.index(h) for h in order]
    assert places == sorted(places)


def test_repress_page_has_condition_and_cautions_and_accept_has_not(pale: Reading, good: Reading) -> None:
    assert pale.verdict.action == "re-press"
    text = _page(render_report(pale)).words
    assert words.CONDITION in text
    for line in words.cautions("re-press"):
        assert line in text
    calm = _page(render_report(_as(good, "accept"))).words
    assert words.CONDITION not in calm
    assert "Take care" not in calm
    assert "Burns" not in calm


def test_findings_are_drawn_at_their_millimetres(pale: Reading) -> None:
    html = render_report(pale)
    drawn = {(float(a), float(b)) for a, b in re.findall(r'data-x-mm="([-\d.]+)" data-y-mm="([-\d.]+)"', html)}
    spots = [f for f in pale.findings if f.kind == "pale"]
    assert spots
    for f in spots:
        assert (round(f.x_mm, 2), round(f.y_mm, 2)) in drawn
    # and the spot that was pressed is where it was put: 80, 45 mm
    best = min(spots, key=lambda f: math.hypot(f.x_mm - 80, f.y_mm - 45))
    assert math.hypot(best.x_mm - 80, best.y_mm - 45) < 4
    assert 'viewBox="-11.4 -2.4' in html  # 120 mm piece: one unit of the drawing is one millimetre


def test_unfit_photo_shows_no_findings_of_the_piece(pale: Reading) -> None:
    faulty = _as(
        pale,
        "retake-photo",
        _reason("glare", 0.14, 0.02, 0.0, "fail", "lower left"),
        *[r for r in pale.verdict.reasons if r.measure == "pale"],
    )
    html = render_report(faulty)
    text = _page(html).words
    assert "data-x-mm" not in html
    assert words.photo_advice("glare", "lower left") in text
    assert "does not count" in text


@pytest.mark.parametrize("action", ACTIONS)
def test_every_action_and_every_reason_renders(good: Reading, action: str) -> None:
    page = _page(render_report(_as(good, action, *_every_reason())))
    assert not re.search(r"\b(nan|None|inf)\b", page.words)


def test_page_without_colour_or_with_raw_print(good: Reading) -> None:
    bare = _page(render_report(replace(good, accuracy=None)))
    assert "Colour" not in bare.headings
    raw = _page(render_report(replace(good, printed="raw"))).words
    assert "reported and not judged" in raw


def test_hostile_names_are_escaped(good: Reading) -> None:
    photo = replace(
        good.photos[0],
        image_name=BAD_NAME,
        device=BAD_NAME,
        colour_space=BAD_NAME,
        taken=BAD_NAME,
        notes=(BAD_NAME,),
    )
    acc = good.accuracy
    assert acc is not None
    named = replace(
        good,
        target=replace(good.target, name=BAD_NAME),
        photos=(photo,),
        accuracy=replace(acc, against=BAD_NAME),
    )
    html = render_report(named)
    page = _page(html)
    assert "<img" not in html
    assert not any(t == "img" for t, _ in page.tags)
    assert page.words.count("onerror=alert(1)") >= 5


def test_round_pieces_are_cut_to_a_circle(good: Reading) -> None:
    html = render_report(replace(good, target=replace(good.target, shape="round")))
    assert html.count("<clipPath") == 3
    assert html.count('<ellipse cx="60" cy="60" rx="60" ry="60"') >= 3


def test_report_is_written_into_a_new_folder_and_kept(good: Reading, tmp_path: Path) -> None:
    folder = tmp_path / "a" / "b"
    path = write_report(good, folder)
    assert path == folder / "report.html"
    assert os.listdir(folder) == ["report.html"]
    first = path.read_bytes()
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(FileError, match="holds a report already") as e:
        write_report(good, folder)
    assert "\n" not in e.value.message
    assert path.read_text(encoding="utf-8") == "mine"
    write_report(good, folder, overwrite=True)
    assert path.read_bytes() == first


def test_a_failed_write_leaves_nothing_and_loses_nothing(
    good: Reading, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "report.html"
    path.write_text("old", encoding="utf-8")

    def broken(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("colorcheck.ground.files.os.replace", broken)
    with pytest.raises(FileError, match="No space left"):
        write_report(good, tmp_path, overwrite=True)
    assert os.listdir(tmp_path) == ["report.html"]
    assert path.read_text(encoding="utf-8") == "old"


def test_a_file_in_place_of_the_folder_is_named(good: Reading, tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("x", encoding="utf-8")
    with pytest.raises(FileError, match="is a file, or lies in one"):
        write_report(good, tmp_path / "taken")
    with pytest.raises(FileError, match="is a file, or lies in one"):
        write_report(good, tmp_path / "taken" / "deeper")


def test_unreadable_places_leave_dashes_not_words_of_the_machine(good: Reading) -> None:
    acc = good.accuracy
    assert acc is not None
    lost = replace(
        good,
        evenness=replace(
            good.evenness,
            zones=np.full((3, 3), np.nan),
            zone_max=math.nan,
            range_l=math.nan,
            de_map=np.full_like(good.evenness.de_map, np.nan),
        ),
        accuracy=replace(
            acc,
            total=np.full_like(acc.total, np.nan),
            mean_total=math.nan,
            mean_press=math.nan,
            grey_delta_l=math.nan,
        ),
    )
    assert not re.search(r"\b(nan|None|inf)\b", _page(render_report(lost)).words)
