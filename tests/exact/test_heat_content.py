"""Heat that comes in is heat stored, also where c(T) peaks; and heat that is radiated away."""

import numpy as np
import pytest
from scipy.constants import Stefan_Boltzmann

from tests.exact.bodies import FEEDING, ends, metal, run, slab
from wallsim.materials import load_solid

ZERO = 273.15
THICKNESS, FLUX = 1e-4, 1e4
ENTHALPY = {  # degC: J/kg from 20 degC, the integrals of EN 1993-1-2:2005, 3.4.1.2
    600.0: 335737.818, 735.0: 475427.813, 800.0: 561600.826, 900.0: 632063.843,
    1000.0: 697063.843,
}


@pytest.mark.parametrize("steps", [1, 3, 10, 100])
@pytest.mark.parametrize("celsius", ENTHALPY)
def test_carbon_steel_reaches_the_temperature_of_its_enthalpy(celsius, steps):
    """A sheet of 0.1 mm, its faces 0.02 K apart, in any number of steps across the 735 C peak."""
    steel = load_solid("carbon steel")
    w = slab([0.0, THICKNESS], steel)
    end = ENTHALPY[celsius] * steel.density * THICKNESS / FLUX
    t = np.linspace(0.0, end, steps + 1)
    T = run(w, lambda t, burning: (FEEDING, FLUX / FEEDING), t, [THICKNESS / 2], [0.5],
            T0=ZERO + 20.0, ambient=ZERO + 20.0)
    assert T[-1, 0] - ZERO == pytest.approx(celsius, abs=0.2)


def test_radiation_into_the_cold():
    """A body of one temperature: T^-3 = T0^-3 + 3 eps sigma t/(rho c s)."""
    w, rate = radiator(0.8)
    t = np.linspace(0.0, 400.0, 801)
    T = run(w, lambda t, burning: (0.0, 300.0), t, [0.0], [0.5], p=ends(emissivity=0.8),
            ambient=0.0, T0=1200.0)[:, 0]
    np.testing.assert_allclose(T, (1200.0**-3 + 3.0 * rate * t) ** (-1.0 / 3.0), rtol=2e-5)


def test_radiation_to_surroundings():
    """The implicit solution t(T) with ln and atan (Incropera & DeWitt, section 5.3, from memory).

    Its integral is checked by differentiation: dt/dT = -1/(rate (T^4 - T_a^4)).
    """
    w, rate = radiator(0.8)
    t = np.linspace(0.0, 400.0, 801)
    T = run(w, lambda t, burning: (0.0, 300.0), t, [0.0], [0.5], p=ends(emissivity=0.8),
            ambient=300.0, T0=1200.0)[:, 0]

    def elapsed(T):
        return (np.log((T + 300.0) / (T - 300.0)) + 2.0 * np.arctan(T / 300.0)) / (
            4.0 * rate * 300.0**3)

    np.testing.assert_allclose(elapsed(T) - elapsed(1200.0), t, atol=3e-3)


def radiator(emissivity):
    """Return a sheet that conducts without resistance, and its eps sigma/(rho c s)."""
    w = slab([0.0, 1e-3], metal(1e5, 500.0, 8000.0))
    return w, emissivity * Stefan_Boltzmann / (8000.0 * 500.0 * 1e-3)
