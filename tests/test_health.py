"""Many pieces laid over one another: the right source is named, none is made up, and fading is told from noise."""

from __future__ import annotations

import csv
import json
import math
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from colorcheck.__main__ import main
from colorcheck.ground.cielab import delta_e00
from colorcheck.ground.errors import DataError, UsageError
from colorcheck.ground.geometry import place_in_photo
from colorcheck.ground.records import Pose
from colorcheck.shop import presshealth, presslog
from colorcheck.shop import presslog_records as records
from colorcheck.shop.presshealth import FRAMES, Piece, Placing, Spot, in_frame, judge_fading, judge_health
from colorcheck.show import answers
from colorcheck.show.page import health_context, write_page
from colorcheck.show.say import say

SIZE = (200.0, 150.0)


def pieces(
    seed: int,
    count: int,
    source: str | None,
    *,
    hit: float = 0.85,
    clutter: float = 0.7,
    turns: bool = True,
    shape: str = "rect",
    size: tuple[float, float] = SIZE,
    place: tuple[float, float] = (60.0, -38.0),
    kind: str = "pale",
) -> list[Piece]:
    """Pieces that lay this way and that; a fault sits at one place of the frame ``source``, the rest lies anywhere."""
    rng = np.random.default_rng(seed)
    out = []
    for k in range(count):

        def turn() -> float:
            if shape == "round":
                return float(rng.uniform(0, 360))
            return float(rng.choice([0, 180] if size[0] != size[1] else [0, 90, 180, 270])) if turns else 0.0

        lay = Placing((float(rng.uniform(-25, 25)), float(rng.uniform(-25, 25))) if turns else (0.0, 0.0), turn())
        lay = replace(lay, blank_turn=turn(), sheet_turn=turn())
        if source == "photo":  # how the piece lay before the camera is known from its photo
            lay = replace(lay, photo_turn=turn(), photo_mm=(float(rng.uniform(-25, 25)), float(rng.uniform(-25, 25))))
        bare = Piece(f"piece-{k}", size, shape, "accept", (), lay)
        spots = []
        if source and rng.random() < hit:
            w, h = size
            base = in_frame(np.array([[0.0, 0.0], [w, 0.0], [0.0, h]]), bare, source)
            to_frame = np.column_stack([(base[1] - base[0]) / w, (base[2] - base[0]) / h])
            x, y = np.linalg.solve(to_frame, np.array(place) + rng.normal(0, 2.5, 2) - base[0])
            if 0 < x < w and 0 < y < h:
                spots.append(Spot(kind, float(x), float(y), 20.0, 4.0))
        for _ in range(rng.poisson(clutter)):
            if shape == "round":
                r, a = size[0] / 2 * math.sqrt(rng.random()) * 0.95, rng.uniform(0, 2 * math.pi)
                spots.append(Spot(kind, size[0] / 2 + r * math.cos(a), size[1] / 2 + r * math.sin(a), 15.0, 3.0))
            else:
                spots.append(
                    Spot(kind, float(rng.uniform(5, size[0] - 5)), float(rng.uniform(5, size[1] - 5)), 15.0, 3.0)
                )
        out.append(replace(bare, spots=tuple(spots), action="re-press" if spots else "accept"))
    return out


def photographed(seed: int, how: str) -> list[Piece]:
    """Pieces on which a lamp fixed before the camera left a pale place; ``how`` they were laid down and noted."""
    rng = np.random.default_rng([seed, 77])
    out = []
    for p in pieces(seed, 12, None, clutter=0.4):
        upright = how != "turned" or rng.random() < 0.5
        lay = replace(
            p.placing,
            photo_turn=(0.0 if upright else 180.0) + float(rng.normal(0, 3)),
            photo_mm=(float(rng.normal(0, 6)), float(rng.normal(0, 6))),
        )
        if how == "as printed":  # the usual workshop: sheet and blank always the same way round, nothing noted
            lay = replace(lay, sheet_turn=0.0, blank_turn=0.0)
        seen = replace(p, placing=lay)
        w, h = p.size_mm
        base = in_frame(np.array([[0.0, 0.0], [w, 0.0], [0.0, h]]), seen, "photo")
        to_frame = np.column_stack([(base[1] - base[0]) / w, (base[2] - base[0]) / h])
        x, y = np.linalg.solve(to_frame, np.array([45.0, -30.0]) + rng.normal(0, 2.5, 2) - base[0])
        lamp = (Spot("pale", float(x), float(y), 20.0, 4.0),) if rng.random() < 0.9 else ()
        if how in ("not noted", "as printed"):
            lay = replace(lay, photo_turn=None, photo_mm=None)
        out.append(replace(p, placing=lay, spots=(*p.spots, *lamp)))
    return out


# ---------------------------------------------------------------- frames


def test_frames_agree_with_the_press_log() -> None:
    """The log and this module were written apart; a place on a piece must come out alike."""
    rng = np.random.default_rng(1)
    for _ in range(40):
        x, y = rng.uniform(0, SIZE[0]), rng.uniform(0, SIZE[1])
        turn, sheet, blank = (float(t) for t in rng.choice([0, 90, 180, 270, 33.0], 3))
        up = bool(rng.random() < 0.5)
        lay = records.Lay(12.0, -7.0, turn, "up" if up else "down", sheet, blank)
        piece = Piece("p", SIZE, "rect", "accept", (), Placing((12.0, -7.0), turn, up, blank, sheet))
        mine = in_frame(np.array([[x, y]]), piece, "platen")[0]
        np.testing.assert_allclose(mine, records.to_platen(x, y, SIZE, lay, face_up=up), atol=1e-9)
        row = records.FindingRow(
            *("", datetime.now(UTC), "", "", "", "pale", x, y, 9.0, 3.0, 0.9, *SIZE, None, None, turn, sheet, blank)
        )
        for frame in ("sheet", "blank"):
            np.testing.assert_allclose(in_frame(np.array([[x, y]]), piece, frame)[0], row.at(frame), atol=1e-9)


def test_turned_blank_by_hand() -> None:
    """A spot right of the middle, on a blank turned a quarter clockwise, sat above the middle of the blank."""
    piece = Piece("p", SIZE, "rect", "accept", (), Placing(blank_turn=90.0))
    np.testing.assert_allclose(in_frame(np.array([[150.0, 75.0]]), piece, "blank"), [[0.0, -50.0]], atol=1e-9)
    down = Piece("p", SIZE, "rect", "accept", (), Placing((0.0, 0.0), 0.0, viewed_up=False))
    np.testing.assert_allclose(in_frame(np.array([[150.0, 75.0]]), down, "platen"), [[-50.0, 0.0]], atol=1e-9)


# ---------------------------------------------------------------- the tests themselves


@pytest.mark.parametrize("how", ["turned", "upright", "not noted", "as printed"])
def test_a_lamp_in_the_photo_is_not_the_press_the_blank_or_the_printer(how: str) -> None:
    """Asked: named so in at most 2 of 100; 8 runs here, of 100 of each kind one in all four hundred was."""
    answers = [judge_health(photographed(seed, how), shuffles=99).families[0].source for seed in range(8)]
    assert sum(a in ("platen", "blank", "sheet") for a in answers) == 0
    if how == "turned":
        assert answers.count("photo") >= 7


def test_where_a_piece_lay_in_its_photo() -> None:
    """A piece a quarter turned clockwise, its middle 50 px right of the photo's, at 5 px for each mm."""
    turn = np.array([[0.0, -5.0, 0.0], [5.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    move = np.array([[1.0, 0.0, 1050.0 + 5 * 75.0], [0.0, 1.0, 800.0 - 5 * 100.0], [0.0, 0.0, 1.0]])
    pose = Pose(move @ turn, (0.0, 0.0), (1000.0, 800.0), 1000.0, False, 0.0, 5.0, 4, 0)
    seen = place_in_photo(pose, SIZE)
    assert seen == pytest.approx({"turn_deg": 90.0, "x_mm": 10.0, "y_mm": 0.0})
    flipped = place_in_photo(replace(pose, mirrored=True), SIZE)
    assert flipped == pytest.approx({"turn_deg": 90.0, "x_mm": -10.0, "y_mm": 0.0})


@pytest.mark.scenes
def test_p_values_are_uniform_when_nothing_comes_back() -> None:
    """Randomisation p-values under the null: uniform (Kolmogorov–Smirnov), and no source is named."""
    from scipy.stats import kstest

    p: dict[str, list[float]] = {f: [] for f in FRAMES}
    named = 0
    for seed in range(60):
        health = judge_health(pieces(seed, 7, None, clutter=1.6, shape="round", size=(150.0, 150.0)), shuffles=99)
        for family in health.families:
            named += family.source in FRAMES
            if family.source != "few":
                for t in family.tests:
                    p[t.frame].append(t.p)
    for values in p.values():
        assert len(values) > 50
        assert kstest(values, "uniform").pvalue > 0.01
    assert named <= 1


@pytest.mark.scenes
@pytest.mark.parametrize("source", FRAMES)
@pytest.mark.parametrize("shape", ["rect", "round"])
def test_the_right_source_is_named(source: str, shape: str) -> None:
    size = SIZE if shape == "rect" else (180.0, 180.0)
    answers = []
    for seed in range(5):
        health = judge_health(pieces(seed + 10, 12, source, shape=shape, size=size), shuffles=199)
        (family,) = health.families
        answers.append(family.source)
        if family.source == source:
            spot = family.spots[0]
            assert math.hypot(spot.x_mm - 60, spot.y_mm + 38) < 6
            assert len(spot.pieces) >= 4
            assert spot.could >= len(spot.pieces)
    assert set(answers) <= {source, "unclear", "random"}  # never another source
    assert answers.count(source) >= 3


def test_pieces_that_always_lie_alike_cannot_tell() -> None:
    health = judge_health(pieces(3, 12, "platen", turns=False), shuffles=199)
    (family,) = health.families
    assert family.source == "unclear"
    assert set(family.rivals) == set(FRAMES)
    assert family.spots  # where it comes back is told all the same
    assert "may be" in answers.health_headline(health)
    assert any("turn every second blank" in line for line in answers.health_todo(health))


def test_what_was_not_written_down_is_not_named() -> None:
    bare = [replace(p, placing=replace(p.placing, sheet_turn=None)) for p in pieces(3, 14, "sheet", clutter=0.2)]
    health = judge_health([replace(p, placing=replace(p.placing, sheet_turn=None)) for p in bare], shuffles=199)
    assert all(f.source != "sheet" for f in health.families)


def test_an_unknown_lay_is_not_called_chance() -> None:
    """A fault of the press on pieces that were turned, with nothing written down, looks like chance; it may be none."""
    turned = pieces(5, 14, "platen", clutter=0.2)
    told = judge_health(turned, shuffles=199)
    assert told.families[0].source == "platen"
    health = judge_health([replace(p, placing=Placing()) for p in turned], shuffles=199)
    assert [f.source for f in health.families] == ["unknown"]
    assert "not written down" in answers.health_headline(health)
    assert any("--lay" in line for line in answers.health_todo(health))


def test_few_pieces_claim_nothing() -> None:
    health = judge_health(pieces(1, 4, "platen", hit=1.0), shuffles=99)
    assert [f.source for f in health.families] == ["few"]
    assert "Too few" in answers.health_headline(health)
    clean = judge_health([replace(p, spots=()) for p in pieces(1, 6, None)])
    assert clean.families == ()
    assert answers.health_headline(clean) == "Nothing was found on 6 pieces"


def test_dust_does_not_hide_or_make_a_press_fault() -> None:
    soft = pieces(21, 12, "platen", clutter=0.2)
    dust = pieces(22, 12, None, clutter=2.0, kind="speck")
    both = [replace(a, spots=a.spots + b.spots) for a, b in zip(soft, dust, strict=True)]
    by = {f.family: f.source for f in judge_health(both, shuffles=199).families}
    assert by == {"soft": "platen", "crisp": "random"}


def test_unfit_photos_do_not_count() -> None:
    many = pieces(21, 12, "platen")
    spoiled = [replace(p, action="retake-photo") for p in many]
    with pytest.raises(DataError, match="none of these pieces"):
        judge_health(spoiled)
    assert len(judge_health([*many[:6], *spoiled[6:]], shuffles=19).pieces) == 6


def test_gain_is_nought_for_single_findings_and_grows_with_gathering() -> None:
    area = np.full(4, 30_000.0)
    owner = np.arange(4)
    apart = np.array([[0.0, 0.0], [90.0, 0.0], [0.0, 70.0], [90.0, 70.0]])
    assert presshealth.gain(apart, owner, area) < 0
    together = apart * 0.03
    assert presshealth.gain(together, owner, area) > 10
    assert presshealth.gain(together, np.zeros(4, int), area) < 0  # one piece alone shows no return


# ---------------------------------------------------------------- fading

RGB = np.array([[r, g, b] for r in (0, 128, 255) for g in (0, 128, 255) for b in (0, 128, 255)], float)
RGB = np.vstack([RGB, [[v, v, v] for v in (40, 90, 140, 200)]])


def lab_of(rgb: Any) -> Any:
    from colorcheck.ground.cielab import srgb_to_linear
    from colorcheck.ground.relative import relative_lab

    return np.asarray(relative_lab(srgb_to_linear(rgb / 255.0)))


def test_colour_groups_by_hand() -> None:
    rgb = [[255, 0, 0], [255, 255, 0], [0, 255, 0], [0, 255, 255], [0, 0, 255], [255, 0, 255], [90, 90, 90], [255] * 3]
    names = ["reds", "yellows", "greens", "cyans", "blues", "magentas", "greys", ""]
    assert presshealth.colour_group(np.array(rgb)) == names


def test_unchanged_piece_shows_no_fading_and_a_faded_dye_is_ranked_first() -> None:
    first = lab_of(RGB)
    u = np.full(len(RGB), 0.5)
    usable = np.ones(len(RGB), bool)
    rng = np.random.default_rng(0)
    seen = []
    for _ in range(30):
        a, b = (first + 0.3 * rng.standard_normal(first.shape) for _ in range(2))
        fade = judge_fading(RGB, a, b, u, u, usable, setup=0.3)
        seen.append(fade.mean.delta_e00 < 2 * fade.mean.std)
        assert fade.apart <= 1
    assert np.mean(seen) > 0.9
    later = first.copy()
    magenta = np.array([g == "magentas" for g in presshealth.colour_group(RGB)])
    later[magenta, 0] += 6
    later[magenta, 1:] *= 0.85
    fade = judge_fading(RGB, first, later, u, u, usable, setup=0.3, name="May")
    assert fade.groups[0].name == "magentas"
    assert fade.apart == 1
    expected = math.sqrt(float(np.mean(np.asarray(delta_e00(first, later))[magenta] ** 2)) - 0.5)
    assert fade.groups[0].delta_e00 == pytest.approx(expected, rel=1e-6)
    assert "magentas" in answers.fading_headline([fade])
    assert "years" in say("fading_why", "same")
    with pytest.raises(DataError, match="too few"):
        judge_fading(RGB, first, later, u, u, ~usable)


# ---------------------------------------------------------------- files and command line


def inspection(p: Piece) -> dict[str, Any]:
    return {
        "schema": "colorcheck-inspection/1",
        "name": p.name,
        "size_mm": list(p.size_mm),
        "shape": p.shape,
        "view": "front",
        "findings": [
            {
                "kind": x.kind,
                "x_mm": x.x_mm,
                "y_mm": x.y_mm,
                "diameter_mm": x.diameter_mm,
                "delta_e00": x.delta_e00,
                "confidence": 0.9,
            }
            for x in p.spots
        ],
        "verdict": {"action": p.action, "headline": ""},
        "photos": [{"file": "x.jpg", "taken": "2026-05-01"}],
    }


def stored(folder: Path, many: list[Piece], delimiter: str = ",") -> tuple[list[str], str]:
    files = []
    with open(folder / "lay.csv", "w", encoding="utf-8-sig", newline="") as f:
        w = csv.writer(f, delimiter=delimiter)
        w.writerow(
            ["File", "platen_x_mm", "platen_y_mm", "platen_turn_deg", "face", "blank_turn_deg", "sheet_turn_deg"]
        )
        for p in many:
            files.append(str(folder / f"{p.name}.json"))
            Path(files[-1]).write_text(json.dumps(inspection(p)), encoding="utf-8")
            q = p.placing
            assert q.platen_mm is not None
            x, y = (f"{v:.1f}".replace(".", "," if delimiter == ";" else ".") for v in q.platen_mm)
            w.writerow([f"{p.name}.json", x, y, q.platen_turn, "up", q.blank_turn, q.sheet_turn])
    return files, str(folder / "lay.csv")


@pytest.mark.parametrize("delimiter", [",", ";"])
def test_command_names_the_press_and_writes_all_files(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], delimiter: str
) -> None:
    files, lay = stored(tmp_path, pieces(4, 10, "platen"), delimiter)
    out = tmp_path / "out.json"
    words = ["--placed", lay, "--json", str(out), "--csv", str(tmp_path / "o.csv"), "--report", str(tmp_path / "r")]
    assert main(["health", *files, *words]) == 0
    screen = capsys.readouterr().out
    d = json.loads(out.read_text(encoding="utf-8"))
    assert d["source"] == "platen"
    assert screen.startswith(d["headline"])
    assert d["headline"].startswith("It is the press")
    spot = d["families"][0]["spots"][0]
    assert math.hypot(spot["x_mm"] - 60, spot["y_mm"] + 38) < 6
    assert "right of the middle" in spot["where"]
    assert "towards the back" in spot["where"]
    assert any("cold" in line for line in d["cautions"])
    rows = list(csv.DictReader((tmp_path / "o.csv").read_text(encoding="utf-8").splitlines()))
    assert sum(r["common_spot"] == "1" for r in rows) >= len(spot["pieces"])
    page = (tmp_path / "r" / "report.html").read_text(encoding="utf-8")
    assert not re.search(r"\b(nan|None|inf)\b", re.sub(r"<style>.*?</style>", "", page, flags=re.S))
    assert not re.search(r'(src|href)="http', page)


def test_one_photo_under_two_names_counts_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Told by the photo's content and the piece's place in it; several pieces in one photo are several."""
    first = inspection(pieces(1, 1, None)[0])
    shot = {"file": "a.jpg", "sha256": "ab" * 32, "piece_in_photo": {"turn_deg": 0.0, "x_mm": 0.0, "y_mm": 0.0}}
    other = {**shot, "file": "b.jpg", "piece_in_photo": {"turn_deg": 0.0, "x_mm": 210.0, "y_mm": 0.0}}
    files = []
    for name, photo in (("one", shot), ("same", {**shot, "file": "copy.jpg"}), ("beside", other)):
        files.append(tmp_path / f"{name}.json")
        files[-1].write_text(json.dumps({**first, "note": name, "photos": [photo]}), encoding="utf-8")
    assert main(["health", str(files[0]), str(files[1])]) == 2
    assert "same piece in the same photo" in capsys.readouterr().err
    assert main(["health", str(files[0]), str(files[2])]) == 0


def test_names_from_files_cannot_break_the_page(tmp_path: Path) -> None:
    many = [replace(p, name=f"<i>{p.name}") for p in pieces(4, 8, "platen")]
    health = judge_health(many, shuffles=19)
    page = write_page(tmp_path, "health.html.j2", health_context(health)).read_text(encoding="utf-8")
    assert "<i>piece" not in page
    assert "&lt;i&gt;piece" in page


def test_pieces_trends_and_yield_come_from_the_log(tmp_path: Path) -> None:
    place = str(tmp_path / "log.sqlite")
    begin = datetime(2026, 5, 1, tzinfo=UTC)
    with presslog.open_log(place) as log:
        for k, p in enumerate(pieces(4, 10, "blank", clutter=0.3)):
            q = p.placing
            lay = records.Lay(*(q.platen_mm or (0, 0)), q.platen_turn, "up", q.sheet_turn, q.blank_turn)
            at = begin + timedelta(days=k)
            log.record(records.NewEntry("inspect", inspection(p), piece=p.name, lay=lay, created=at))
        for k in range(8):
            data = {
                "schema": "colorcheck-reading/1",
                "name": "t",
                "press": {"evenness": 1.0 + 0.1 * (k % 3), "black_density": 1.9, "findings": []},
                "colour": {"mean_delta_e00": 2.0},
                "target": {"size_mm": list(SIZE), "shape": "rect"},
                "verdict": {"action": "accept", "headline": ""},
            }
            at = begin + timedelta(days=20 + k)
            log.record(records.NewEntry("read", data, piece=f"t{k}", created=at))
    out = tmp_path / "o.json"
    assert main(["health", "--log", place, "--json", str(out), "--report", str(tmp_path / "r"), "--quiet"]) == 0
    d = json.loads(out.read_text(encoding="utf-8"))
    assert d["pieces"] == 18
    assert d["source"] == "blank"
    assert "Accepted at first press" in d["log"]
    assert d["trends"][0]["measure"].startswith("Evenness")
    assert len(d["trends"][0]["values"]) == 8
    assert "Over time" in (tmp_path / "r" / "report.html").read_text(encoding="utf-8")


def test_fading_through_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    first = tmp_path / "first.json"
    assert main(["read", "scans/offcut-scan.tif", "--quiet", "--json", str(first)]) == 0
    d = json.loads(first.read_text(encoding="utf-8"))
    for c in d["patches"]:  # as the same piece after a summer in the window: yellow has gone first
        r, g, b = c["device_rgb"]
        if b < 100 < min(r, g):
            c["lab"] = [c["lab"][0] + 2, c["lab"][1], c["lab"][2] * 0.8]
    later = tmp_path / "later.json"
    later.write_text(json.dumps(d), encoding="utf-8")
    out = tmp_path / "o.json"
    words = ["--fading", str(first), str(later), "--same-setup", "--json", str(out), "--report", str(tmp_path / "r")]
    assert main(["health", *words, "--csv", str(tmp_path / "o.csv")]) == 0
    result = json.loads(out.read_text(encoding="utf-8"))
    assert result["later"][0]["groups"][0]["name"] == "yellows"
    assert "yellows" in capsys.readouterr().out.splitlines()[0]
    assert "yellows" in (tmp_path / "r" / "report.html").read_text(encoding="utf-8")
    assert "yellows" in (tmp_path / "o.csv").read_text(encoding="utf-8")
    assert main(["health", "--fading", str(first), str(later)]) == 0
    assert "Say so (--same-setup)" in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["health"], "no pieces were given"),
        (["health", "{missing}"], "there is no file"),
        (["health", "{other}"], "neither a reading nor an inspection"),
        (["health", "{damaged}"], "is damaged"),
        (["health", "{p0}", "{p0}"], "two files are named"),
        (["health", "{p0}", "--placed", "{missing}"], "there is no file"),
        (["health", "{p0}", "--placed", "{p0}"], "has no column 'file'"),
        (["health", "{p0}", "--placed", "{lay}"], "is not among the files"),
        (["health", "{p0}", "--placed", "{badlay}"], "platen_turn_deg is 'about 90'"),
        (["health", "{p0}", "--placed", "{badcolumn}"], "unknown column 'turn'"),
        (["health", "{p0}", "--same-setup"], "belongs to --fading"),
        (["health", "--fading", "{p0}"], "give FIRST.json"),
        (["health", "--fading", "{p0}", "{p0}"], "is not a reading"),
        (["health", "{p0}", "--since", "7d"], "belong to --log"),
        (["health", "--log", "{missing}"], "there is no press log"),
        (["health", "{p0}", "--json", "{p0}"], "exists and is kept"),
        (["health", "{p0}", "--csv", "{p0}", "--overwrite"], "is read and cannot be the result"),
    ],
)
def test_bad_input_is_one_clear_line(
    words: list[str], says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files, lay = stored(tmp_path, pieces(1, 3, None))
    (tmp_path / "other.json").write_text("{}", encoding="utf-8")
    (tmp_path / "damaged.json").write_text('{"schema": "colorcheck-inspection/1", "size_mm": 3}', encoding="utf-8")
    (tmp_path / "badlay.csv").write_text("file,platen_turn_deg\npiece-0.json,about 90\n", encoding="utf-8")
    (tmp_path / "badcolumn.csv").write_text("file,turn\npiece-0.json,90\n", encoding="utf-8")
    known = {"p0": files[0], "lay": lay, "missing": str(tmp_path / "no.json"), "other": str(tmp_path / "other.json")}
    known |= {k: str(tmp_path / f"{k}.csv") for k in ("badlay", "badcolumn")}
    known |= {"damaged": str(tmp_path / "damaged.json")}
    kept = Path(files[0]).read_bytes()
    assert main([w.format(**known) for w in words]) == 2
    err = capsys.readouterr().err
    assert says in err
    assert err.count("\n") == 1
    assert Path(files[0]).read_bytes() == kept


def test_table_with_half_a_place_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("file,platen_x_mm\npiece-0.json,4\n", encoding="utf-8")
    with pytest.raises(DataError, match="only one of"):
        presshealth.load_placings(tmp_path / "a.csv")
    with pytest.raises(UsageError, match="not among the files"):
        presshealth.placed(pieces(1, 2, None), {"other": Placing()})
