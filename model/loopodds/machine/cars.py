"""What the cycle model is told: cars, conditions and faults, as arrays of one shape."""

from dataclasses import dataclass, fields, replace
from typing import Self, TypeVar

import numpy as np
from numpy.typing import NDArray

from loopodds.base.arrays import BoolArray, FloatArray, IntArray

B = TypeVar("B", bound="Batch")


@dataclass(frozen=True)
class Batch:
    """Arrays of one shape (n,), a row for each car."""

    def take(self, rows: IntArray | BoolArray) -> Self:
        """The same for some of the rows."""
        return replace(self, **{f.name: getattr(self, f.name)[rows] for f in fields(self)})

    def __len__(self) -> int:
        return len(getattr(self, fields(self)[0].name))


def stack(parts: list[B]) -> B:
    """Batches of one type, one behind the other."""
    names = [f.name for f in fields(parts[0])]
    joined = {name: np.concatenate([getattr(part, name) for part in parts]) for name in names}
    return replace(parts[0], **joined)


@dataclass(frozen=True)
class Cars(Batch):
    """Sizes and set points. `draw_cars` draws sound populations of them."""

    refrigerant: NDArray[np.str_]  # what is in it, as `fluid` knows it
    made_for: NDArray[np.str_]  # what valve and pressure controls are set for; else as above
    charge_kg: FloatArray  # what the label says; `nominal_charge` finds it
    # Compressor: FIXED, VARIABLE or ELECTRIC of `machines`
    compressor: IntArray
    displacement_m3: FloatArray  # per revolution
    pulley: FloatArray  # its revolutions per one of the engine
    full_speed: FloatArray  # of an electric one [rev/s]
    best_volumetric: FloatArray
    clearance: FloatArray
    best_isentropic: FloatArray
    shell_loss: FloatArray  # share of the work that leaves through the shell
    set_c: FloatArray  # where the control asks for next to nothing [degC]
    band_k: FloatArray  # from there to the full share
    senses_fin: BoolArray  # thermostat at the fin, else by the low side
    cut_in_k: FloatArray  # above the cut-out, of a clutch that cycles
    shut_off_kpa: FloatArray  # high-pressure switch
    # Condenser
    condenser_ua: FloatArray  # two-phase, at full air [kW/K]
    condenser_air: FloatArray  # at full fan [kg/s]
    fan_low: FloatArray  # share of the air at the low stage
    fan_kpa: FloatArray  # high side at which the fan goes to its high stage
    fan_with_engine: FloatArray  # exponent of airflow with engine speed against 1500 per minute
    condenser_volume: FloatArray  # [m3]
    subcooling_share: FloatArray  # of the area, behind the receiver
    receiver_volume: FloatArray  # [m3], nought where an accumulator is fitted
    # Liquid line and metering
    line_area: FloatArray  # least free area [m2]
    metering_area: FloatArray  # of the orifice, or of the valve fully open [m2]
    orifice: BoolArray
    static_k: FloatArray  # superheat at which the valve begins to open
    to_full_k: FloatArray  # from there to fully open
    limit_c: FloatArray  # evaporating temperature above which it holds back (MOP)
    exchanger: FloatArray  # effectiveness of the internal heat exchanger, nought without
    # Evaporator and low side
    evaporator_ua_air: FloatArray  # at full blower [kW/K]
    evaporator_ua_ref: FloatArray
    blower_air: FloatArray  # at full blower [kg/s]
    evaporator_volume: FloatArray
    accumulator_volume: FloatArray
    liquid_volume: FloatArray  # of the lines [m3]
    suction_volume: FloatArray
    discharge_volume: FloatArray
    suction_drop: FloatArray  # dp = k m^2 / rho [kPa kg/m3 / (kg/s)^2]
    suction_ua: FloatArray  # to the engine bay [kW/K]
    oil_kg: FloatArray
    # Cabin
    cabin_ua: FloatArray  # doors shut [kW/K]
    duct_gain_k: FloatArray


def refilled(cars: Cars, refrigerant: str) -> Cars:
    """The same cars with another refrigerant in them; controls stay set for their own."""
    return replace(cars, refrigerant=np.full(len(cars), refrigerant))


def heat_soak_kw(ambient_c: FloatArray) -> FloatArray:
    """What a cabin that stood in the weather gives off during the ten minutes of a test [kW].

    Estimate: more in the heat, so that vents read as published tables of tests in the shade say.
    """
    return 0.5 + 0.12 * np.maximum(ambient_c - 15.0, 0.0)


@dataclass(frozen=True)
class Conditions(Batch):
    """Weather and settings of the running test."""

    ambient_c: FloatArray
    humidity_pct: FloatArray  # relative
    engine_rpm: FloatArray
    blower: FloatArray  # share of full air
    recirculation: FloatArray  # share of the air that comes from the cabin
    doors_open: FloatArray  # 0 shut, 1 open
    cabin_load_kw: FloatArray  # sun and people
    condenser_rise_k: FloatArray  # air at the condenser above ambient
    altitude_m: FloatArray

    @classmethod
    def workshop(cls, ambient_c: FloatArray, **others: float | FloatArray) -> Self:
        """The usual test: 1500 per minute, high blower, recirculation, doors open, shade."""
        usual: dict[str, float | FloatArray] = {
            "humidity_pct": 50.0,
            "engine_rpm": 1500.0,
            "blower": 1.0,
            "recirculation": 1.0,
            "doors_open": 1.0,
            "cabin_load_kw": 0.2,
            "condenser_rise_k": 2.0,
            "altitude_m": 0.0,
        }
        usual.update(others)
        ambient_c = np.atleast_1d(np.asarray(ambient_c, float))
        arrays = {k: np.broadcast_to(v, ambient_c.shape).astype(float) for k, v in usual.items()}
        return cls(ambient_c=ambient_c, **arrays)


@dataclass(frozen=True)
class Faults(Batch):
    """Physical sizes of faults. `Faults.none` is a sound loop."""

    charge: FloatArray  # share of the nominal charge
    air: FloatArray  # mass of air as a share of the nominal charge
    condenser_air: FloatArray  # share of the sound airflow
    condenser_blocked: FloatArray  # share of the tubes that hold standing liquid
    line_closed: FloatArray  # share of the free area of the liquid line
    metering_free: FloatArray  # share of the orifice or valve that is not plugged
    valve_stuck: FloatArray  # opening at which the valve is stuck; NaN: it works
    pumping: FloatArray  # share of the flow that the compressor still delivers
    pumping_leak: FloatArray  # 1: the rest leaks back hot; 0: it never was drawn in (slip)
    evaporator_air: FloatArray  # share of the sound airflow
    control_failed: BoolArray  # nothing stops or slows the compressor
    mixing: FloatArray  # share of the vent air that comes off the heater

    @classmethod
    def none(cls, n: int, **others: float | FloatArray) -> Self:
        """Sound loops, save for what is named."""
        free = ("air", "condenser_blocked", "line_closed", "mixing", "control_failed")
        whole = ("charge", "condenser_air", "metering_free", "pumping", "evaporator_air")
        sound: dict[str, float | FloatArray] = {"valve_stuck": np.nan, "pumping_leak": 1.0}
        sound.update(dict.fromkeys(free, 0.0), **dict.fromkeys(whole, 1.0))
        sound.update(others)
        arrays = {k: np.broadcast_to(v, n).astype(float) for k, v in sound.items()}
        arrays["control_failed"] = arrays["control_failed"].astype(bool)
        return cls(**arrays)
