"""Bodies and faces of the textbook problems, in terms of the wall model.

A plane body is the difference of two tubes whose radii differ by 1 m: every weight ``2 pi r`` is
linear in ``r``, so what is left is exactly a slab, ``2 pi`` m wide. A prescribed temperature is a
conductance of ``FIXING``: the surface misses it by flux/FIXING, under 1e-5 K at 10 MW/m^2. A
prescribed flux is a conductance of ``FEEDING`` to a gas of flux/FEEDING: the flux is off by
FEEDING times the temperature, under 1e-3 W/m^2 at 1000 K.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from skfem import MeshQuad

from tests.wall.walls import parameters
from wallsim.materials.solid import Solid, Table
from wallsim.wall.gas import Exchange
from wallsim.wall.march import march
from wallsim.wall.mesh import REGION
from wallsim.wall.model import Surfaces
from wallsim.wall.operators import Wall
from wallsim.wall.schedule import Schedule
from wallsim.wall.surroundings import OuterWall

FIXING = 1e12
FEEDING = 1e-6


@dataclass(frozen=True)
class Bore:
    """A bore whose coefficient and gas temperature are given functions of time."""

    given: Callable[[float, bool], tuple[np.ndarray, np.ndarray]]
    nodes: int

    def at(self, p):
        return self

    def exchange(self, t, burning):
        U, T_inf = (np.broadcast_to(a, self.nodes).astype(float) for a in self.given(t, burning))
        return Exchange(U, T_inf, U)


def metal(k, c, density, span=(1.0, 4000.0), points=2):
    """A metal whose k and c are numbers or functions of temperature [K]."""
    T = np.linspace(*span, points)

    def table(name, y):
        return Table(name, T, np.asarray(y(T) if callable(y) else np.full(points, y), dtype=float))

    return Solid("textbook metal", density, table("k", k), table("c", c), {}, None, {})


def tube(r, z, solid):
    """A tube with cells between radii ``r`` and between ``z`` [m]."""
    mesh = MeshQuad.init_tensor(np.asarray(r, dtype=float), np.asarray(z, dtype=float))
    small = 1e-6 * min(np.ptp(r), np.ptp(z))
    mesh = mesh.with_boundaries({
        "bore": lambda q: np.abs(q[0] - r[0]) < small,
        "outside": lambda q: np.abs(q[0] - r[-1]) < small,
        "head": lambda q: np.abs(q[1] - z[0]) < small,
        "exit": lambda q: np.abs(q[1] - z[-1]) < small,
    }).with_subdomains({REGION: np.arange(mesh.nelements)})
    return Wall.of(mesh, {REGION: solid})


def slab(x, solid, y=(0.0, 1.0)):
    """A plane body with cells between ``x`` (from the bore) and between ``y`` (from the head)."""
    near, far = tube(x, y, solid), tube(np.asarray(x) + 1.0, y, solid)
    a, b = near.regions[0], far.regions[0]
    region = replace(a, volume=b.volume - a.volume, laplacian=(b.laplacian - a.laplacian).tocsr())
    faces = {name: replace(f, area=far.faces[name].area - f.area)
             for name, f in near.faces.items()}
    band = None if near.band is None else far.band - near.band
    return replace(near, regions=(region,), faces=faces, band=band)


def ends(head=None, exit=None, outside=None, emissivity=0.0):
    """March parameters with given conductances [W/(m^2 K)]; insulated where None."""
    logs = [-80.0 if h is None else float(np.log(h)) for h in (head, exit)]
    return parameters(
        1, "none", log_head=logs[0], log_exit=logs[1], convection=outside or 0.0,
        emissivity=emissivity, conductivity_tilt=0.0, heat_capacity_tilt=0.0,
    )


def run(wall, bore, t, r, z, *, p=None, ambient=300.0, head=300.0, exit=300.0, T0=300.0,
        burning=None):
    """Return temperatures [K] at the step ends ``t``, shape (n_t, n_points).

    The points are at radii ``r`` (for a slab, distances from the bore) and ``z`` [m].
    """
    s = Surfaces(Bore(bore, wall.faces["bore"].nodes.size), OuterWall.fixed(ambient), head, exit)
    flags = np.ones(len(t) - 1, dtype=bool) if burning is None else burning
    start = np.broadcast_to(T0, wall.size).astype(float)
    observe = wall.probe(np.asarray(r, dtype=float), np.asarray(z, dtype=float))
    return march(wall, s, p or ends(), Schedule(np.asarray(t), flags), observe, start).y[::2]


def settle(wall, bore, r, z, **faces):
    """Return the steady temperatures [K] at points (r, z)."""
    t = np.concatenate(([0.0], np.geomspace(1e-2, 1e10, 60)))
    return run(wall, bore, t, r, z, **faces)[-1]


def graded(marks, steps):
    """Return step ends from 0 through every mark, as dense in log time as ``steps`` a mark says.

    Before the first mark they grow from 1e-5 of it, which is then how late a jump at 0 comes.
    """
    marks = np.asarray(marks, dtype=float)
    lower = np.concatenate(([1e-5 * marks[0]], marks[:-1]))
    counts = [5 * steps, *[steps] * (marks.size - 1)]
    spans = zip(lower, marks, counts, strict=True)
    pieces = [np.geomspace(a, b, n + 1)[1:] for a, b, n in spans]
    return np.concatenate(([0.0, lower[0]], *pieces))
