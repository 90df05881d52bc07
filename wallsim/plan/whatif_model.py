"""The model of a changed firing: a firing of the campaign of the same blend, and what differs.

The gas-side coefficient follows ``h ~ p^n D^-0.2`` at the mixture of the campaign; a metal, a wall
or an outside that is stated anew is taken as exactly so, another metal with the campaign's doubts
about any metal's tables.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wallsim.build import Campaign
from wallsim.case.model import Blend
from wallsim.estimate.run_model import Resolution, RunModel, WallBuilder
from wallsim.estimate.unknowns import log_sd
from wallsim.materials.solid import Solid
from wallsim.plan.draws import Knowledge
from wallsim.plan.ensemble import Ensemble
from wallsim.plan.whatif_file import Change, WhatIf
from wallsim.plan.whatif_measure import Stand
from wallsim.wall.gas import WallParameters
from wallsim.wall.mesh import REGION, tube_mesh
from wallsim.wall.model import Surfaces, WallSlope
from wallsim.wall.operators import Wall
from wallsim.wall.surroundings import OuterWall

Array = NDArray[np.float64]

DIAMETER_EXPONENT = -0.2
METAL_SEED = 11


@dataclass(frozen=True, slots=True, eq=False)
class Base:
    """A firing of the campaign that changes start from.

    Parameters
    ----------
    blend : Blend
    template : WallParameters
    p : Array, shape (n_par, n_draws)
    surfaces : Surfaces
    burn, pressure : float
        [s], absolute at the tap [Pa].
    pressure_share : Array, shape (n_a, 2)
        As in `wallsim.build.Firing`.
    """

    blend: Blend
    template: WallParameters
    p: Array
    surfaces: Surfaces
    burn: float
    pressure: float
    pressure_share: Array


@dataclass(frozen=True, slots=True, eq=False)
class Start:
    """Where all changes start from, at one resolution and number of draws; small to send.

    Parameters
    ----------
    question : WhatIf
        Without its changes.
    wall, slope : Wall, WallSlope or None
        As fired.
    bases : dict of str to Base
        By blend; the first is the campaign's first firing.
    reference_pressure : float
        [Pa].
    stand : Stand or None
        Where it is asked whether the deposit could still be measured.
    untold : tuple of str
        Blends whose R a fit does not tell.
    """

    question: WhatIf
    resolution: Resolution
    wall: Wall
    slope: WallSlope | None
    bases: dict[str, Base]
    reference_pressure: float
    stand: Stand | None = None
    untold: tuple[str, ...] = ()

    @classmethod
    def of(
        cls, question: WhatIf, campaign: Campaign, knowledge: Knowledge, resolution: Resolution,
        X: Array,
    ) -> Start:
        """Return the start of ``question`` with draws ``X`` (m, n_draws) of a firing to come."""
        bases: dict[str, Base] = {}
        for f in campaign.firings:
            if f.blend.name not in bases:
                run = RunModel.of(campaign, f, knowledge.unknowns, resolution)
                p = run.map.constant[:, None] + run.map.matrix @ X
                clean = replace(run.surfaces, gas=replace(run.surfaces.gas, history=None))
                bases[f.blend.name] = Base(f.blend, run.map.parameters, p, clean, f.burn,
                                            f.events.plateau, f.pressure_share)
        wall, slope = WallBuilder(knowledge.unknowns, resolution).at(X[:, 0])
        return cls(replace(question, changes=()), resolution, wall, slope, bases,
                   campaign.reference_pressure, untold=tuple(knowledge.untold))


@dataclass(frozen=True, slots=True, eq=False)
class Tube:
    """A tube to be fired.

    Parameters
    ----------
    solid : Solid
    wall : Wall
    slope : WallSlope or None
        None where the wall is stated anew, so that all draws have the same.
    outer : OuterWall
    """

    solid: Solid
    wall: Wall
    slope: WallSlope | None
    outer: OuterWall

    @classmethod
    def of(cls, task: Start, change: Change) -> Tube:
        """Return the tube of ``change``."""
        tube = task.question.case.tube
        solid, other = task.question.metal_of(change)
        wall, slope = task.wall, task.slope
        if change.wall is not None or change.bore is not None or other:
            wall, slope = _wall(task, change, solid), None
        ambient = tube.outside.ambient
        natural = change.cooling is None and tube.outside.convection is None
        diameter = 2.0 * float(wall.r.max())
        outer = OuterWall.natural(ambient, diameter) if natural else OuterWall.fixed(ambient)
        return cls(solid, wall, slope, outer)


@dataclass(frozen=True, slots=True, eq=False)
class ChangedFiring:
    """The ensemble of one change, to be fired once or several times.

    Parameters
    ----------
    base : Base
    change : Change
    ensemble : Ensemble
    template : WallParameters
    solid : Solid
    slope : WallSlope or None
    pressure : float
        Absolute at the tap [Pa].
    """

    base: Base
    change: Change
    ensemble: Ensemble
    template: WallParameters
    solid: Solid
    slope: WallSlope | None
    pressure: float

    @classmethod
    def each_of(cls, task: Start, changes: Sequence[Change]) -> list[ChangedFiring]:
        """Return the firings of ``changes``; equal tubes are one."""
        tubes: dict[Any, Tube] = {}
        out = []
        for change in changes:
            key = (change.metal, change.bore, change.wall, change.cooling is None)
            if key not in tubes:
                tubes[key] = Tube.of(task, change)
            out.append(cls.of(task, change, tubes[key]))
        return out

    @classmethod
    def of(cls, task: Start, change: Change, tube: Tube) -> ChangedFiring:
        """Return the firing ``change`` of a blend in its ``tube``."""
        base = task.bases[change.blend or next(iter(task.bases))]
        template, p, law = _parameters(task, base, change)
        pressure = change.pressure or base.pressure
        gas = base.surfaces.gas
        basis = gas.resistance_basis if law == gas.law else gas.coefficient_basis
        gas = replace(
            gas, resistance_basis=basis, law=law, pressure_time=np.array([0.0]),
            log_pressure=np.log([pressure / task.reference_pressure]))
        surfaces = Surfaces(gas, tube.outer, base.surfaces.head, base.surfaces.exit)
        ensemble = Ensemble(tube.wall, surfaces, template, p, tube.slope)
        return cls(base, change, ensemble, template, tube.solid, tube.slope, pressure)

    @property
    def burn(self) -> float:
        """[s]."""
        return self.base.burn if self.change.burn is None else self.change.burn

    def firing(self, burn: float, before: float) -> Ensemble:
        """Return the ensemble for a burn of ``burn`` [s] after ``before`` [s] of such burning."""
        gas = replace(self.ensemble.surfaces.gas, burn=burn, deposit_age=before)
        return self.ensemble.with_gas(gas)


def _wall(task: Start, change: Change, solid: Solid) -> Wall:
    tube, n = task.question.case.tube, task.resolution
    inner = 0.5 * (change.bore or tube.bore.value)
    thickness = change.wall or float(np.ptp(task.wall.r))
    mesh = tube_mesh(inner, inner + thickness, tube.length, n.n_r, n.n_z)
    return replace(Wall.of(mesh, {REGION: solid}), mesh=None)


def _parameters(
    task: Start, base: Base, change: Change
) -> tuple[WallParameters, Array, Any]:
    """Return template, parameters of every draw and growth law of the changed firing."""
    template, p, gas = base.template, base.p.copy(), base.surfaces.gas
    slots, tube = template.slots(), task.question.case.tube
    if change.bore is not None:
        p[slots["log_h"]] += DIAMETER_EXPONENT * np.log(change.bore / tube.bore.value)
    if change.cooling is not None:
        p[slots["convection"]] = change.cooling
    if task.question.metal_of(change)[1]:
        _of_any_metal(p, slots, tube)
    law = gas.law
    if change.resistance is not None:
        n = gas.coefficient_basis.shape[1]
        fields = {name: p[s] for name, s in slots.items()}
        fields["log_R"] = np.full((n, p.shape[1]), np.log(change.resistance))
        template = replace(template, log_R=np.zeros(n))
        p = np.concatenate([fields[name] for name in template.slots()])
        law = "linear" if law == "none" else law
    return template, p, law


def _of_any_metal(p: Array, slots: dict[str, slice], tube: Any) -> None:
    """Put the stated doubts about a metal's tables in the place of what a fit found of its own."""
    rng = np.random.default_rng(METAL_SEED)
    n = p.shape[1]
    for name, quantity, log in (
        ("log_conductivity", tube.conductivity_scale, True),
        ("log_heat_capacity", tube.heat_capacity_scale, True),
        ("conductivity_tilt", tube.conductivity_tilt, False),
        ("heat_capacity_tilt", tube.heat_capacity_tilt, False),
    ):
        half = rng.standard_normal(n // 2)
        z = np.concatenate(([0.0], half, -half))[:n]
        mean = np.log(quantity.value) if log else quantity.value
        p[slots[name]] = mean + (log_sd(quantity) if log else quantity.sd) * z
