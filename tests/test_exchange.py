import os
import re
import stat
import warnings
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from colorcheck.ground import cielab, files
from colorcheck.ground.errors import DataError, FileError
from colorcheck.sheet import exchange
from colorcheck.sheet.exchange import (
    Measurements,
    measurements_from_lab,
    read_measurements,
    spectra_to_xyz,
    write_measurements,
)

with warnings.catch_warnings(), np.printoptions():
    warnings.simplefilter("ignore")
    import colour

    OBSERVER = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    D50 = colour.SDS_ILLUMINANTS["D50"]
    # 99 reflectances of objects, CIE 224:2017, 380 to 780 nm
    OBJECTS = list(colour.quality.cfi2017.load_TCS_CIE2017(colour.SpectralShape(380, 780, 5)).values.T)

# Invented colours of a pressed house-number plaque, for these tests only: id, RGB, Lab.
ROWS = [
    ("A1", (255, 255, 255), (94.1, -0.6, 1.2)),
    ("A2", (0, 0, 0), (9.3, 0.4, -0.9)),
    ("A3", (255, 0, 0), (49.2, 64.0, 42.5)),
    ("A4", (0, 255, 0), (58.7, -59.3, 38.8)),
    ("A5", (0, 0, 255), (24.4, 18.9, -50.2)),
    ("A6", (255, 255, 0), (87.0, -5.1, 82.3)),
    ("A7", (128, 128, 128), (53.6, 0.2, -0.3)),
    ("A8", (64, 128, 192), (48.1, -7.7, -36.4)),
]


def rgb_of(rows=ROWS):
    return np.array([r[1] for r in rows], float)


def lab_of(rows=ROWS):
    return np.array([r[2] for r in rows], float)


def xyz_of(rows=ROWS):
    return np.asarray(cielab.lab_to_xyz(lab_of(rows))) * 100


def text(
    blocks=("LAB",),
    *,
    header=(),
    data=None,
    ids=None,
    eol="\n",
    sep="\t",
    first="ISO28178",
    counts=True,
    style="%.4f",
):
    """A file as an instrument would write it."""
    table = {
        "RGB": (["RGB_R", "RGB_G", "RGB_B"], rgb_of()),
        "XYZ": (["XYZ_X", "XYZ_Y", "XYZ_Z"], xyz_of()),
        "LAB": (["LAB_L", "LAB_A", "LAB_B"], lab_of()),
    } | (data or {})
    names = ["SAMPLE_ID"]
    columns = []
    for block in blocks:
        fields, values = table[block]
        names += fields
        columns.append(values)
    values = np.hstack(columns)
    ids = [r[0] for r in ROWS] if ids is None else ids
    lines = [first, 'ORIGINATOR "Plaque workshop"', *header]
    if counts:
        lines.append(f"NUMBER_OF_FIELDS {len(names)}")
    lines += ["BEGIN_DATA_FORMAT", sep.join(names), "END_DATA_FORMAT"]
    if counts:
        lines.append(f"NUMBER_OF_SETS {len(ids)}")
    lines += ["BEGIN_DATA"]
    lines += [sep.join([i, *(style % v for v in row)]) for i, row in zip(ids, values, strict=True)]
    return eol.join([*lines, "END_DATA", ""])


@pytest.fixture
def read(tmp_path):
    """Write text or bytes to a file and read it as measurements."""

    def reader(content, **options):
        path = tmp_path / "values.txt"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return read_measurements(path, **options)

    return reader


# ---- what is read -----------------------------------------------------------------------------------------


def test_lab_alone_fills_xyz(read):
    m = read(text())
    assert m.ids == tuple(r[0] for r in ROWS)
    np.testing.assert_allclose(m.lab, lab_of(), atol=1e-9)
    # second opinion: colour-science, for the same white
    white = colour.XYZ_to_xy(cielab.D50_WHITE)
    np.testing.assert_allclose(m.xyz, colour.Lab_to_XYZ(m.lab, white) * 100, atol=2e-3)
    assert m.device_rgb is None
    assert m.spectra is None
    assert m.header["ORIGINATOR"] == "Plaque workshop"
    assert m.notes == ()


def test_xyz_alone_fills_lab_like_colour_science(read):
    m = read(text(("RGB", "XYZ")))
    white = colour.XYZ_to_xy(cielab.D50_WHITE)
    np.testing.assert_allclose(m.lab, colour.XYZ_to_Lab(m.xyz / 100, white), atol=2e-3)
    np.testing.assert_allclose(m.lab, lab_of(), atol=0.01)
    np.testing.assert_array_equal(m.device_rgb, rgb_of())


@pytest.mark.parametrize("eol", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("sep", ["\t", " ", "  \t "])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_line_ends_tabs_and_byte_order_marks(read, eol, sep, mark):
    m = read(mark + text(("RGB", "XYZ", "LAB"), eol=eol, sep=sep).encode())
    np.testing.assert_allclose(m.lab, lab_of(), atol=1e-9)
    np.testing.assert_array_equal(m.device_rgb, rgb_of())


def test_sheet_type_is_no_keyword(read):
    m = read(text(first="ISO28178 second edition"))
    assert set(m.header) == {"ORIGINATOR"}
    assert len(read(text(first='CREATED "2024-05-01"')).header) == 2


def test_latin_1_and_utf_16(read):
    content = text(header=['FILE_DESCRIPTOR "Glas 4 mm, Küche, 5 µm"'])
    assert "Küche, 5 µm" in read(content.encode("latin-1")).header["FILE_DESCRIPTOR"]
    assert "Küche, 5 µm" in read(content.encode("utf-8")).header["FILE_DESCRIPTOR"]
    assert "Küche, 5 µm" in read(content.encode("utf-16")).header["FILE_DESCRIPTOR"]


def test_comments_quotes_declared_keywords_and_case(read):
    content = text(
        header=[
            "# a comment with BEGIN in it",
            'KEYWORD "PRESS_TIME" # declared',
            'PRESS_TIME "190 s" # longer than usual',
            'DESCRIPTOR "8"" plaque # 3"',
            'WEIGHTING_FUNCTION "ILLUMINANT, D50"',
            'WEIGHTING_FUNCTION "OBSERVER, 2 degree"',
        ],
        ids=['"A 1"', '"A ""2"""', "A#3", '"END_DATA"', "05", "5", "a", "A"],
    )
    content = content.replace("BEGIN_DATA\n", "begin_data\n\n# in the data too\n").replace("LAB_L", "Lab_L")
    m = read(content)
    assert m.ids == ("A 1", 'A "2"', "A#3", "END_DATA", "05", "5", "a", "A")
    assert m.header["PRESS_TIME"] == "190 s"
    assert m.header["DESCRIPTOR"] == '8" plaque # 3'
    assert m.header["WEIGHTING_FUNCTION"] == "ILLUMINANT, D50; OBSERVER, 2 degree"
    assert "KEYWORD" not in m.header


def test_format_and_rows_over_several_lines(read):
    content = text(sep=" ").replace("SAMPLE_ID LAB_L ", "SAMPLE_ID\nLAB_L\n").replace("A3 ", "A3\n")
    np.testing.assert_allclose(read(content).lab, lab_of(), atol=1e-9)


def test_decimal_commas(read):
    content = text().replace(".", ",").replace("BEGIN_DATA\n", "BEGIN_DATA\n")
    m = read(content)
    np.testing.assert_allclose(m.lab, lab_of(), atol=1e-9)
    assert "decimal commas" in m.notes[-1]


def test_rgb_in_per_cent_and_in_fractions(read):
    for top in (100.0, 1.0):
        m = read(text(("RGB", "LAB"), data={"RGB": (RGB_NAMES, rgb_of() / 255 * top)}))
        np.testing.assert_array_equal(m.device_rgb, rgb_of())
        assert "brought to 0 to 255" in m.notes[0]


def test_first_table_with_colours_is_taken(read):
    other = "ISO28178\nBEGIN_DATA_FORMAT\nSAMPLE_ID DENSITY\nEND_DATA_FORMAT\nBEGIN_DATA\nx 1.0\nEND_DATA\n"
    m = read(other + text())
    assert len(m.ids) == len(ROWS)
    assert "table 2 of 2" in m.notes[0]


def test_counts_of_one_table_do_not_bind_the_next(read):
    small = text(ids=["a", "b"], data={"LAB": (LAB_NAMES, lab_of()[:2])}).replace("LAB_", "Q_")
    assert len(read(small + text(counts=False)).ids) == len(ROWS)


def test_unused_columns_are_no_trouble(read):
    content = text().replace("SAMPLE_ID", "SAMPLE_ID\tMEAN_DE\tNAME").replace("FIELDS 4", "FIELDS 6")
    for row in ROWS:
        content = content.replace(f"\n{row[0]}\t", f'\n{row[0]}\tnan\t"deep red"\t')
    np.testing.assert_allclose(read(content).lab, lab_of(), atol=1e-9)


def test_own_values_are_not_changed_by_writing(tmp_path):
    lab = lab_of()
    m = measurements_from_lab([r[0] for r in ROWS], lab, device_rgb=rgb_of())
    write_measurements(tmp_path / "a.txt", m)
    np.testing.assert_array_equal(lab, lab_of())
    assert m.lab is not lab


# ---- spectra ----------------------------------------------------------------------------------------------


def sampled(first, last, step):
    """The 99 objects at the wanted wavelengths (multiples of 5 nm)."""
    every = np.arange(380, 781, 5)
    waves = np.arange(first, last + 1, step)
    return np.array(OBJECTS)[:, np.searchsorted(every, waves)], waves


def second_opinion(spectrum, waves):
    """XYZ by colour-science, one spectrum at a time, ASTM E308."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it tells that it aligns the 5 nm table of D50
        sd = colour.SpectralDistribution(spectrum, waves)
        return colour.sd_to_XYZ(sd, OBSERVER, D50, method="ASTM E308")


def test_perfect_white_is_the_published_white():
    # D50, 2°: X 96.42, Y 100, Z 82.51 (CIE 15:2004, table T.3; from memory)
    for first, last, step in ((380, 730, 10), (400, 700, 10), (400, 700, 20), (380, 780, 5), (380, 730, 1)):
        waves = np.arange(first, last + 1, step)
        xyz = spectra_to_xyz(np.ones((1, len(waves))), waves)
        np.testing.assert_allclose(xyz[0], [96.42, 100.0, 82.51], atol=0.015)


@pytest.mark.parametrize("grid", [(380, 730, 10), (400, 700, 10), (400, 700, 20), (380, 780, 5)])
def test_sums_agree_with_colour_science(grid):
    values, waves = sampled(*grid)
    ours = spectra_to_xyz(values[::7], waves)
    for row, spectrum in zip(ours, values[::7], strict=True):
        np.testing.assert_allclose(row, second_opinion(spectrum, waves), atol=1e-9)


def direct_lab():
    """Lab of the 99 objects summed at 5 nm over the whole range: no table of weights, no spline."""
    waves = np.arange(380, 781, 5)
    light = np.interp(waves, D50.wavelengths, D50.values)
    observer = OBSERVER.values[np.searchsorted(OBSERVER.wavelengths, waves)]
    product = light[:, None] * observer
    return np.asarray(cielab.xyz_to_lab(np.array(OBJECTS) @ product / product[:, 1].sum()))


@pytest.mark.parametrize(
    ("grid", "typical", "most"),
    [((380, 780, 5), 0.03, 0.05), ((380, 730, 10), 0.08, 0.4), ((400, 700, 20), 0.35, 2.0)],
)
def test_sums_agree_with_a_direct_sum(grid, typical, most):
    values, waves = sampled(*grid)
    lab = np.asarray(cielab.xyz_to_lab(spectra_to_xyz(values, waves) / 100))
    difference = np.asarray(cielab.delta_e00(lab, direct_lab()))
    assert difference.mean() < typical
    assert difference.max() < most


@pytest.mark.parametrize("step", [1.0, 2.0, 10 / 3, 4.0, 6.0])
def test_other_steps_agree_with_ten_nanometres(step):
    # smooth made-up reflectances, known at any wavelength
    def reflectance(w):
        return np.stack([0.1 + 0.7 / (1 + np.exp((c - w) / 18)) for c in (460, 520, 580, 620)])

    waves = np.arange(380, 731, step)
    tens = np.arange(380, 731, 10)
    lab = [cielab.xyz_to_lab(spectra_to_xyz(reflectance(w), w) / 100) for w in (waves, tens)]
    assert np.asarray(cielab.delta_e00(*lab)).max() < 0.05


def spectral_text(template, scale=1.0, extra=()):
    values, waves = sampled(380, 730, 10)
    names = [template.format(w) for w in waves]
    rows = len(ROWS)
    data = {"SPECTRA": (names, values[:rows] * scale)}
    if extra:
        xyz = spectra_to_xyz(values[:rows], waves)
        data |= {
            "XYZ": (["XYZ_X", "XYZ_Y", "XYZ_Z"], xyz),
            "LAB": (["LAB_L", "LAB_A", "LAB_B"], np.asarray(cielab.xyz_to_lab(xyz / 100))),
        }
    return text((*extra, "SPECTRA"), data=data, style="%.6f"), values[:rows], waves


@pytest.mark.parametrize(
    "template", ["SPECTRAL_NM{}", "SPECTRAL_NM_{}", "SPECTRAL_{}", "nm{}", "NM_{}", "SPECTRAL_NM{}.0"]
)
@pytest.mark.parametrize("scale", [1.0, 100.0])
def test_spectra_fill_xyz_and_lab(read, template, scale):
    content, values, waves = spectral_text(template, scale)
    m = read(content)
    np.testing.assert_array_equal(m.wavelengths_nm, waves)
    np.testing.assert_allclose(m.spectra, values, atol=1e-6)
    for row, spectrum in zip(m.xyz, values, strict=True):
        np.testing.assert_allclose(row, second_opinion(spectrum, waves), atol=1e-3)
    np.testing.assert_allclose(m.lab, cielab.xyz_to_lab(m.xyz / 100), atol=1e-9)
    assert bool(m.notes) == (scale == 100.0)


def test_spectra_beside_xyz_and_lab(read):
    content, values, _ = spectral_text("SPECTRAL_NM{}", extra=("XYZ", "LAB"))
    m = read(content)
    np.testing.assert_allclose(m.spectra, values, atol=1e-6)
    with pytest.raises(DataError, match="spectra and XYZ or Lab disagree"):
        read(
            content.replace("SPECTRAL_NM", "NM")
            .replace("XYZ_", "W_")
            .replace("LAB_A", "q")
            .replace("LAB_B", "LAB_A")
            .replace("q", "LAB_B")
        )


def test_other_light_is_overruled_by_spectra(read):
    content, *_ = spectral_text("SPECTRAL_NM{}", extra=("XYZ",))
    m = read(content.replace("NUMBER_OF_FIELDS", 'WEIGHTING_FUNCTION "ILLUMINANT, D65"\nNUMBER_OF_FIELDS'))
    assert "D65" in m.notes[0]
    np.testing.assert_allclose(m.xyz, spectra_to_xyz(m.spectra, m.wavelengths_nm))


def test_numpy_prints_as_before(read):
    before = np.get_printoptions()
    exchange._weights.cache_clear()
    read(spectral_text("SPECTRAL_NM{}")[0])
    assert np.get_printoptions() == before


# ---- what is refused --------------------------------------------------------------------------------------


def changed(old, new, count=1, **options):
    content = text(**options)
    assert old in content
    return content.replace(old, new, count)


def swapped(first, second, **options):
    return text(**options).replace(first, "?").replace(second, first).replace("?", second)


RGB_NAMES = ["RGB_R", "RGB_G", "RGB_B"]
XYZ_NAMES = ["XYZ_X", "XYZ_Y", "XYZ_Z"]
LAB_NAMES = ["LAB_L", "LAB_A", "LAB_B"]
SPEC = spectral_text("SPECTRAL_NM{}")[0]

BAD = {
    "empty": (b"", "is empty"),
    "blank": (b" \n\r\n\t ", "is empty"),
    "picture": (b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", "is not text"),
    "noise": (bytes(range(1, 32)) * 20, "is not text"),
    "xml": ("<?xml version='1.0'?><x>BEGIN_DATA</x>", "is XML"),
    "prose": ("These are the values I measured.\nA1 50 0 0\n", "not ISO 28178 text"),
    "csv": ("SAMPLE_ID,LAB_L,LAB_A,LAB_B\nA1,50,0,0\n", "not ISO 28178 text"),
    "no data": (text().split("NUMBER_OF_SETS")[0], "no BEGIN_DATA"),
    "no format": (text().replace("DATA_FORMAT", "X"), "no BEGIN_DATA_FORMAT"),
    "format left open": (changed("END_DATA_FORMAT\n", ""), "column names|END_DATA_FORMAT is missing"),
    "cut short": (text()[: text().index("A6")], "ends before END_DATA"),
    "fields": (changed("FIELDS 4", "FIELDS 5"), "says 5 columns, but there are 4"),
    "sets": (changed("SETS 8", "SETS 9"), "says 9 rows, but there are 8"),
    "fields no number": (changed("FIELDS 4", "FIELDS four"), "not a number"),
    "value missing": (changed("94.1000\t", ""), "line 9: 3 values for 4 columns"),
    "last value missing": (changed("-36.4000\n", "\n"), "line 16: 3 values for 4 columns"),
    "blank in a name": (changed("A3\t", "A 3\t"), "line 11: 5 values for 4 columns"),
    "quote left open": (changed("A3\t", '"A3\t'), "not closed"),
    "no names": (changed("SAMPLE_ID", "PLACE"), "no SAMPLE_ID"),
    "twice": (changed("A3", "A2"), "'A2' occurs twice"),
    "no name": (changed("A3", '""'), "row 3 has no SAMPLE_ID"),
    "no rows": (text(ids=[], data={"LAB": (LAB_NAMES, np.empty((0, 3)))}), "only 0 rows"),
    "few rows": (text(ids=["a", "b"], data={"LAB": (LAB_NAMES, lab_of()[:2])}), "only 2 rows"),
    "nan": (changed("64.0000", "nan"), "sample 'A3': LAB_A is 'nan', not finite"),
    "inf": (changed("64.0000", "-inf"), "not finite"),
    "overflow": (changed("64.0000", "1e999"), "too large"),
    "word": (changed("64.0000", "n/a"), "not a number"),
    "underscore": (changed("64.0000", "6_4"), "not a number"),
    "mixed commas": (changed("64.0000", "64,0000"), "mixed"),
    "column twice": (changed("LAB_A", "LAB_L"), "'LAB_L' occurs twice"),
    "column missing": (changed("LAB_A", "OTHER"), "LAB_A is missing"),
    "no colours": (text(("RGB",)), "no XYZ, Lab or spectral"),
    "xyz of 1": (text(("XYZ",), data={"XYZ": (XYZ_NAMES, xyz_of() / 100)}), "Y = 100 for white, not 1"),
    "xyz of 1 beside lab": (
        text(("XYZ", "LAB"), data={"XYZ": (XYZ_NAMES, xyz_of() / 100)}),
        "Y = 100 for white, not 1",
    ),
    "xyz of 255": (text(("XYZ",), data={"XYZ": (XYZ_NAMES, xyz_of() * 2.55)}), "far above a perfect white"),
    "xyz negative": (text(("XYZ",), data={"XYZ": (XYZ_NAMES, xyz_of() - 2)}), "XYZ is negative"),
    "x and y": (swapped("XYZ_X", "XYZ_Y", blocks=("XYZ",)), "another order"),
    "y and z": (swapped("XYZ_Y", "XYZ_Z", blocks=("XYZ",)), "another order"),
    "x and z": (swapped("XYZ_X", "XYZ_Z", blocks=("XYZ",)), "another order"),
    "x and y beside lab": (swapped("XYZ_X", "XYZ_Y", blocks=("XYZ", "LAB")), "XYZ and Lab disagree"),
    "a and b beside xyz": (swapped("LAB_A", "LAB_B", blocks=("XYZ", "LAB")), "XYZ and Lab disagree"),
    "l and a": (swapped("LAB_L", "LAB_A"), "LAB_L is below 0"),
    "lab of 255": (text(data={"LAB": (LAB_NAMES, lab_of() * 2.55)}), "LAB_L is above 100"),
    "lab of 1": (text(data={"LAB": (LAB_NAMES, lab_of() / 100)}), "give L\\* from 0 to 100"),
    "lab far out": (changed("64.0000", "640"), "beyond ±130"),
    "media-relative beside absolute": (
        text(("XYZ", "LAB"), data={"XYZ": (XYZ_NAMES, xyz_of() / xyz_of()[0, 1] * 100)}),
        "media-relative",
    ),
    "one wrong row": (changed("64.0000", "6.4", blocks=("XYZ", "LAB")), "sample 'A3'"),
    "d65": (text(header=['WEIGHTING_FUNCTION "ILLUMINANT, D65"']), "D65"),
    "named d65": (text(header=['ILLUMINATION_NAME "D65"', 'OBSERVER_ANGLE "2"']), "D65"),
    "named f11": (text(header=['KEYWORD "ILLUMINATION_NAME"', 'ILLUMINATION_NAME "F11"']), "F11"),
    "named a": (text(header=['ILLUMINATION_NAME "A"']), "A"),
    "angle of 10": (text(header=['ILLUMINATION_NAME "D50"', 'OBSERVER_ANGLE "10"']), "OBSERVER_ANGLE 10"),
    "cie 1964": (text(header=['OBSERVER "CIE 1964"']), "1964"),
    "10 degrees": (text(header=['WEIGHTING_FUNCTION "OBSERVER, 10 degree"']), "D50 and the 2° observer"),
    "10 degrees measured": (text(header=['MEASUREMENT_SOURCE "ObserverAngle=10"']), "2° observer"),
    "rgb of 65535": (text(("RGB", "LAB"), data={"RGB": (RGB_NAMES, rgb_of() * 257)}), "up to 65535"),
    "rgb negative": (text(("RGB", "LAB"), data={"RGB": (RGB_NAMES, rgb_of() - 1)}), "down to -1"),
    "spectra with a gap": (SPEC.replace("SPECTRAL_NM500", "OTHER"), "not evenly spaced"),
    "spectra too short": (re.sub("SPECTRAL_NM(69|7)", r"OTHER\1", SPEC), "from 380 to 680 nm"),
    "spectra twice": (SPEC.replace("SPECTRAL_NM390", "NM_380"), "two columns hold 380 nm"),
    "spectra of 255": (spectral_text("SPECTRAL_NM{}", 255.0)[0], "reflectance factor"),
    "spectra of 5": (spectral_text("SPECTRAL_NM{}", 5.0)[0], "reflectance factor"),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD)
def test_refused_in_one_line(read, case):
    content, says = BAD[case]
    with pytest.raises(DataError, match=says) as caught:
        read(content)
    message = caught.value.message
    assert message.startswith("values.txt")
    assert "\n" not in message
    assert message.isprintable()
    assert len(message) < 320


def many(n=60):
    rng = np.random.default_rng(4)
    rgb = rng.integers(0, 256, (n, 3)).astype(float)
    lab = np.asarray(cielab.xyz_to_lab(cielab.linear_srgb_to_xyz(cielab.srgb_to_linear(rgb / 255)))) * 0.8
    return [f"S{i}" for i in range(n)], rgb, lab


def test_colours_against_rgb(read, tmp_path):
    ids, rgb, lab = many()
    path = tmp_path / "many.txt"
    write_measurements(path, measurements_from_lab(ids, lab, device_rgb=rgb))
    good = path.read_text()
    assert len(read(good).ids) == 60
    exchanged = good.replace("XYZ_", "OLD_").replace("LAB_A", "?").replace("LAB_B", "LAB_A").replace("?", "LAB_B")
    with pytest.raises(DataError, match="fit the RGB only when exchanged"):
        read(exchanged)
    with pytest.raises(DataError, match="darker as RGB rises"):
        write_measurements(path, measurements_from_lab(ids, lab, device_rgb=255 - rgb))
    assert path.read_text() == good


def test_bluish_and_tinted_whites_are_not_taken_for_swapped(read):
    for tint in ((93, 2, -10), (92, -3, 5), (90, 1, 12), (95, -2, -6)):
        lab = lab_of()
        lab[0] = tint
        xyz = np.asarray(cielab.lab_to_xyz(lab)) * 100
        assert len(read(text(("XYZ",), data={"XYZ": (XYZ_NAMES, xyz)})).ids) == 8


def test_min_rows_is_the_callers(read):
    content = text(ids=["a"], data={"LAB": (LAB_NAMES, lab_of()[:1])})
    assert read(content, min_rows=1).ids == ("a",)
    with pytest.raises(DataError, match="at least 20"):
        read(text(), min_rows=20)


def test_no_such_file_and_folder(tmp_path):
    with pytest.raises(FileError, match="there is no file"):
        read_measurements(tmp_path / "none.txt")
    with pytest.raises(FileError, match="is a folder"):
        read_measurements(tmp_path)


def test_too_big_is_refused_without_reading(tmp_path):
    path = tmp_path / "big.txt"
    with path.open("wb") as out:
        out.truncate(files.MAX_BYTES + 1)
    with pytest.raises(DataError, match="20 MB"):
        read_measurements(path)


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cut=st.integers(0, 3000), junk=st.binary(max_size=12))
def test_damaged_files_give_values_or_one_line(read, cut, junk):
    good = text(("RGB", "XYZ", "LAB")).encode()
    cut = min(cut, len(good))
    try:
        m = read(good[:cut] + junk + good[cut + len(junk) // 2 :])
    except DataError as error:
        message = error.message
    else:
        message = "read"
        assert len(m.ids) == len(m.lab) == len(m.xyz)
        assert np.isfinite(m.lab).all()
    assert message
    assert "\n" not in message


# ---- writing ----------------------------------------------------------------------------------------------

names = st.text(st.characters(exclude_categories=["C", "Z"]) | st.just(" "), min_size=1, max_size=12).filter(
    lambda s: s.strip() == s and s
)


@st.composite
def tables(draw):
    n = draw(st.integers(1, 12))
    ids = draw(st.lists(names, min_size=n, max_size=n, unique=True))
    rng = np.random.default_rng(draw(st.integers(0, 10**6)))
    waves = spectra = rgb = None
    if draw(st.booleans()):
        step = draw(st.sampled_from([5, 10, 20]))
        waves = np.arange(draw(st.sampled_from([380, 400])), 701, step).astype(float)
        level, tilt = rng.uniform(0.05, 0.65, (n, 1)), rng.uniform(-0.5, 0.5, (n, 1))
        spectra = level * (1 + tilt * np.sin((waves - 400) / 80))
        xyz = spectra_to_xyz(spectra, waves)
    else:
        linear = rng.uniform(0.05, 1, (n, 3)) ** 1.5
        xyz = np.asarray(cielab.linear_srgb_to_xyz(linear)) * draw(st.floats(20, 100))
    if draw(st.booleans()):
        rgb = rng.integers(0, draw(st.sampled_from([2, 101, 256])), (n, 3)).astype(float)
    keys = st.from_regex(r"[A-Z][A-Z0-9_]{0,10}", fullmatch=True).filter(
        lambda k: (
            k
            not in {
                *exchange._STRUCTURE,
                "WEIGHTING_FUNCTION",
                "ILLUMINANT",
                "OBSERVER",
                "MEASUREMENT_SOURCE",
            }
        )
    )
    header = draw(st.dictionaries(keys, names, max_size=3))
    lab = np.asarray(cielab.xyz_to_lab(xyz / 100))
    return Measurements(tuple(ids), xyz, lab, rgb, spectra, waves, header)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(tables())
def test_round_trip(tmp_path, m):
    path = tmp_path / "round.txt"
    write_measurements(path, m)
    back = read_measurements(path, min_rows=1)
    assert back.ids == m.ids
    np.testing.assert_allclose(back.xyz, m.xyz, atol=1e-6)
    np.testing.assert_allclose(back.lab, m.lab, atol=1e-6)
    if m.device_rgb is None:
        assert back.device_rgb is None
    else:
        np.testing.assert_array_equal(back.device_rgb, m.device_rgb)
    if m.spectra is None:
        assert back.spectra is None
    else:
        np.testing.assert_allclose(back.spectra, m.spectra, atol=1e-7)
        np.testing.assert_array_equal(back.wavelengths_nm, m.wavelengths_nm)
    assert m.header.items() <= back.header.items()
    # and the second time round nothing moves
    write_measurements(path, back)
    again = read_measurements(path, min_rows=1)
    np.testing.assert_array_equal(again.lab, back.lab)
    assert again.header == back.header


def test_unknown_keywords_are_declared(tmp_path):
    path = tmp_path / "out.txt"
    m = measurements_from_lab(["a"], [[50, 0, 0]], header={"PRESS_TIME": "190", "CREATED": "2024-05-01"})
    write_measurements(path, m)
    lines = path.read_text().splitlines()
    assert lines[0] == "ISO28178"
    assert lines.index('KEYWORD "PRESS_TIME"') == lines.index('PRESS_TIME "190"') - 1
    assert 'KEYWORD "CREATED"' not in lines


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"lab": [[np.nan, 0, 0], [50, 0, 0]]}, "not finite"),
        ({"lab": [[150, 0, 0], [50, 0, 0]]}, "above 100"),
        ({"ids": ["a", "a"]}, "occurs twice"),
        ({"ids": ["a", ""]}, "has no SAMPLE_ID"),
        ({"ids": ["a", "b", "c"]}, "shape"),
        ({"header": {"bad key": "1"}}, "cannot be written"),
        ({"device_rgb": [[0, 0, 300], [1, 1, 1]]}, "up to 300"),
    ],
)
def test_what_cannot_be_read_back_is_not_written(tmp_path, change, says):
    path = tmp_path / "out.txt"
    path.write_text("kept")
    m = measurements_from_lab(**({"ids": ["a", "b"], "lab": [[50, 0, 0], [90, 0, 0]]} | change))
    with pytest.raises(DataError, match=says):
        write_measurements(path, m)
    assert path.read_text() == "kept"
    assert os.listdir(tmp_path) == ["out.txt"]


def test_a_failed_write_leaves_the_old_file(tmp_path, monkeypatch):
    path = tmp_path / "out.txt"
    path.write_text("kept")

    def refuse(source, target):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", refuse)
    with pytest.raises(FileError, match="No space left"):
        write_measurements(path, measurements_from_lab(["a"], [[50, 0, 0]]))
    assert path.read_text() == "kept"
    assert os.listdir(tmp_path) == ["out.txt"]
    with pytest.raises(FileError, match="cannot be written"):
        write_measurements(tmp_path / "no" / "out.txt", measurements_from_lab(["a"], [[50, 0, 0]]))


def test_written_file_has_the_usual_rights(tmp_path):
    path, plain = tmp_path / "out.txt", tmp_path / "plain.txt"
    write_measurements(path, measurements_from_lab(["a"], [[50, 0, 0]]))
    plain.write_text("x")
    assert stat.S_IMODE(path.stat().st_mode) == stat.S_IMODE(plain.stat().st_mode)


def test_a_form_that_was_filled_in_is_taken(tmp_path: Path) -> None:
    """The list that `target --for-measuring` writes, with three columns of values added at its end."""
    from colorcheck.__main__ import main
    from colorcheck.sheet.target import load_target

    words = ["target", str(tmp_path), "--name", "teach", "--size", "100x100mm", "--patches", "compact"]
    assert main([*words, "--for-measuring", "--quiet"]) == 0
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        "teach-measure.html",
        "teach-measure.txt",
        "teach.json",
        "teach.png",
    ]
    target = load_target(tmp_path / "teach.json")
    form = (tmp_path / "teach-measure.txt").read_text(encoding="utf-8")
    rng = np.random.default_rng(3)
    grey = target.device_rgb.mean(axis=1) / 2.55
    lab = {i: (g, *rng.uniform(-5, 5, 2)) for i, g in zip(target.ids, grey, strict=True)}
    lines, inside = [], False
    for line in form.replace("NUMBER_OF_FIELDS 6", "NUMBER_OF_FIELDS 9").splitlines():
        inside = (inside or line == "BEGIN_DATA") and line != "END_DATA"
        extra = "\tLAB_L\tLAB_A\tLAB_B" if line.startswith("SAMPLE_ID") else ""
        if inside and "\t" in line:
            extra = "\t" + "\t".join(f"{v:.2f}" for v in lab[line.split("\t")[0]])
        lines.append(line + extra)
    (tmp_path / "filled.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
    back = read_measurements(tmp_path / "filled.txt")
    assert sorted(back.ids) == sorted(target.ids)
    np.testing.assert_allclose(back.lab, [lab[i] for i in back.ids], atol=0.006)
    order = [target.ids.index(i) for i in back.ids]
    np.testing.assert_array_equal(back.device_rgb, target.device_rgb[order])
    rows = np.round(target.centres_mm[order, 1], 1)
    assert (np.diff(rows) >= 0).all()  # by rows, from the top
    sheet = (tmp_path / "teach-measure.html").read_text(encoding="utf-8")
    for said in ("ISO 13655", "M1", "D50", "LAB_L", "teach-measure.txt", "--target teach.json", "no source"):
        assert said in sheet


def test_a_form_without_values_is_refused_in_one_line(tmp_path: Path) -> None:
    from colorcheck.__main__ import main

    words = ["target", str(tmp_path), "--name", "teach", "--size", "100x100mm", "--patches", "compact"]
    assert main([*words, "--for-measuring", "--quiet"]) == 0
    with pytest.raises(DataError, match=r"teach-measure\.txt"):
        read_measurements(tmp_path / "teach-measure.txt")
    assert main([*words, "--for-measuring", "--quiet"]) == 2  # nothing that exists is lost
