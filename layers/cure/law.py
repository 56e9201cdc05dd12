"""The law of the polymerisation, and what the stock's past has done by it."""

from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray
from layers.cure.chemistry import GAS_CONSTANT, KELVIN
from layers.cure.cycle import Cycle
from layers.cure.stock import REFERENCE_CELSIUS, Stock


@dataclass(frozen=True)
class Law:
    """Law of the polymerisation and factors on the heat transfer: what calibration can change.

    Dead-end polymerisation, Tobolsky 1958, J. Am. Chem. Soc. 80, 5927: radicals come from the
    peroxide, r k exp(-D) of them a second, and end in pairs, so that with X the conversion
    dY/dt = kappa (r k exp(-D))^0.5, Y = -ln(1 - X). At one temperature
    Y = 2 kappa (r / k)^0.5 (1 - left^0.5): hot stock uses up its peroxide in short chains, and ends
    with less co-agent polymerised. Numbers from memory.

    Attributes
    ----------
    kappa : float
        At 160 degrees Celsius, (kg/(mol s))^0.5.
    energy_kj_mol : float
        Activation energy of kappa: of propagation less half of termination.
    rate, heat, conductivity, contact : float
        Factors on the peroxides' rate constants, on the heat of polymerisation, on the stock's
        conductivity and on the heat transfer in the press.
    """

    kappa: float = 0.36
    energy_kj_mol: float = 20.0
    rate: float = 1.0
    heat: float = 1.0
    conductivity: float = 1.0
    contact: float = 1.0

    @property
    def energy(self) -> float:
        """Activation energy of kappa over the gas constant, K."""
        return 1e3 * self.energy_kj_mol / GAS_CONSTANT


def doses_before(stock: Stock, cycle: Cycle, law: Law) -> tuple[FloatArray, float]:
    """Return D of each peroxide and Y of the co-agent after what the stock went through before.

    Parameters
    ----------
    stock : Stock
        The compound.
    cycle : Cycle
        Its `before` has the holds.
    law : Law
        Of the polymerisation.
    """
    dose, log = np.zeros(len(stock.rate)), 0.0
    for hold in cycle.before:
        inverse = 1.0 / (hold.celsius + KELVIN) - 1.0 / (REFERENCE_CELSIUS + KELVIN)
        k = law.rate * stock.rate * np.exp(-stock.energy * inverse)
        seconds = 60.0 * hold.minutes
        times, weight = _gauss(seconds, float(k.max()))
        flow = np.exp(-dose[:, None] - k[:, None] * times) * (stock.radicals * k)[:, None]
        kappa = law.kappa * np.exp(-law.energy * inverse)
        log += float(kappa * (weight @ np.sqrt(flow.sum(axis=0))))
        dose = dose + k * seconds
    return dose, log


def _gauss(seconds: float, fastest: float) -> tuple[FloatArray, FloatArray]:
    """Return times and weights to integrate a decay over a hold, however long it is."""
    first = min(seconds, 0.5 / fastest)
    edges = np.concatenate([[0.0], np.geomspace(first, seconds, 24)]) if seconds > 0 else [0.0, 0.0]
    node, weight = np.polynomial.legendre.leggauss(8)
    half = 0.5 * np.diff(edges)
    times = np.asarray(edges)[:-1, None] + half[:, None] * (1.0 + node)
    return times.ravel(), (half[:, None] * weight).ravel()
