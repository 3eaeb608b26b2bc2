"""Compute the shipped saturation tables with CoolProp.

Run from the top of the checkout: ``python tools/make_saturation.py``. It rewrites
``data/loopodds_data/saturation/<refrigerant>.csv``: one row a kelvin from -100 degC to the
critical point, with the slope of the line so that the reader can interpolate by cubics.
"""

from __future__ import annotations

import argparse
import datetime
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

KELVIN = 273.15
LOWEST_C = -100
NEAR_CRITICAL_K = 1e-3
FOLDER = Path(__file__).parent.parent / "data" / "loopodds_data" / "saturation"


@dataclass(frozen=True, slots=True)
class Fluid:
    """What the table of one refrigerant says about itself.

    ``equation_key`` is the key under which CoolProp names the equation of state; the run stops
    when the installed release uses another one, so that ``equation`` is never a wrong claim.
    """

    name: str
    safety_class: str
    equation_key: str
    equation: str


FLUIDS = (
    Fluid(
        "R134a",
        "A1",
        "TillnerRoth-JPCRD-1994",
        "R. Tillner-Roth and H. D. Baehr, J. Phys. Chem. Ref. Data 23 (1994) 657",
    ),
    Fluid(
        "R1234yf",
        "A2L",
        "Lemmon-IJT-2022",
        "E. W. Lemmon and R. Akasaka, Int. J. Thermophys. 43 (2022) 119",
    ),
)


def saturation_rows(state: Any) -> list[tuple[float, float, float]]:
    """Rows of (temperature [degC], pressure [kPa abs], slope [kPa/K]) up to the critical point.

    The analytic slope is 0/0 at the critical point itself, so the last row takes the secant over
    the last millikelvin.
    """
    import CoolProp

    critical_c = state.T_critical() - KELVIN
    rows = []
    for temperature in range(LOWEST_C, math.floor(critical_c) + 1):
        state.update(CoolProp.QT_INPUTS, 0.0, temperature + KELVIN)
        slope = state.first_saturation_deriv(CoolProp.iP, CoolProp.iT)
        rows.append((float(temperature), state.p() / 1e3, slope / 1e3))
    state.update(CoolProp.QT_INPUTS, 0.0, state.T_critical() - NEAR_CRITICAL_K)
    critical_kpa = state.p_critical() / 1e3
    rows.append((critical_c, critical_kpa, (critical_kpa - state.p() / 1e3) / NEAR_CRITICAL_K))
    return rows


def table_text(fluid: Fluid) -> str:
    """The whole CSV file of one refrigerant."""
    import CoolProp
    from CoolProp.CoolProp import get_BibTeXKey

    found = get_BibTeXKey(fluid.name, "EOS")
    if found != fluid.equation_key:
        raise SystemExit(
            f"{fluid.name}: CoolProp {CoolProp.__version__} uses the equation of state {found}, "
            f"this script describes {fluid.equation_key}; correct FLUIDS before shipping"
        )
    state = CoolProp.AbstractState("HEOS", fluid.name)
    head = [
        "# Saturation line of a pure refrigerant, computed, not measured.",
        f"# refrigerant: {fluid.name}",
        f"# safety_class: {fluid.safety_class}",
        f"# molar_mass_g_per_mol: {state.molar_mass() * 1e3:.8g}",
        f"# equation: {fluid.equation}",
        f"# computed_with: CoolProp {CoolProp.__version__}",
        f"# date: {datetime.date.today().isoformat()}",
        "# Pressures are absolute. The last row is the critical point. Safety class: ISO 817.",
        "temperature_c,pressure_kpa,slope_kpa_per_k",
    ]
    body = [f"{t:.10g},{p:.10g},{slope:.8g}" for t, p, slope in saturation_rows(state)]
    return "\n".join(head + body) + "\n"


def main() -> None:
    """Write every table into the folder given on the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--folder", type=Path, default=FOLDER, help="where the CSV files go")
    folder: Path = parser.parse_args().folder
    folder.mkdir(parents=True, exist_ok=True)
    for fluid in FLUIDS:
        path = folder / f"{fluid.name}.csv"
        path.write_text(table_text(fluid), encoding="utf-8")
        print(f"wrote {path.name}")


if __name__ == "__main__":
    main()
