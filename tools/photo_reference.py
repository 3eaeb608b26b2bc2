"""Writes the colour tables and reference values of the photo room, with the library they come from.

Needs colour-science (0.4.7 made the files in the repository), in an environment of its own:
``python tools/photo_reference.py``. It writes ``data/loopodds_data/colour/cie_1931.csv``, which the
library reads, and below ``tests/photo`` the lights and cameras of the renderer and values that the
library must agree with.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import colour
import numpy as np

ROOT = Path(__file__).parents[1]
SHAPE = colour.SpectralShape(380, 780, 5)
LIGHTS = ("A", "D65", "FL2", "FL11", "LED-B1", "LED-B4")
OTHERS = ("D50", "FL7", "FL12", "LED-B2", "LED-B5", "LED-V1")
HELD_OUT = ("FL1", "FL9", "FL10", "LED-B3", "LED-BH1", "LED-V2")
"""Of the second renderer, and of the third, that no number of the library was tuned with."""


def table(path: Path, columns: dict[str, Any], about: str) -> None:
    """One CSV of spectra, with what it is in the first line."""
    waves = SHAPE.wavelengths
    with path.open("w", newline="", encoding="utf-8") as file:
        file.write(f"# {about}; written by tools/photo_reference.py\n")
        rows = csv.writer(file, lineterminator="\n")
        rows.writerow(["nm", *columns])
        for i, wave in enumerate(waves):
            rows.writerow([f"{wave:g}", *(f"{column[i]:.8g}" for column in columns.values())])


def aligned(spectrum: Any) -> Any:
    """Values every 5 nm from 380 to 780 nm, nothing where nothing is published."""
    filled = spectrum.copy().interpolate(colour.SpectralShape(
        spectrum.shape.start, spectrum.shape.end, 5))  # fmt: skip
    ends = {"method": "Constant", "left": 0, "right": 0}
    return filled.extrapolate(SHAPE, extrapolator_kwargs=ends).trim(SHAPE).values


def main() -> None:
    """Write all of them."""
    version = f"colour-science {colour.__version__}"
    observer = aligned(colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"])
    lights = colour.SDS_ILLUMINANTS
    columns = dict(zip(("x", "y", "z"), observer.T, strict=True))
    columns |= {name.lower(): aligned(lights[name]) for name in ("C", "D65")}
    about = f"CIE 1931 2 degree observer, illuminants C and D65, as tabulated in {version}"
    table(ROOT / "data/loopodds_data/colour/cie_1931.csv", columns, about)
    columns = {name: aligned(lights[name]) for name in LIGHTS}
    for number, camera in enumerate(colour.MSDS_CAMERA_SENSITIVITIES.values(), start=1):
        values = np.clip(aligned(camera), 0, None)
        columns |= {f"camera{number}_{c}": v for c, v in zip("rgb", values.T, strict=True)}
    about = f"CIE 15 illuminants; two cameras measured by Darrodi et al. 2015 (NPL); {version}"
    table(ROOT / "tests/photo/lights.csv", columns, about)
    columns = {name: aligned(lights[name]) for name in (*OTHERS, *HELD_OUT)}
    about = f"CIE 15 illuminants of the second and third renderer; {version}"
    table(ROOT / "tests/photo/other_lights.csv", columns, about)
    charts = colour.SDS_COLOURCHECKERS["cc_ohta"]
    patches = {f"p{n}": aligned(s) for n, s in enumerate(charts.values())}
    about = f"24 reflectances of a chart of painted fields (Ohta 1997), as tabulated in {version}"
    table(ROOT / "tests/photo/reflectances.csv", patches, about)
    rng = np.random.default_rng(5)
    xyz = rng.uniform(0, 1, (60, 3))
    whites = {
        n: colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"][n] for n in ["C", "D65"]
    }
    lab = {n: colour.XYZ_to_Lab(xyz, w) for n, w in whites.items()}
    linear = np.linspace(-0.01, 1, 41)
    spectra = np.exp(-rng.uniform(0, 2, (20, 1)) * np.linspace(3, 0, len(SHAPE.wavelengths)) ** 1.5)
    of_light = {
        n: [colour.sd_to_XYZ(colour.SpectralDistribution(s, SHAPE), illuminant=lights[n].copy(
            ).align(SHAPE), cmfs=colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy(
            ).align(SHAPE), method="Integration") for s in spectra]
        for n in whites
    }  # fmt: skip
    content = {
        "made_by": version,
        "xyz": xyz, "whites": whites, "lab": lab,
        "delta_e_2000": colour.delta_E(lab["D65"][:30], lab["D65"][30:], method="CIE 2000"),
        "linear": linear, "srgb": colour.cctf_encoding(linear, function="sRGB"),
        "linear_srgb_of_xyz": colour.XYZ_to_sRGB(xyz, apply_cctf_encoding=False),
        "spectra": spectra, "xyz_of_spectra": of_light,
    }  # fmt: skip
    path = ROOT / "tests/photo/reference.json"
    path.write_text(json.dumps(content, default=lambda a: np.round(a, 10).tolist()) + "\n")


if __name__ == "__main__":
    main()
