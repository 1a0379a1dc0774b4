"""The layout of a target: what must hold for every shape, size and patch set."""

import copy
import dataclasses
import functools
import json

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from colorcheck.ground.errors import FileError, TargetError, UsageError
from colorcheck.ground.records import CellKind, Target
from colorcheck.sheet.target import colours, from_code, from_dict, load_target, make_target, to_dict

EDGE_MM = 6.0  # nothing that matters lies nearer to the edge: common practice, no source
MIN_CELL_MM = 5.0

RECIPES = [
    ("rect", 60, 60, "compact"),
    ("round", 60, 60, "compact"),
    ("rect", 80, 80, "compact"),
    ("round", 79.9, 79.9, "compact"),
    ("rect", 70, 130, "compact"),
    ("rect", 100, 100, "compact"),
    ("round", 100, 100, "compact"),
    ("round", 120, 120, "compact"),
    ("rect", 150, 150, "standard"),
    ("round", 150, 150, "standard"),
    ("rect", 140, 200, "standard"),
    ("rect", 200, 200, "standard"),
    ("round", 200, 200, "standard"),
    ("rect", 203.2, 254, "standard"),
    ("rect", 200, 200, "fine"),
    ("rect", 297, 210, "fine"),
    ("round", 300, 300, "fine"),
    ("rect", 400, 150, "standard"),
    ("rect", 400, 400, "fine"),
]
LARGE = [r for r in RECIPES if min(r[1], r[2]) >= 150 and r[3] != "compact"]


def named(recipe):
    shape, w, h, patches = recipe
    return f"{shape}-{w}x{h}-{patches}"


@functools.cache
def layout(recipe, seed=1, view="front") -> Target:
    shape, w, h, patches = recipe
    return make_target(size_mm=(w, h), shape=shape, patches=patches, seed=seed, view=view)


def furniture(t: Target):
    """All boxes that are not cells; the first ones are the markers' quiet boxes."""
    single = [b for b in (t.code_box_mm, t.lines_box_mm, t.strip_box_mm) if b[2] > 0]
    return np.array([*t.keep_out_mm[: len(t.marker_ids)].tolist(), *single])


def overlap(a, b):
    """Shared area of every box of one list with every box of another, (n, m)."""
    lo = np.maximum(a[:, None, :2], b[None, :, :2])
    hi = np.minimum(a[:, None, :2] + a[:, None, 2:], b[None, :, :2] + b[None, :, 2:])
    return np.clip(hi - lo, 0, None).prod(axis=2)


def assert_apart(t: Target):
    """No cell meets anything; white quiet zones may share the tenth of a millimetre that rounding costs."""
    cells, rest = t.box_mm, furniture(t)
    own = overlap(cells, cells)
    np.fill_diagonal(own, 0)
    assert own.max() < 1e-6
    assert overlap(cells, rest).max() < 1e-6
    slim = rest + np.array([0.06, 0.06, -0.12, -0.12])
    shared = overlap(slim, slim)
    np.fill_diagonal(shared, 0)
    assert shared.max() < 1e-6


def same(a: Target, b: Target, ignore=()):
    for f in dataclasses.fields(Target):
        if f.name not in ignore:
            left, right = getattr(a, f.name), getattr(b, f.name)
            assert np.array_equal(left, right), f.name


@pytest.mark.parametrize("recipe", RECIPES, ids=named)
class TestEveryLayout:
    def test_nothing_overlaps(self, recipe):
        assert_apart(layout(recipe))

    def test_nothing_that_matters_near_the_edge(self, recipe):
        t = layout(recipe)
        boxes = np.vstack([t.box_mm, furniture(t)])
        w, h = t.size_mm
        assert boxes[:, :2].min() >= EDGE_MM - 0.051  # places are in tenths of a millimetre
        assert (w - boxes[:, 0] - boxes[:, 2]).min() >= EDGE_MM - 0.051
        assert (h - boxes[:, 1] - boxes[:, 3]).min() >= EDGE_MM - 0.051
        if t.shape == "round":
            xs = np.stack([boxes[:, 0], boxes[:, 0] + boxes[:, 2]]) - w / 2
            ys = np.stack([boxes[:, 1], boxes[:, 1] + boxes[:, 3]]) - w / 2
            far = np.hypot(np.abs(xs).max(axis=0), np.abs(ys).max(axis=0))
            assert far.max() <= w / 2 - EDGE_MM + 0.11

    def test_cells_are_large_enough_and_apart(self, recipe):
        t = layout(recipe)
        assert t.box_mm[:, 2:].min() >= MIN_CELL_MM
        assert np.allclose(t.box_mm[:, 2:], t.cell_mm)
        d = np.hypot(*np.moveaxis(t.centres_mm[:, None] - t.centres_mm[None], -1, 0))
        np.fill_diagonal(d, np.inf)
        assert d.min() >= t.cell_mm + 1.0  # field between all neighbours

    def test_markers_are_enough_and_have_a_quiet_zone(self, recipe):
        t = layout(recipe)
        assert len(t.marker_ids) >= (8 if min(t.size_mm) >= 155 else 4)
        assert len(set(t.marker_ids)) == len(t.marker_ids)
        quiet = t.keep_out_mm[: len(t.marker_ids)]
        module = t.marker_box_mm[:, 2] / 8
        assert np.all(t.marker_box_mm[:, :2] - quiet[:, :2] >= module[:, None] - 1e-6)
        assert np.all(
            quiet[:, :2] + quiet[:, 2:] - t.marker_box_mm[:, :2] - t.marker_box_mm[:, 2:] >= module[:, None] - 1e-6
        )

    def test_keep_out_covers_all_furniture(self, recipe):
        t = layout(recipe)
        boxes = furniture(t)
        covered = overlap(boxes, t.keep_out_mm).max(axis=1)
        assert np.allclose(covered, boxes[:, 2] * boxes[:, 3], atol=1e-6)

    def test_anchors_are_white_and_black_and_spread(self, recipe):
        t = layout(recipe)
        white, black = t.kind == CellKind.WHITE, t.kind == CellKind.BLACK
        assert np.all(t.device_rgb[white] == 255)
        assert np.all(t.device_rgb[black] == 0)
        assert white.sum() >= 4
        assert black.sum() >= 3
        if min(t.size_mm) >= 100:  # both kinds in every quarter
            centre = t.box_mm[:, :2] + t.cell_mm / 2 - np.array(t.size_mm) / 2
            quarter = 2 * (centre[:, 0] > 0) + (centre[:, 1] > 0)
            assert set(quarter[white]) == set(quarter[black]) == {0, 1, 2, 3}

    def test_ids_are_unique(self, recipe):
        t = layout(recipe)
        assert len(set(t.ids)) == len(t.ids) == len(t.box_mm) == len(t.device_rgb) == len(t.kind)

    def test_json_round_trip(self, recipe, tmp_path):
        t = layout(recipe)
        file = tmp_path / "t.json"
        file.write_text(json.dumps(to_dict(t)), encoding="utf-8")
        back = load_target(file)
        same(t, back, ignore={"marker_box_mm", "keep_out_mm", "box_mm"})
        for name in ("marker_box_mm", "keep_out_mm", "box_mm"):  # written to a micrometre
            assert np.allclose(getattr(t, name), getattr(back, name), atol=5.1e-4)

    def test_the_printed_code_rebuilds_the_layout(self, recipe):
        t = layout(recipe)
        same(t, from_code(t.code_text))  # made anew from the text alone, so this is determinism too


@pytest.mark.parametrize("recipe", RECIPES[::4] + LARGE[:2], ids=named)
def test_another_seed_is_another_order(recipe):
    t, other = layout(recipe), layout(recipe, seed=2)
    for kind in (CellKind.WHITE, CellKind.BLACK):  # anchors stay
        assert np.array_equal(t.box_mm[t.kind == kind], other.box_mm[other.kind == kind])
    by_place = dict(zip(map(tuple, t.box_mm.tolist()), t.device_rgb.tolist(), strict=True))
    pairs = zip(other.box_mm.tolist(), other.device_rgb.tolist(), strict=True)
    moved = [by_place.get(tuple(b)) != c for b, c in pairs]
    assert np.mean(moved) > 0.3


@pytest.mark.parametrize(("patches", "low", "high"), [("compact", 55, 66), ("standard", 170, 220), ("fine", 400, 520)])
def test_number_of_colours(patches, low, high):
    palette = colours(patches)
    assert low <= len(palette) <= high
    assert len(set(palette)) == len(palette)
    assert {(0, 0, 255), (0, 255, 0), (255, 0, 0), (0, 255, 255), (255, 0, 255), (255, 255, 0)} <= set(palette)
    greys = {c[0] for c in palette if c[0] == c[1] == c[2]} | {0, 255}
    assert len(greys) >= 16
    assert np.diff(sorted(greys)).max() <= 26  # no gap in the neutral ramp


@pytest.mark.parametrize("recipe", [r for r in RECIPES if min(r[1], r[2]) >= 100], ids=named)
def test_sheet_holds_the_whole_set_and_its_replicates(recipe):
    t = layout(recipe)
    printed = {tuple(c) for c, k in zip(t.device_rgb.tolist(), t.kind, strict=True) if k == CellKind.COLOUR}
    assert printed == set(colours(recipe[3]))
    control = t.kind == CellKind.CONTROL
    assert 20 <= control.sum() <= 25
    assert len({tuple(c) for c in t.device_rgb[control].tolist()}) == 3


@pytest.mark.parametrize("recipe", LARGE, ids=named)
def test_replicates_lie_in_every_ninth(recipe):
    t = layout(recipe)
    centre = (t.box_mm[:, :2] + t.cell_mm / 2)[t.kind == CellKind.CONTROL]
    cell = np.minimum(2, (3 * centre / np.array(t.size_mm)).astype(int))
    count = np.bincount(cell[:, 1] * 3 + cell[:, 0], minlength=9)
    if t.shape == "rect":
        assert count.min() >= 1
        assert count.max() <= 5
    else:  # corner ninths of a disc are mostly off it
        assert count[[1, 3, 4, 5, 7]].min() >= 1
        assert count.max() <= 9


def worst_correlation(t: Target, cells) -> float:
    """Largest |Pearson's r| of R, G, B and tone with x, y, x², y², xy in mm from the middle."""
    x, y = (t.box_mm[cells, :2] + t.cell_mm / 2 - np.array(t.size_mm) / 2).T
    rgb = t.device_rgb[cells].astype(float)
    values = np.column_stack([rgb, rgb @ [0.2, 0.7, 0.1]])
    places = np.column_stack([x, y, x * x, y * y, x * y])
    r = np.corrcoef(values.T, places.T)[:4, 4:]
    return float(np.abs(r).max())


@pytest.mark.parametrize(("recipe", "seed"), [(r, 1) for r in LARGE] + [(r, 2) for r in LARGE[:3]])
def test_tone_does_not_go_with_place(recipe, seed):
    t = layout(recipe, seed=seed)
    assert worst_correlation(t, np.ones(len(t.ids), dtype=bool)) < 0.1
    assert worst_correlation(t, t.kind == CellKind.COLOUR) < 0.1


def test_small_sheets_cannot_be_balanced_that_well_but_try():
    # fewer than about 60 cells do not leave the freedom; a plain shuffle gives about 0.5 at the worst
    sheets = [layout(("rect", 60, 60, "compact"), seed=s) for s in range(4)]
    worst = [worst_correlation(t, t.kind >= 0) for t in sheets]
    assert np.median(worst) < 0.35


@settings(max_examples=6, deadline=None, derandomize=True, phases=[Phase.explicit, Phase.generate])
@given(
    w=st.integers(600, 1400),
    h=st.integers(600, 1400),
    shape=st.sampled_from(["rect", "round"]),
    view=st.sampled_from(["front", "through"]),
    seed=st.integers(0, 999_999),
)
def test_any_recipe_survives_code_and_file(w, h, shape, view, seed):
    size = (w / 10, (w if shape == "round" else h) / 10)
    t = make_target(size_mm=size, shape=shape, patches="compact", view=view, seed=seed)
    same(t, from_code(t.code_text))
    assert t.mirrored is (view == "front")  # paper lies face down: only a piece seen from the front is mirrored
    back = from_dict(json.loads(json.dumps(to_dict(t))))
    assert back.ids == t.ids
    assert back.code_text == t.code_text
    assert_apart(t)


@pytest.mark.parametrize(
    ("bad", "says"),
    [
        ({"size_mm": (59.0, 100.0)}, "60–400 mm"),
        ({"size_mm": (100.0, 401.0)}, "60–400 mm"),
        ({"size_mm": (float("nan"), 100.0)}, "60–400 mm"),
        ({"size_mm": (float("inf"), 100.0)}, "60–400 mm"),
        ({"size_mm": (100.0, 120.0), "shape": "round"}, "one diameter"),
        ({"size_mm": (100.0, 100.0), "patches": "huge"}, "choose compact, standard or fine"),
        ({"size_mm": (60.0, 60.0), "patches": "standard"}, "--patches compact"),
        ({"size_mm": (80.0, 80.0), "patches": "fine"}, "do not fit"),
        ({"size_mm": (100.0, 100.0), "seed": -1}, "seed"),
        ({"size_mm": (100.0, 100.0), "seed": 1_000_000}, "seed"),
        ({"size_mm": (100.0, 100.0), "dpi": 20}, "dpi"),
        ({"size_mm": (100.0, 100.0), "bleed_mm": 11.0}, "bleed"),
    ],
)
def test_impossible_recipes_say_what_to_do(bad, says):
    with pytest.raises(UsageError) as e:
        make_target(**bad)
    assert says in e.value.message
    assert "\n" not in e.value.message


@pytest.mark.parametrize(
    "text",
    [
        "",
        "https://example.org",
        "CCK2:R:600:600:C:F:1",
        "CCK1:R:100:100:C:F:1",
        "CCK1:R:600:600:F:F:1",
        "CCK1:O:600:700:C:F:1",
    ],
)
def test_foreign_or_impossible_codes_are_refused(text):
    with pytest.raises(TargetError, match="--target") as e:
        from_code(text)
    assert "\n" not in e.value.message


def _set(*path_and_value):
    *path, last, value = path_and_value

    def damage(d):
        here = d
        for k in path:
            here = here[k]
        here[last] = value

    return damage


def _drop(*path):
    def damage(d):
        here = d
        for k in path[:-1]:
            here = here[k]
        del here[path[-1]]

    return damage


REQUIRED = [
    "name",
    "size_mm",
    "shape",
    "view",
    "dpi",
    "field_rgb",
    "patches",
    "markers",
    "code_box_mm",
    "lines_box_mm",
    "strip_box_mm",
    "keep_out_mm",
    "cell_mm",
    "pitch_mm",
    "seed",
    "patch_set",
]
DAMAGES = {
    **{f"no {k}": _drop(k) for k in REQUIRED},
    **{f"{k} is null": _set(k, None) for k in REQUIRED if k != "name"},
    **{f"{k} is a word": _set(k, "x") for k in REQUIRED if k != "name"},
    "size of three": _set("size_mm", [1, 2, 3]),
    "size negative": _set("size_mm", [-60, 60]),
    "size infinite": _set("size_mm", [float("inf"), 60]),
    "size not a number": _set("size_mm", [float("nan"), 60]),
    "size true": _set("size_mm", [True, 60]),
    "dpi zero": _set("dpi", 0),
    "dpi negative": _set("dpi", -300),
    "cell zero": _set("cell_mm", 0),
    "bleed negative": _set("bleed_mm", -1),
    "no patches": _set("patches", []),
    "patch is a number": _set("patches", 0, 5),
    "patch without id": _drop("patches", 0, "id"),
    "patch without colour": _drop("patches", 3, "device_rgb"),
    "patch of unknown kind": _set("patches", 0, "kind", "violet"),
    "patch kind is a list": _set("patches", 0, "kind", ["colour"]),
    "colour 256": _set("patches", 0, "device_rgb", [0, 0, 256]),
    "colour of two": _set("patches", 0, "device_rgb", [0, 0]),
    "patch off the sheet": _set("patches", 0, "box_mm", [58, 0, 5, 5]),
    "patch of no width": _set("patches", 0, "box_mm", [10, 10, 0, 5]),
    "same id twice": _set("patches", 1, "id", "B4"),
    "marker ids not a list": _set("markers", "ids", 3),
    "marker id out of range": _set("markers", "ids", 0, 587),
    "one marker box short": _drop("markers", "box_mm", 0),
    "marker box of three": _set("markers", "box_mm", 0, [1, 2, 3]),
    "marker off the sheet": _set("markers", "box_mm", 0, [58, 6, 5, 5]),
    "marker of no width": _set("markers", "box_mm", 0, [6, 6, 0, 5]),
    "same marker twice": _set("markers", "ids", 0, 1),
    "keep-out too short": _set("keep_out_mm", []),
    "number beyond any float": _set("size_mm", [10**400, 60]),
    "other marker dictionary": _set("markers", "dictionary", "DICT_4X4_50"),
    "keep-out of two": _set("keep_out_mm", 0, [1, 2]),
    "field of two": _set("field_rgb", [1, 2]),
    "code box of three": _set("code_box_mm", [1, 2, 3]),
}


@pytest.mark.parametrize("name", DAMAGES)
def test_damaged_layout_gives_one_line(name):
    d = json.loads(json.dumps(to_dict(layout(("rect", 60, 60, "compact")))))
    d["patches"][0]["id"] = "B4"
    d = copy.deepcopy(d)
    DAMAGES[name](d)
    with pytest.raises(TargetError) as e:
        from_dict(d)
    assert "\n" not in e.value.message
    assert "layout file" in e.value.message


@pytest.mark.parametrize("value", [None, [], 5, "x"])
def test_not_a_mapping(value):
    with pytest.raises(TargetError, match="not a target layout"):
        from_dict(value)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "not a layout file"),
        (b"{", "not a layout file"),
        (b"\xff\xfe\x00", "not a layout file"),
        (b"[" * 100_000, "not a layout file"),
        (b"[]", "not a layout file"),
    ],
)
def test_files_that_are_no_layout(tmp_path, content, says):
    file = tmp_path / "x.json"
    file.write_bytes(content)
    with pytest.raises(TargetError, match=says):
        load_target(file)


def test_missing_file_and_folder(tmp_path):
    with pytest.raises(FileError, match="there is no file"):
        load_target(tmp_path / "none.json")
    with pytest.raises(FileError, match="is a folder"):
        load_target(tmp_path)
