"""The firing that the benchmarks march: carbon steel, 6 x 120 quads, 200 equal steps of a burn."""

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

from tests.wall.walls import AMBIENT, INNER, LENGTH, parameters, surfaces
from wallsim.materials import load_solid
from wallsim.materials.solid import Solid
from wallsim.wall.gas import WallParameters
from wallsim.wall.march import march
from wallsim.wall.mesh import REGION, tube_mesh
from wallsim.wall.model import Surfaces, WallSlope
from wallsim.wall.operators import Wall
from wallsim.wall.schedule import Schedule

THICKNESS, BURN, STEPS = 0.006, 4.0, 200
CELLS = (6, 120)
KNOTS = 6
STATIONS = np.linspace(0.06, 0.94, 8)


@dataclass(frozen=True)
class Firing:
    """A wall, what it exchanges heat with, and where it is observed."""

    wall: Wall
    slope: WallSlope
    solid: Solid
    surfaces: Surfaces
    p: WallParameters
    stations: np.ndarray
    observe: sp.csr_matrix
    outer_radius = INNER + THICKNESS

    @classmethod
    def of(cls, n_r=CELLS[0], n_z=CELLS[1], length=LENGTH):
        solid = load_solid("carbon steel")

        def wall(thickness):
            mesh = tube_mesh(INNER, INNER + thickness, length, n_r, n_z)
            return Wall.of(mesh, {REGION: solid})

        w, step = wall(THICKNESS), 1e-4 * THICKNESS
        slope = WallSlope.between(wall(THICKNESS - step), wall(THICKNESS + step), 2.0 * step)
        p = parameters(KNOTS, log_wall=np.log(THICKNESS),
                       conductivity_tilt=0.0, heat_capacity_tilt=0.0)
        outside = w.faces["outside"]
        near = np.abs(outside.z[:, None] - STATIONS * length).argmin(axis=0)
        stations, nodes = outside.z[near], outside.nodes[near]
        observe = sp.identity(w.size, format="csr")[nodes]
        return cls(w, slope, solid, surfaces(w, n_knots=KNOTS, burn=BURN), p, stations, observe)

    @property
    def active(self):
        """The 25 parameters that matter before shutdown: all but the purge's."""
        slots = self.p.slots()
        columns = np.arange(slots["log_wall"].stop)
        return np.setdiff1d(columns, columns[slots["log_purge"]])

    def march(self, steps=STEPS, end=BURN, sensitivities=False, p=None):
        """March ``steps`` equal steps to ``end`` [s]."""
        schedule = Schedule(np.linspace(0.0, end, steps + 1), np.ones(steps, dtype=bool))
        active = self.active if sensitivities else None
        return march(self.wall, self.surfaces, p or self.p, schedule, self.observe,
                     np.full(self.wall.size, AMBIENT), active, self.slope)
