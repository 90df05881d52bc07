"""Small walls and surfaces for the tests."""

import numpy as np

from wallsim.materials.solid import Solid, Table
from wallsim.wall.gas import GasSide, WallParameters
from wallsim.wall.mesh import REGION, tube_mesh
from wallsim.wall.model import Surfaces
from wallsim.wall.operators import Wall
from wallsim.wall.surroundings import OuterWall

INNER, LENGTH, AMBIENT = 0.019, 0.45, 288.0


def solid(k=(54.0, -0.0333), c=(440.0, 0.4), density=7850.0):
    """A metal with k and c linear in temperature above 273 K."""
    T = np.linspace(200.0, 2600.0, 241)
    conductivity = Table("k", T, k[0] + k[1] * (T - 273.0))
    return Solid(
        "test metal", density, conductivity, Table("c", T, c[0] + c[1] * (T - 273.0)), {}, None, {}
    )


def wall(thickness=0.005, n_r=3, n_z=20, metal=None, inner=INNER, length=LENGTH):
    mesh = tube_mesh(inner, inner + thickness, length, n_r, n_z)
    return Wall.of(mesh, {REGION: metal or solid()})


def surfaces(w, *, n_knots=4, law="saturating", burn=3.5, share=None, ambient=AMBIENT):
    z = w.faces["bore"].z
    knots = np.linspace(0.0, w.length, n_knots)
    basis = np.array([np.interp(z, knots, unit) for unit in np.eye(n_knots)]).T
    empty = np.zeros((z.size, 0))
    gas = GasSide(
        basis, empty if law == "none" else basis, np.ones(z.size) if share is None else share,
        ambient, burn, np.array([0.0, 1.0, 3.5]), np.log([1.0, 1.05, 1.0]),
        np.array([0.0, 2.0, 6.0]), law, burn,
    )
    return Surfaces(gas, OuterWall.natural(ambient, 0.048), ambient, ambient)


def parameters(n_knots=4, law="saturating", **changes):
    fields = {
        "log_h": np.log(np.linspace(2000.0, 1400.0, n_knots)),
        "pressure_exponent": 0.8,
        "log_rise": np.log(2450.0 - AMBIENT),
        "log_ramp": np.log(0.1),
        "log_purge": np.log([80.0, 50.0, 20.0]),
        "log_R": np.log(np.full(0 if law == "none" else n_knots, 1e-4)),
        "growth_shape": np.array([0.7, np.log(0.7)]),
        "emissivity": 0.8,
        "convection": 1.0,
        "log_head": np.log(300.0),
        "log_exit": np.log(15.0),
        "log_conductivity": 0.0,
        "log_heat_capacity": 0.0,
        "conductivity_tilt": 0.01,
        "heat_capacity_tilt": 0.02,
        "log_wall": np.log(0.005),
    }
    return WallParameters(**(fields | changes))


def insulated(n_knots=1, h=1000.0, rise=1000.0):
    """Bare bore, everything else insulated, gas temperature there from the start."""
    return parameters(
        n_knots, "none", log_h=np.log(np.full(n_knots, h)), pressure_exponent=0.0,
        log_rise=np.log(rise), log_ramp=np.log(1e-9), emissivity=0.0, convection=0.0,
        log_head=-50.0, log_exit=-50.0, conductivity_tilt=0.0, heat_capacity_tilt=0.0,
    )
