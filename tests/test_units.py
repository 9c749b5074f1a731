import subprocess
import sys

import pint
import pytest

from pooleye import units
from pooleye.errors import UsageError


@pytest.mark.parametrize(
    ("text", "length_mm"),
    [
        ("76", 76.0),
        ("76mm", 76.0),
        (" 76.5 MM ", 76.5),
        ("76,5", 76.5),
        (".5cm", 5.0),
        ("7.6 cm", 76.0),
        ("3in", 76.2),  # 3 in = 76.2 mm exactly: international inch, 1959
        ('3"', 76.2),
        ("3 inches", 76.2),
        ("2 5/8 in", 66.675),
        ("2-5/8in", 66.675),
        ("2⅝ in", 66.675),
        ("1/2 in", 12.7),
        ("½in", 12.7),
        ("0.25 ft", 76.2),
        ("0.076 m", 76.0),
    ],
)
def test_lengths_as_makers_write_them(text, length_mm):
    assert units.parse_length_mm(text) == pytest.approx(length_mm, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "mass_g"),
    # avoirdupois pound 453.59237 g exactly, 16 ounces to it: NIST SP 811, appendix B
    [("210", 210.0), ("210 g", 210.0), ("0.21kg", 210.0), ("1 lb", 453.59237), ("2.6oz", 2.6 * 28.349523125)],
)
def test_masses_as_makers_write_them(text, mass_g):
    assert units.parse_mass_g(text) == pytest.approx(mass_g, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "celsius"),
    # fixed points: water freezes at 32 °F = 0 °C, the scales meet at -40; 140 °F = 60 °C
    [("140F", 60.0), ("32 °F", 0.0), ("-40F", -40.0), ("60 C", 60.0), ("60°C", 60.0), ("333.15K", 60.0)],
)
def test_temperatures_as_makers_write_them(text, celsius):
    assert units.parse_temperature_c(text) == pytest.approx(celsius, abs=1e-9)


@pytest.mark.parametrize(("table", "base"), [(units.LENGTH_UNITS_MM, "mm"), (units.MASS_UNITS_G, "g")])
def test_the_small_tables_agree_with_pint(table, base):
    """Reference: pint's own unit definitions, for every spelling that pint knows too."""
    registry = pint.UnitRegistry()
    compared = 0
    for spelling, factor in table.items():
        # "kilos" is kilograms to a maker and kiloseconds to pint
        if spelling.isalpha() and spelling != "kilos" and spelling in registry:
            assert registry.Quantity(1.0, spelling).to(base).magnitude == pytest.approx(factor, rel=1e-12), spelling
            compared += 1
    assert compared >= 8


def test_fahrenheit_agrees_with_pint():
    registry = pint.UnitRegistry()
    for fahrenheit in (-40.0, 0.0, 77.0, 140.0, 451.0):
        reference = registry.Quantity(fahrenheit, "degF").to("degC").magnitude
        assert units.parse_temperature_c(f"{fahrenheit}F") == pytest.approx(reference, abs=1e-9)


NO_LENGTHS = (
    *("", "round", "nan", "inf", "0", "0in", "-3in", "−76", "3'", "1,000mm", "3 parsnips", "3 kg", "1e9mm", "1/0 in"),
    "7" * 400,
)


def test_a_length_that_is_none_is_refused_in_a_makers_words(approved):
    texts = []
    for text in NO_LENGTHS:
        with pytest.raises(UsageError) as refused:
            units.parse_length_mm(text, "inner rim diameter")
        texts.append(refused.value.rendered())
    approved("lengths", "\n\n".join(texts) + "\n")


@pytest.mark.parametrize("text", ["7.4 fl oz", "3mm", "0g", "*10**10**10 g"])
def test_a_mass_that_is_none_is_refused(text):
    with pytest.raises(UsageError, match="mass: "):
        units.parse_mass_g(text)


@pytest.mark.parametrize("text", ["60", "5 m", "-300C", "warm"])
def test_a_temperature_that_is_none_or_could_be_two_is_refused(text):
    with pytest.raises(UsageError, match="temperature: "):
        units.parse_temperature_c(text)


def test_lengths_are_written_in_the_unit_that_was_chosen():
    assert units.format_length(76.2) == "76.2 mm"
    assert units.format_length(76.2, "in") == "3.00 in"


def test_plain_lengths_do_not_load_pint():
    code = "import sys, pooleye.units as u; u.parse_length_mm('2 5/8 in'); assert 'pint' not in sys.modules"
    subprocess.run([sys.executable, "-c", code], check=True)
