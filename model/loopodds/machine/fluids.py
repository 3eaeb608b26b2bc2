"""Property grids of a refrigerant for the cycle model: built once from the reference library.

Temperatures in degC, pressures in kPa absolute, enthalpies in kJ/kg, entropies in kJ/(kg K),
densities in kg/m3. Vapour is addressed by its dew temperature and its enthalpy above saturation, so
that every state of the cycle follows from its neighbour without a search. CoolProp (Bell and
others, Ind. Eng. Chem. Res. 53 (2014) 2498, from memory) is needed to build the grids and never
afterwards.
"""

from dataclasses import dataclass
from functools import lru_cache
from importlib import import_module
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loopodds.base.arrays import FloatArray
from loopodds.physics.saturation import Cubic

KELVIN = 273.15
COLDEST_C = -70.0
BELOW_CRITICAL_K = 1.5
"""The grids end here: no car runs nearer to the critical point, its pressure switch sees to it."""

MIXTURE_BELOW_K = 8.0
"""Those of mixtures end below the least critical temperature of their parts by as much more."""

LINE_STEP_K, VAPOUR_STEP_K = 0.25, 1.0
ENTHALPY_STEP, HOTTEST_ENTHALPY = 2.0, 200.0
ENTROPY_STEP, HIGHEST_ENTROPY = 0.005, 0.5
LINE = ("log_pressure", "h_f", "h_g", "rho_f", "rho_g", "s_g", "cp_f")


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """Saturation properties at given temperatures, arrays of one shape."""

    t: FloatArray  # [degC]
    p: FloatArray  # [kPa]
    h_f: FloatArray  # bubble line [kJ/kg]
    h_g: FloatArray  # dew line [kJ/kg]
    rho_f: FloatArray  # [kg/m3]
    rho_g: FloatArray  # [kg/m3]
    s_g: FloatArray  # [kJ/(kg K)]
    cp_f: FloatArray  # of saturated liquid [kJ/(kg K)]


@dataclass(frozen=True, slots=True, eq=False)
class Fluid:
    """Interpolation grids of one refrigerant. Obtain one from `fluid`."""

    name: str
    molar_mass: float  # [g/mol]
    warmest_c: float
    _line: FloatArray  # shape (temperatures, properties of LINE)
    _temperature: FloatArray  # dew temperature at even steps of log pressure
    _log_ends: tuple[float, float]
    _vapour: FloatArray  # shape (dew temperatures * enthalpies, 3)
    _isentrope: FloatArray  # shape (dew temperatures * entropies, 1)

    def line(self, t: FloatArray) -> Line:
        """Saturation properties at temperatures [degC]; outside the grid those of its end."""
        t = np.clip(t, COLDEST_C, self.warmest_c)
        at = (t - COLDEST_C) / LINE_STEP_K
        low = _steps(at, len(self._line) - 2)
        share = (at - low)[..., None]
        row = self._line[low]
        row += share * (self._line[low + 1] - row)
        return Line(t, np.exp(row[..., 0]), *(row[..., i] for i in range(1, len(LINE))))

    def dew_temperature(self, p: FloatArray) -> FloatArray:
        """Saturation temperature [degC] at pressures [kPa]; beyond the grid that of its end."""
        first, last = self._log_ends
        steps = len(self._temperature) - 1
        at = (np.log(np.maximum(p, 1e-3)) - first) * (steps / (last - first))
        at = np.clip(at, 0.0, steps)
        low = _steps(at, steps - 1)
        t = self._temperature[low]
        return np.asarray(t + (at - low) * (self._temperature[low + 1] - t))

    def vapour(self, line: Line, over: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Superheat [K], entropy [kJ/(kg K)] and density [kg/m3] of vapour or wet vapour.

        Args:
            line: Saturation properties at the pressure.
            over: Enthalpy above the dew line [kJ/kg]; below zero the vapour is wet.
        """
        dry = np.maximum(over, 0.0)
        grid = _bilinear(self._vapour, line.t, dry / ENTHALPY_STEP, _points(HOTTEST_ENTHALPY))
        wet = np.minimum(over, 0.0)
        s = line.s_g + grid[..., 1] + wet / (line.t + KELVIN)
        quality = np.maximum(1.0 + wet / (line.h_g - line.h_f), 0.0)
        wet_volume = quality / line.rho_g + (1.0 - quality) / line.rho_f
        return grid[..., 0], s, 1.0 / (wet_volume + (grid[..., 2] - 1.0) / line.rho_g)

    def isentropic(self, line: Line, s: FloatArray) -> FloatArray:
        """Enthalpy above the dew line [kJ/kg] at the pressure of a line and an entropy."""
        over = s - line.s_g
        at = np.maximum(over, 0.0) / ENTROPY_STEP
        dry = _bilinear(self._isentrope, line.t, at, _points(HIGHEST_ENTROPY, ENTROPY_STEP))
        return dry[..., 0] + np.minimum(over, 0.0) * (line.t + KELVIN)

    def thin_pressure(self, t: FloatArray, rho: FloatArray) -> FloatArray:
        """Pressure [kPa] of vapour thinner than saturated: p = rho R T (1 + B rho).

        The second virial coefficient B is set so that the dew line is met: exact at both ends.
        """
        line = self.line(t)
        ideal = 8.314462618 / self.molar_mass * (t + KELVIN)
        virial = (line.p / (line.rho_g * ideal) - 1.0) / line.rho_g
        return ideal * rho * (1.0 + virial * rho)


def _points(end: float, step: float = ENTHALPY_STEP) -> int:
    return round(end / step) + 1


def _steps(at: FloatArray, last: int) -> NDArray[np.int64]:
    """Whole steps of a place on a grid, from 0 to the last; of NaN any, as NaN comes out of it."""
    with np.errstate(invalid="ignore"):
        whole = at.astype(np.int64)
    return np.minimum(np.maximum(whole, 0), last)


def _bilinear(grid: FloatArray, t: FloatArray, at: FloatArray, points: int) -> FloatArray:
    """Rows of a grid over dew temperature and a second axis, its place given in steps."""
    row = (t - COLDEST_C) / VAPOUR_STEP_K
    i, j = _steps(row, len(grid) // points - 2), _steps(at, points - 2)
    u, v = (row - i)[..., None], (at - j)[..., None]
    k = i * points + j
    low, high = grid[k], grid[k + points]
    low = low + v * (grid[k + 1] - low)
    high = high + v * (grid[k + points + 1] - high)
    return np.asarray(low + u * (high - low))


@lru_cache
def fluid(name: str) -> Fluid:
    """Grids of a pure refrigerant, or of a mixture named ``R134a[0.8]&Propane[0.2]`` by moles.

    Of a mixture bubble properties are those of its bubble line and dew properties those of its dew
    line; pressures are bubble pressures.

    Raises:
        ImportError: without CoolProp.
        ValueError: for a name that CoolProp does not know, with its message.
    """
    library: Any = import_module("CoolProp")
    parts, shares = _parts(name)
    if shares:
        return _mixture(name, library, parts, np.array(shares))
    state: Any = library.AbstractState("HEOS", name)
    rows = int((state.T_critical() - KELVIN - BELOW_CRITICAL_K - COLDEST_C) / VAPOUR_STEP_K)
    dew = COLDEST_C + VAPOUR_STEP_K * np.arange(rows + 1)
    line = np.array([_saturated(state, library, t) for t in _temperatures(dew[-1])])
    sheets = [_vapour_row(state, library, t) for t in dew]
    logs = np.linspace(line[0, 0], line[-1, 0], 2001)
    return Fluid(
        name=name,
        molar_mass=state.molar_mass() * 1e3,
        warmest_c=float(dew[-1]),
        _line=line,
        _temperature=_inverse(line, logs),
        _log_ends=(float(logs[0]), float(logs[-1])),
        _vapour=np.concatenate([vapour for vapour, _ in sheets]),
        _isentrope=np.concatenate([isentrope for _, isentrope in sheets])[:, None],
    )


def _mixture(name: str, library: Any, parts: list[str], shares: FloatArray) -> Fluid:
    """A mixture: its saturation line from the library, and of an ideal one where it has no rule.

    Towards the critical point the library fails at some temperatures; from the first of them on the
    ideal line goes on, moved to meet it. Vapour is that of the parts at the temperature of the dew
    line, added by mass (an ideal mixture; crude where they boil far apart): what the library finds
    of superheated mixtures fails near the dew line of many.
    """
    pure = [fluid(part) for part in parts]
    molar = np.array([gas.molar_mass for gas in pure])
    mass = shares * molar / (shares @ molar)
    warmest = min(gas.warmest_c for gas in pure) - MIXTURE_BELOW_K
    temperatures = _temperatures(warmest)
    line = _raoult([gas.line(temperatures) for gas in pure], shares, mass)
    real = np.array(_real(library, parts, shares, temperatures))
    if len(real):
        line = np.concatenate([real, line[len(real) :] + real[-1] - line[len(real) - 1]])
    logs = np.linspace(line[0, 0], line[-1, 0], 2001)
    rows = round((warmest - COLDEST_C) / VAPOUR_STEP_K) + 1

    def added(grid: str, points: int) -> FloatArray:
        grids = [getattr(gas, grid)[: rows * points] for gas in pure]
        return np.asarray(np.tensordot(mass, grids, 1))

    return Fluid(
        name=name,
        molar_mass=float(shares @ molar),
        warmest_c=warmest,
        _line=line,
        _temperature=np.interp(logs, line[:, 0], temperatures),
        _log_ends=(float(logs[0]), float(logs[-1])),
        _vapour=added("_vapour", _points(HOTTEST_ENTHALPY)),
        _isentrope=added("_isentrope", _points(HIGHEST_ENTROPY, ENTROPY_STEP)),
    )


def _real(
    library: Any, parts: list[str], shares: FloatArray, temperatures: FloatArray
) -> list[list[float]]:
    """Rows of the saturation line of a mixture up to the first that the library does not find."""
    rows: list[list[float]] = []
    try:
        state = library.AbstractState("HEOS", "&".join(parts))
        state.set_mole_fractions(shares.tolist())
        for t in temperatures:
            rows.append(_saturated(state, library, t))
    except ValueError:
        pass
    return rows


def _raoult(lines: list[Line], shares: FloatArray, mass: FloatArray) -> FloatArray:
    """Saturation line of an ideal mixture, columns of `LINE`: Raoult's law with ideal vapour.

    Bubble pressure is the sum of x p of the parts; enthalpies and volumes add by mass, the vapour
    of a part filling p_i / p of its own saturated volume.
    """
    p = np.tensordot(shares, [line.p for line in lines], 1)
    added = {of: np.tensordot(mass, [getattr(line, of) for line in lines], 1) for of in LINE[1:]}
    added["rho_f"] = 1.0 / np.tensordot(mass, [1.0 / line.rho_f for line in lines], 1)
    added["rho_g"] = p / np.tensordot(mass, [line.p / line.rho_g for line in lines], 1)
    return np.stack([np.log(p), *added.values()], axis=-1)


def _temperatures(warmest: float) -> FloatArray:
    return np.arange(COLDEST_C, warmest + 0.5 * LINE_STEP_K, LINE_STEP_K)


def _parts(name: str) -> tuple[list[str], list[float]]:
    parts, shares = [], []
    for part in name.split("&"):
        plain, _, share = part.rstrip("]").partition("[")
        parts.append(plain)
        if share:
            shares.append(float(share))
    return parts, shares


def _saturated(state: Any, library: Any, t: float) -> list[float]:
    state.update(library.QT_INPUTS, 0.0, t + KELVIN)
    p, h_f, rho_f, cp_f = state.p(), state.hmass(), state.rhomass(), state.cpmass()
    state.update(library.QT_INPUTS, 1.0, t + KELVIN)
    values = [np.log(p / 1e3), h_f / 1e3, state.hmass() / 1e3, rho_f, state.rhomass()]
    return [*map(float, values), state.smass() / 1e3, cp_f / 1e3]


def _inverse(line: FloatArray, logs: FloatArray) -> FloatArray:
    temperatures = COLDEST_C + LINE_STEP_K * np.arange(len(line), dtype=np.float64)
    slope = np.asarray(np.gradient(temperatures, line[:, 0], edge_order=2), np.float64)
    return Cubic(line[:, 0].copy(), temperatures, slope).value(logs)


def _vapour_row(state: Any, library: Any, t: float) -> tuple[FloatArray, FloatArray]:
    """Superheat, entropy and volume over enthalpy, and enthalpy over entropy, at a dew pressure."""
    state.update(library.QT_INPUTS, 1.0, t + KELVIN)
    p = state.p()
    found = [(0.0, state.hmass(), state.smass(), 1.0 / state.rhomass())]
    state.specify_phase(library.iphase_gas)
    # Steps grow with superheat: near the dew line the heat capacity changes fastest.
    for superheat in 0.02 * np.arange(1, 101) ** 2.0:
        state.update(library.PT_INPUTS, p, t + KELVIN + superheat)
        found.append((superheat, state.hmass(), state.smass(), 1.0 / state.rhomass()))
    state.unspecify_phase()
    superheat, h, s, v = np.array(found).T
    over_h, over_s, kelvin = (h - h[0]) / 1e3, (s - s[0]) / 1e3, t + KELVIN + superheat
    at = np.linspace(0.0, HOTTEST_ENTHALPY, _points(HOTTEST_ENTHALPY))
    columns = (
        Cubic(over_h, superheat, np.gradient(superheat, over_h, edge_order=2)).value(at),
        Cubic(over_h, over_s, 1.0 / kelvin).value(at),
        Cubic(over_h, v / v[0], np.gradient(v / v[0], over_h, edge_order=2)).value(at),
    )
    entropies = np.linspace(0.0, HIGHEST_ENTROPY, _points(HIGHEST_ENTROPY, ENTROPY_STEP))
    return np.stack(columns, axis=-1), Cubic(over_s, over_h, kelvin).value(entropies)
