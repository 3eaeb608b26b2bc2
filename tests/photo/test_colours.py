"""Colour arithmetic against published pairs, a colour library and the checks of the scales."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from loopodds.photo import colours

HERE = Path(__file__).parent
PAIRS = HERE / "ciede2000_pairs.csv"
"""The 34 pairs of Sharma, Wu & Dalal (2005), table 1: two colours in CIELAB and their difference,
printed to four decimals."""


@pytest.fixture(scope="module")
def reference() -> dict[str, np.ndarray]:
    """Values of colour-science (its version stands in the file), written by a tool."""
    return json.loads((HERE / "reference.json").read_text(encoding="utf-8"))


def test_the_published_pairs_come_out():
    rows = np.loadtxt(PAIRS, delimiter=",")
    assert rows.shape == (34, 7)
    for one, other in ((rows[:, :3], rows[:, 3:6]), (rows[:, 3:6], rows[:, :3])):
        assert colours.difference(one, other) == pytest.approx(rows[:, 6], abs=1e-4)  # as printed


def test_values_agree_with_a_colour_library(reference):
    xyz = np.array(reference["xyz"])
    for name, white in reference["whites"].items():
        x, y = white
        assert colours.WHITES[name] == pytest.approx((x / y, 1, (1 - x - y) / y), abs=1e-6)
        assert colours.lab(xyz, name) == pytest.approx(np.array(reference["lab"][name]), abs=1e-4)
    lab = np.array(reference["lab"]["D65"])
    apart = colours.difference(lab[:30], lab[30:])
    assert apart == pytest.approx(np.array(reference["delta_e_2000"]), abs=1e-6)
    linear = np.array(reference["linear"])
    assert colours.to_encoded(linear) == pytest.approx(np.array(reference["srgb"]), abs=1e-6)
    rgb = np.array(reference["linear_srgb_of_xyz"])
    assert colours.linear_srgb(xyz) == pytest.approx(rgb, abs=2e-3)  # the library adapts whites


def test_curves_and_matrices_are_undone():
    values = np.linspace(0, 1, 256)
    assert colours.to_encoded(colours.to_linear(values)) == pytest.approx(values, abs=2e-6)
    rgb = np.random.default_rng(1).uniform(0, 1, (50, 3))
    assert colours.linear_srgb(colours.xyz_of_linear(rgb)) == pytest.approx(rgb, abs=1e-12)


def test_spectra_become_the_tristimulus_values_of_a_colour_library(reference):
    made = np.array(reference["spectra"])
    for name, values in reference["xyz_of_spectra"].items():
        assert colours.xyz_of(made, name) == pytest.approx(np.array(values) / 100, abs=1e-6)


def test_water_and_a_grey_of_a_tenth_read_as_the_oil_scale_has_them():
    water = np.array(colours.D1500_WHITE)
    assert colours.oil_scale(water) == pytest.approx(0.25)
    assert colours.oil_scale(water / 10) == pytest.approx(0.25 + 3 * 0.8695)
    # a third of the path shows a third of the density
    assert colours.oil_scale(water * 10 ** (-1 / 3), 32.5 / 3) == pytest.approx(0.25 + 3 * 0.8695)
    clear = np.ones(81)
    assert colours.oil_scale(colours.xyz_of(clear)) == pytest.approx(0.25, abs=2e-3)
