"""Voltage along the branches of a network that feeds loads of constant power by direct current; arrays alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geotools.errors import NumericInputError
from geotools.site.routes import OHM_PER_KM
from geotools.steps.routes.network import CableNetwork

__all__ = ["Voltages", "ohm_per_m", "voltages"]

Floats = npt.NDArray[np.float64]
#: Change of copper's resistance a kelvin, at 20 °C (IEC 60228:2004 annex on correction, from memory).
_PER_KELVIN = 0.00393
_ROUNDS, _CLOSE = 20_000, 1e-10


def ohm_per_m(cross_section_mm2: float, temperature_c: float) -> float:
    """Resistance of one metre of one conductor, ohm.

    Parameters
    ----------
    cross_section_mm2 : float
        Nominal, one of `OHM_PER_KM`.
    temperature_c : float
        Of the conductor.
    """
    if cross_section_mm2 not in OHM_PER_KM:
        raise NumericInputError(
            "Unknown cross-section of a conductor",
            where="cross_section_mm2",
            found=cross_section_mm2,
            expected=", ".join(f"{one:g}" for one in OHM_PER_KM),
        )
    return OHM_PER_KM[cross_section_mm2] / 1000.0 * (1.0 + _PER_KELVIN * (temperature_c - 20.0))


@dataclass(frozen=True)
class Voltages:
    """Per branch: current, A; drop along it, V; voltage at its end, V. NaN where the cable cannot carry the power."""

    current: Floats
    drop: Floats
    end: Floats


def voltages(
    network: CableNetwork, cable_m: Sequence[float], power_w: Sequence[float], volt: float, ohm_m: float
) -> Voltages:
    """Voltages in the state that a source switched on reaches, all loads drawing their full power.

    A load of constant power draws the more current the lower its voltage is. From the source's voltage on, currents and
    voltages are worked out by turns, which falls to the higher of the two solutions; where there is none the voltage
    falls through zero, and every branch of that source is NaN.

    Parameters
    ----------
    network : CableNetwork
        Branches.
    cable_m : sequence of float
        Length of the power cable along each, m; current flows there and back.
    power_w : sequence of float
        Power taken at the end of each, W.
    volt : float
        At the sources, V.
    ohm_m : float
        Resistance of one metre of one conductor, ohm.
    """
    branches = network.branches
    ohm = 2.0 * ohm_m * np.asarray(cable_m, float)
    power = np.asarray(power_w, float)
    group = np.array([b.source for b in branches])
    end = np.full(len(branches), float(volt))
    dead = np.zeros(len(branches), bool)
    current = np.zeros(len(branches))
    for _ in range(_ROUNDS):
        current = network.sums(np.where(dead, 0.0, power / np.where(dead, 1.0, end)))
        drop = ohm * current
        new = np.empty_like(end)
        for k, branch in enumerate(branches):
            new[k] = (volt if branch.parent < 0 else new[branch.parent]) - drop[k]
        for source in set(group[(new <= 0.0) & ~dead].tolist()):
            dead |= group == source
        new[dead] = 1.0
        change = np.abs(new - end)[~dead].max(initial=0.0)
        end = new
        if change < _CLOSE:
            break
    else:
        # where it creeps on for so long, it is at the very edge of what the cable carries: no supply to rely on
        dead[:] = True
    return Voltages(*(np.where(dead, np.nan, values) for values in (current, ohm * current, end)))
