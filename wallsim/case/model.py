"""What a case file says, in SI: frozen, complete (defaults filled in), free of file syntax.

A `Quantity` with a standard deviation is a parameter of the fit with that prior; one without is
held fixed. Positions ``z`` run from the head end of the tube [m], temperatures are in K.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from wallsim.materials.solid import Solid
from wallsim.source import Source
from wallsim.units import Quantity

ALL = Quantity(1.0, 0.0, "1")


@dataclass(frozen=True, slots=True)
class End:
    """Heat exchange of one end face.

    Parameters
    ----------
    coefficient : Quantity
        Contact conductance or convection coefficient [W/(m^2 K)]; 0 when insulated.
    temperature : float
        Of the body or gas it exchanges with [K].
    """

    coefficient: Quantity
    temperature: float


@dataclass(frozen=True, slots=True)
class Outside:
    """Heat exchange of the outer wall with its surroundings.

    Parameters
    ----------
    emissivity : Quantity
        Total emissivity [-].
    convection : Quantity or None
        Coefficient [W/(m^2 K)]; None for natural convection of a horizontal cylinder in air.
    convection_scale : Quantity
        Factor on the natural convection [-].
    ambient : float
        Temperature of air and surroundings [K].
    """

    emissivity: Quantity
    convection: Quantity | None
    convection_scale: Quantity
    ambient: float


@dataclass(frozen=True, slots=True)
class Tube:
    """The wall: metal, size, ends, outside.

    Parameters
    ----------
    solids : dict of str to Solid
        Metal of each mesh region; the built-in mesh has the one region ``wall``.
    bore, wall : Quantity
        Bore diameter and wall thickness [m].
    fixed_diameter : {"bore", "outside"}
        Which diameter stays where it is when the wall thickness is a parameter.
    length : float
        [m].
    conductivity_scale, heat_capacity_scale : Quantity
        Factors on k(T) and c(T) [-].
    conductivity_tilt, heat_capacity_tilt : Quantity
        Relative change of k(T) and c(T) per 300 K, none at 600 K [-].
    mesh : Path or None
        Mesh file; None for the built-in mesher.
    """

    solids: dict[str, Solid]
    bore: Quantity
    wall: Quantity
    fixed_diameter: Literal["bore", "outside"]
    length: float
    head: End
    exit: End
    outside: Outside
    conductivity_scale: Quantity
    heat_capacity_scale: Quantity
    conductivity_tilt: Quantity
    heat_capacity_tilt: Quantity
    mesh: Path | None

    @property
    def inner_radius(self) -> float:
        """Stated bore radius [m]."""
        return 0.5 * self.bore.value

    @property
    def outer_radius(self) -> float:
        """Stated outer radius [m]."""
        return 0.5 * self.bore.value + self.wall.value


@dataclass(frozen=True, slots=True)
class Sensor:
    """A thermocouple on the outer wall.

    Parameters
    ----------
    name : str
        Name used everywhere.
    channel : str
        Column of the logs (the name, unless said otherwise).
    z : Quantity
        Position from the head end [m].
    depth : float
        Depth of a well below the outer surface [m]; 0 on the surface.
    lag : Quantity
        Time constant [s].
    lead_loss : Quantity
        Share of the wall's rise above ambient that the reading misses [-].
    """

    name: str
    channel: str
    z: Quantity
    depth: float
    lag: Quantity
    lead_loss: Quantity


@dataclass(frozen=True, slots=True)
class Pressure:
    """The pressure tap that tells ignition, shutdown and the mass flux.

    Parameters
    ----------
    channel : str
        Column of the logs.
    gauge : bool
        True if it reads relative to the barometer.
    reads_stated : bool
        False where the case leaves it to the headings of the logs.
    barometer : float
        [Pa].
    along : tuple of (float, float)
        Points (z [m], absolute static pressure over the absolute pressure at the tap [-]).
    taps : tuple of (str, float)
        Further pressure channels and where they sit, z [m].
    """

    channel: str
    gauge: bool
    reads_stated: bool
    barometer: float
    along: tuple[tuple[float, float], ...]
    taps: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class Deposit:
    """The layer a blend leaves on the bore.

    Parameters
    ----------
    growth : str
        ``auto`` (the fit finds curvature and exponent of the growth), ``constant``, ``linear``
        or ``saturating``.
    conductivity : Quantity
        Of the layer, to turn resistance into thickness [W/(m K)].
    resistance : Quantity
        Prior of the resistance at the end of the longest burn, log-normal [m^2 K/W].
    softening : float or None
        Temperature its gas-side surface cannot exceed [K].
    """

    growth: Literal["auto", "constant", "linear", "saturating"]
    conductivity: Quantity
    resistance: Quantity
    softening: float | None


@dataclass(frozen=True, slots=True)
class Blend:
    """A fuel blend.

    Parameters
    ----------
    gas_temperature : Quantity
        Driving gas temperature [K]; its sd is the error that all blends share.
    own_error : Quantity
        Factor on the gas temperature that is this blend's own [-], ``1 +- ...``.
    gas_temperature_along : tuple of (float, float)
        Points (z [m], share of the full rise above ambient [-]); empty for uniform.
    coefficient : Quantity
        Factor on the gas-side coefficient relative to the reference blend [-].
    silicon, water : float
        Mass fractions in the fuel [-].
    deposit : Deposit or None
        None for a blend that leaves the bore bare.
    """

    name: str
    like: str | None
    gas_temperature: Quantity
    own_error: Quantity
    gas_temperature_along: tuple[tuple[float, float], ...]
    coefficient: Quantity
    silicon: float
    water: float
    deposit: Deposit | None


@dataclass(frozen=True, slots=True)
class Exclusion:
    """A channel the user takes out of one run, from a moment on or for a while.

    Parameters
    ----------
    from_s, until_s : float
        Log clock [s]; minus and plus infinity where not said.
    reason : str
        As written.
    """

    from_s: float
    until_s: float
    reason: str


@dataclass(frozen=True, slots=True)
class Shed:
    """Deposit that came off at one moment of a firing.

    Parameters
    ----------
    at : Quantity
        Log clock [s].
    lost : Quantity
        Share that came off [-].
    beyond : float
        Only downstream of this station [m].
    """

    at: Quantity
    lost: Quantity
    beyond: float


@dataclass(frozen=True, slots=True)
class Run:
    """One firing.

    Parameters
    ----------
    start : str or None
        Name of the run whose deposit is still there; None for a clean bore.
    exclude : dict of str to Exclusion
        By sensor name.
    reattached : tuple of str
        Sensors welded on anew before this firing (a new lead loss and lag from here on).
    ignition, shutdown : float or None
        Log clock [s], where the user knows better than the pressure channel.
    retained : Quantity
        Fraction of the deposit left by ``start`` that is still there [-].
    shed : Shed or None
    """

    name: str
    log: Path
    blend: str
    start: str | None
    exclude: dict[str, Exclusion]
    reattached: tuple[str, ...]
    ignition: float | None
    shutdown: float | None
    retained: Quantity = ALL
    shed: Shed | None = None


@dataclass(frozen=True, slots=True)
class LogFormat:
    """How to read the logs; None means found out from the file, and said.

    Parameters
    ----------
    time : str or None
        Name of the time column.
    delimiter, decimal, encoding : str or None
    units : dict of str to str
        Unit of a column whose header does not say it; ``*`` stands for every thermocouple.
    """

    time: str | None
    delimiter: str | None
    decimal: str | None
    encoding: str | None
    units: dict[str, str]


@dataclass(frozen=True, slots=True)
class FitOptions:
    """Priors and settings of the estimate that belong to no single part.

    Parameters
    ----------
    heating_scatter : Quantity
        Standard deviation of the heating factor between firings [-] (value; its sd unused).
    gas_temperature_scatter : Quantity
        Standard deviation of the gas temperature between firings [-] (value; its sd unused).
    azimuthal_scatter : float
        Standard deviation round the tube of the wall's rise, as a share of its mean [-].
    ignition_offset : Quantity
        Ignition seen by the wall minus ignition seen by the pressure tap [s].
    ramp : Quantity
        Time constant with which the gas temperature comes up [s].
    pressure_exponent : Quantity
        n in h ~ p^n [-].
    purge : Quantity
        Bore coefficient after shutdown [W/(m^2 K)].
    coefficient : Quantity
        Prior of the level of the gas-side coefficient [W/(m^2 K)], log-normal.
    coefficient_variation : float
        Log standard deviation of h along the tube about its level [-].
    correlation_length : float
        Length over which h and R along the tube keep their value [m].
    tolerance : float
        Discretisation error allowed at the sensors [K].
    drift : float
        Standard deviation of a reading's drift from ignition to the end of its record [K].
    limit_temperature : float or None
        Bore temperature whose crossing time is wanted [K].
    """

    heating_scatter: Quantity
    gas_temperature_scatter: Quantity
    azimuthal_scatter: float
    ignition_offset: Quantity
    ramp: Quantity
    pressure_exponent: Quantity
    purge: Quantity
    coefficient: Quantity
    coefficient_variation: float
    correlation_length: float
    tolerance: float
    drift: float
    limit_temperature: float | None


@dataclass(frozen=True, slots=True)
class Case:
    """A whole campaign.

    Parameters
    ----------
    path : Path
        The case file.
    resolved : dict
        Every key with its value, defaults filled in, as text; echoed in the result.
    source : Source
        The file with its lines, to say where something is stated.
    """

    path: Path
    title: str
    tube: Tube
    sensors: tuple[Sensor, ...]
    pressure: Pressure
    log_format: LogFormat
    blends: dict[str, Blend]
    runs: tuple[Run, ...]
    fit: FitOptions
    resolved: dict[str, object]
    source: Source

    @property
    def files(self) -> tuple[Path, ...]:
        """What the campaign is read from: case file, mesh if there is one, logs."""
        mesh = () if self.tube.mesh is None else (self.tube.mesh,)
        return (self.path, *mesh, *(run.log for run in self.runs))
