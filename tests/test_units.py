import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from colorcheck.ground import units
from colorcheck.ground.errors import UsageError
from colorcheck.ground.units import (
    format_seconds,
    format_temperature,
    parse_length,
    parse_seconds,
    parse_size,
    parse_temperature,
)


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("200", 200),
        ("200mm", 200),
        (" 200 MM ", 200),
        ("20cm", 200),
        ("0.2 m", 200),
        ("8in", 203.2),
        ("8 inches", 203.2),
        ('7.9"', 200.66),
        ("7.9″", 200.66),
        ("7,9in", 200.66),
        ("1/4in", 6.35),  # a quarter inch is 6.35 mm
        ('1/4"', 6.35),
        ("1/2in", 12.7),  # the trimmed border
        ("8 1/2 in", 215.9),
        ('8-1/2"', 215.9),
        (".5in", 12.7),
        ("0,125in", 3.175),
    ],
)
def test_lengths(text, mm):
    assert parse_length(text) == pytest.approx(mm, rel=1e-12)


def test_exact_factors():
    # NIST SP 811 (2008), appendix B.8: inch = 2.54 E-02 m (exact); t/°C = (t/°F - 32)/1.8 (exact)
    assert units.MM_PER_INCH == 25.4
    assert units.fahrenheit_to_celsius(32) == 0
    assert units.fahrenheit_to_celsius(212) == pytest.approx(100, abs=1e-12)
    assert units.celsius_to_fahrenheit(-40) == pytest.approx(-40, abs=1e-12)


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "nan",
        "inf",
        "-5",
        "-5mm",
        "0",
        "0mm",
        "0.0in",
        "1e3",
        "1e400",
        "9" * 400,
        "mm",
        "20 cm mm",
        "8ft",
        "8'",
        "1/0in",
        "1/",
        "1,000",
        "1.2.3",
        "２００",
        "200\x00mm",
        "5001mm",
        "0.001mm",
        "two",
        "200mm; rm",
        "+5",
        "0x10",
        "5_0",
    ],
)
def test_bad_lengths(text):
    with pytest.raises(UsageError, match=r"length|size|unit") as caught:
        parse_length(text)
    assert "\n" not in caught.value.message
    assert len(caught.value.message) < 200


@pytest.mark.parametrize(
    ("text", "size"),
    [
        ("200x200mm", (200, 200)),
        ("20x30cm", (200, 300)),
        ("8x10in", (203.2, 254)),
        ("200mm", (200, 200)),
        ("200", (200, 200)),
        ("200x300", (200, 300)),
        ("200 × 300 mm", (200, 300)),
        ("200*300", (200, 300)),
        ("20 by 30 cm", (200, 300)),
        ('8"x10"', (203.2, 254)),
        ("8in x 10", (203.2, 254)),
        ("20cm x 300mm", (200, 300)),
        ("7.9X9.8in", (200.66, 248.92)),
        ("12in", (304.8, 304.8)),
    ],
)
def test_sizes(text, size):
    assert parse_size(text) == pytest.approx(size, rel=1e-12)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "x",
        "200x",
        "x200",
        "200x200x4",
        "0x200",
        "-1x5",
        "nanxnan",
        "200xinf",
        "99999x2",
        "20xx30",
        "200;300",
        "a4",
    ],
)
def test_bad_sizes(text):
    with pytest.raises(UsageError, match=r"size|length"):
        parse_size(text)


@pytest.mark.parametrize(
    ("text", "celsius", "within"),
    [
        ("200", 200, 1e-9),
        ("200C", 200, 1e-9),
        ("200 °C", 200, 1e-9),
        ("200 deg C", 200, 1e-9),
        ("392F", 200, 1e-9),
        ("392 °f", 200, 1e-9),
        ("182,5", 182.5, 1e-9),
        # the trade's pairs, to a whole degree (common practice, no source; the factor is exact)
        ("400F", 204, 0.5),
        ("385F", 196, 0.5),
        ("360F", 182, 0.5),
        ("380F", 193, 0.5),
        ("420F", 216, 0.5),
    ],
)
def test_temperatures(text, celsius, within):
    assert parse_temperature(text) == pytest.approx(celsius, abs=within)


@pytest.mark.parametrize(("celsius", "fahrenheit"), [(204, "400"), (196, "385"), (182, "360")])
def test_trade_pairs_read_the_other_way(celsius, fahrenheit):
    assert abs(round(units.celsius_to_fahrenheit(celsius)) - int(fahrenheit)) <= 1  # 204 °C is 399.2 °F


def test_fahrenheit_without_its_unit_is_noticed():
    with pytest.raises(UsageError, match="write 400F"):
        parse_temperature("400")


@pytest.mark.parametrize(
    "text",
    ["", "nan", "inf", "-20", "-20C", "0", "0C", "32F", "473K", "900F", "1e2", "hot", "200CC", "9" * 400],
)
def test_bad_temperatures(text):
    with pytest.raises(UsageError, match="temperature"):
        parse_temperature(text)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("60", 60),
        ("90s", 90),
        ("90 sec", 90),
        ("1:30", 90),
        ("01:05", 65),
        ("1m30", 90),
        ("1m30s", 90),
        ("1 min 30 s", 90),
        ("1'30\"", 90),
        ("2min", 120),
        ("1.5 min", 90),
        ("0:45", 45),
        ("7.5s", 7.5),
        ("6 minutes", 360),
    ],
)
def test_times(text, seconds):
    assert parse_seconds(text) == pytest.approx(seconds, rel=1e-12)


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "0",
        "0:00",
        "-5",
        "nan",
        "inf",
        "1:75",
        "1:5",
        "1:2:3",
        ":30",
        "1m75",
        "1.5m30",
        "2h",
        "m",
        "s",
        "9999",
        "1e2",
        "200min",
        "9" * 400,
    ],
)
def test_bad_times(text):
    with pytest.raises(UsageError, match="time"):
        parse_seconds(text)


@given(st.text(max_size=20))
def test_anything_typed_gives_a_number_or_one_line(text):
    for parse in (parse_length, parse_size, parse_temperature, parse_seconds):
        value = attempt(parse, text)
        numbers = value if isinstance(value, tuple) else (value,)
        assert all(math.isfinite(v) and v > 0 for v in numbers)


def attempt(parse, text):
    """What the parser gives, or 1 when it refuses in one line."""
    try:
        return parse(text)
    except UsageError as error:
        return 1.0 if error.message and "\n" not in error.message else math.nan


@given(st.floats(1, 255))
def test_temperatures_round_trip(celsius):
    assert parse_temperature(format_temperature(celsius)) == pytest.approx(celsius, abs=0.5 + 1e-9)


@given(st.floats(0.6, 7199))
def test_times_round_trip(seconds):
    assert parse_seconds(format_seconds(seconds)) == pytest.approx(seconds, abs=0.5)


def test_what_people_see():
    assert format_temperature(200) == "200 °C"
    assert [format_seconds(s) for s in (45, 90, 119.6, 190)] == ["45 s", "90 s", "2:00", "3:10"]
