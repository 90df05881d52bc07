"""Information that thermocouples of a planned campaign carry on its unknowns.

A kind of firing is marched once with a thermocouple at every candidate; its whitened Jacobian is
that of the fit. Repeats share all unknowns but those of the single firing (heating, gas
temperature, ignition, purge), a thermocouple brings its own (lag, lead loss, position). All
coordinates are those of unit-normal prior, so the precision before any reading is the unit matrix.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wallsim.build import BLOCK, Campaign, Trace
from wallsim.errors import TableRangeError
from wallsim.estimate.bore import peaks_along
from wallsim.estimate.resolution import first_guess
from wallsim.estimate.run_model import Resolution, RunModel, WallBuilder, readings
from wallsim.estimate.unknowns import OF_ONE_FIRING, Unknowns, smooth_basis
from wallsim.estimate.weights import Weights
from wallsim.plan.place_campaign import Candidate, block_noise, planned_campaign
from wallsim.plan.place_design import covariance, without
from wallsim.plan.place_file import Plan, Want
from wallsim.wall.model import WallSlope
from wallsim.wall.operators import Wall

Array = NDArray[np.float64]
Index = NDArray[np.intp]

MAY_BE = 2.0
OF_SENSOR = ("lag {}", "lead loss {}", "heating round the tube at {}", "position {}")


@dataclass(frozen=True, slots=True, eq=False)
class Marched:
    """A planned campaign marched at its prior means.

    Parameters
    ----------
    jacobian : dict of str to tuple of Array, shape (n, m)
        By kind of firing, one array a candidate: reading [K] to each unknown in its unit-normal
        coordinate.
    traces : dict of str to Trace
        When each kind of firing is read.
    drift : float
        Of a reading over its record [K].
    """

    plan: Plan
    unknowns: Unknowns
    campaign: Campaign
    resolution: Resolution
    candidates: tuple[Candidate, ...]
    jacobian: dict[str, tuple[Array, ...]]
    traces: dict[str, Trace]
    drift: float

    @classmethod
    def of(cls, plan: Plan, places: Sequence[Candidate]) -> Marched:
        """March every kind of firing with thermocouples at all ``places``.

        Raises
        ------
        TableRangeError
            If a firing takes the wall out of its metal's table: which, where it is planned, when.
        ConvergenceError
            As `wallsim.wall.march.march`.
        """
        out = cls.unread(plan, places)
        x, root = out.unknowns.prior.mean, out.unknowns.prior.root
        wall, slope = out.wall
        jacobian = {}
        for firing in out.campaign.firings:
            name = firing.run.name
            try:
                model = readings(out.model(name), x, wall, slope, derivatives=True)
            except TableRangeError as error:
                raise TableRangeError(_located(plan, name, error)) from error
            assert model.dT_dx is not None
            jacobian[name] = tuple(J @ root for J in model.dT_dx)
        traces = {f.run.name: f.traces[0] for f in out.campaign.firings}
        return replace(out, jacobian=jacobian, traces=traces)

    @classmethod
    def unread(cls, plan: Plan, places: Sequence[Candidate]) -> Marched:
        """Return the same with no thermocouple read: enough for what is of the bore."""
        campaign = planned_campaign(plan, [c.sensor for c in places])
        return cls(plan, Unknowns.of(campaign), campaign, first_guess(campaign), tuple(places), {},
                   {}, plan.case.fit.drift)

    def read(self, rate: float) -> Informed:
        """Return the information each candidate gathers in each kind of firing at ``rate`` [Hz].

        Above ten a second samples are averaged over blocks of 0.1 s, as the fit does it; below,
        one block in so many is kept, with the noise of a single sample.
        """
        every = max(1, round(1.0 / (BLOCK * rate)))
        noise = block_noise(self.plan.thermocouple, rate)
        out: dict[str, tuple[Array, ...]] = {}
        for run, per_place in self.jacobian.items():
            t = self.traces[run]
            kept = t.t[::every]
            trace = Trace(t.sensor, np.arange(kept.size, dtype=np.intp), kept,
                          np.zeros(kept.size), kept.size, max(t.zero_blocks / every, 1.0))
            weights = Weights.of(trace, noise, self.drift, None)
            white = [weights.apply(trace, J[::every]) for J in per_place]
            out[run] = tuple(W.T @ W for W in white)
        return Informed(self, out)

    @property
    def wall(self) -> tuple[Wall, WallSlope | None]:
        """The wall at the prior means, and its slope to the thickness."""
        return WallBuilder(self.unknowns, self.resolution).at(self.unknowns.prior.mean)

    def model(self, run: str) -> RunModel:
        """Return the model of a kind of firing."""
        firing = next(f for f in self.campaign.firings if f.run.name == run)
        return RunModel.of(self.campaign, firing, self.unknowns, self.resolution)

    def _bore_peak(self, want: Want) -> Wanted:
        """Return the peak at each place of the bore that may be the hottest.

        These are the nodes whose rise above ambient, over that of the hottest, is less than
        `MAY_BE` standard deviations of that ratio's log from 1 by the prior; a level of h common
        to all places hardly moves it. They do not depend on where thermocouples sit, so that one
        more never widens the root mean square over them.
        """
        x = self.unknowns.prior.mean
        z, peak = peaks_along(self.model(want.of[0]), x, *self.wall)
        T, rows = np.asarray(peak.value), peak.gradient @ self.unknowns.prior.root
        top = int(T.argmax())
        rise = T - self.plan.case.tube.outside.ambient
        of_log = rows / rise[:, None]
        doubt = np.linalg.norm(of_log - of_log[top], axis=1)
        may = np.log(rise[top] / rise) <= MAY_BE * doubt
        return Wanted(want, float(T[top]), rows[may], False, float(z[top]),
                      (float(z[may].min()), float(z[may].max())))

    def gradient(self, want: Want) -> Wanted:
        """Return what is wanted and its gradient to the unknowns of one firing of each kind."""
        prior = self.unknowns.prior
        places = np.array([c.z for c in self.candidates])
        z = np.linspace(places.min(), places.max(), 41)
        basis = smooth_basis(self.unknowns.knots, z)

        def curve(label: str) -> Array:
            rows = np.zeros((z.size, prior.mean.size))
            rows[:, self.unknowns.curve(label)] = basis
            return rows

        def mean_R(blend: str) -> tuple[float, Array]:
            rows = curve(f"R {blend}")
            R = np.exp(rows @ prior.mean)
            return float(R.mean()), (R[:, None] * rows).mean(axis=0)

        if want.kind == "R":
            value, dR = mean_R(want.of[0])
            return Wanted(want, value, (dR / value)[None] @ prior.root, True)
        if want.kind == "difference":
            (a, da), (b, db) = mean_R(want.of[0]), mean_R(want.of[1])
            return Wanted(want, a - b, (da - db)[None] @ prior.root, False)
        if want.kind == "bore peak":
            return self._bore_peak(want)
        h = curve("h")
        value = float(np.exp(h @ prior.mean).mean())
        if want.kind == "h":
            return Wanted(want, value, h @ prior.root, True)
        blocks = [h, *(curve(f"R {blend}") for blend in self.unknowns.laws)]
        few = slice(None, None, 5)
        return Wanted(want, value, np.vstack([b[few] for b in blocks]) @ prior.root, True)


def _located(plan: Plan, name: str, error: TableRangeError) -> str:
    """Return where a plan states a firing that cannot be marched, and why it cannot."""
    written = plan.case.source.data["run"]
    for i, run in enumerate(written):
        if run.get("name") == name:
            return plan.case.source.fault(("run", i, "burn"), str(error)).text
    return f"{plan.case.path}: {name}, looked at besides the firings planned: {error}"


@dataclass(frozen=True, slots=True, eq=False)
class Wanted:
    """A quantity at the prior means.

    Parameters
    ----------
    want : Want
    value : float
        In SI.
    gradient : Array, shape (k, m)
        To the unknowns in unit-normal coordinates; of the log where ``log``.
    log : bool
    z : float or None
        Of a bore's peak, where it is [m].
    within : tuple of (float, float) or None
        And the stretch of the rows, where it may be [m].
    """

    want: Want
    value: float
    gradient: Array
    log: bool
    z: float | None = None
    within: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Informed:
    """Information by kind of firing and candidate.

    Parameters
    ----------
    marched : Marched
    of : dict of str to tuple of Array, shape (m, m)
    """

    marched: Marched
    of: dict[str, tuple[Array, ...]]

    def campaign(self, repeats: Mapping[str, int]) -> Repeated:
        """Return the unknowns of a campaign in which each kind is fired so often."""
        parameters = self.marched.unknowns.prior.parameters
        names = self.marched.unknowns.prior.names
        of_sensor = {
            names[n] for c in self.marched.candidates for form in OF_SENSOR
            if (n := form.format(c.sensor.name)) in names
        }
        of_firing = {
            run: [names[n] for start in OF_ONE_FIRING if (n := f"{start}{run}") in names]
            for run in self.of
        }
        own = of_sensor.union(*of_firing.values())
        common = np.array([i for i in range(len(parameters)) if i not in own], dtype=np.intp)
        groups = [parameters[i].group for i in common]
        firings: list[tuple[str, Index, Index]] = []
        for run, fired in repeats.items():
            for _ in range(fired):
                columns = np.concatenate((common, of_firing[run])).astype(np.intp)
                new = np.arange(len(groups), len(groups) + len(of_firing[run]))
                firings.append((run, columns, np.concatenate((np.arange(common.size), new))))
                groups.extend(parameters[i].group for i in of_firing[run])
        return Repeated(self, tuple(firings), tuple(groups), common)


@dataclass(frozen=True, slots=True, eq=False)
class Repeated:
    """A campaign of so many firings: its unknowns without those of single thermocouples.

    Parameters
    ----------
    informed : Informed
    firings : tuple of (str, Index, Index)
        Kind, columns of the kind's Jacobian, and which unknowns of the campaign they are.
    groups : tuple of str
        Of each unknown.
    common : Index
        Columns shared by all firings; they are the first unknowns.
    """

    informed: Informed
    firings: tuple[tuple[str, Index, Index], ...]
    groups: tuple[str, ...]
    common: Index

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return len(self.groups)

    def _sensor_columns(self, place: int) -> list[int]:
        marched = self.informed.marched
        names = marched.unknowns.prior.names
        sensor = marched.candidates[place].sensor.name
        return [names[n] for form in OF_SENSOR if (n := form.format(sensor)) in names]

    def _with_own(self, place: int) -> Array:
        """Return a candidate's information, its own unknowns last (prior not in)."""
        own = self._sensor_columns(place)
        total = np.zeros((self.size + len(own),) * 2)
        last = np.arange(self.size, self.size + len(own))
        for run, columns, places in self.firings:
            rows = np.concatenate((columns, own)).astype(np.intp)
            at = np.concatenate((places, last))
            total[np.ix_(at, at)] += self.informed.of[run][place][np.ix_(rows, rows)]
        return total

    def information(self, place: int) -> Array:
        """Return a candidate's information with its own (`OF_SENSOR`) unknown; (m, m)."""
        total = self._with_own(place)
        own = np.arange(self.size, len(total))
        total[own, own] += 1.0
        return without(total, own.tolist())

    def gradient(self, wanted: Wanted) -> Array:
        """Return the gradient to the campaign's unknowns; of a firing, its first repeat."""
        out = np.zeros((len(wanted.gradient), self.size))
        done: set[str] = set()
        for run, columns, at in self.firings:
            if run not in done:
                out[:, at] = wanted.gradient[:, columns]
                done.add(run)
        return out

    def known_exactly(self, chosen: Sequence[int], gradient: Array) -> dict[str, Array]:
        """Return the covariance of what is wanted with each group of unknowns known exactly.

        Parameters
        ----------
        chosen : sequence of int
            Thermocouples; a place named twice carries two.
        gradient : Array, shape (k, m)
        """
        groups = list(self.groups)
        parameters = self.informed.marched.unknowns.prior.parameters
        for place in chosen:
            groups.extend(parameters[i].group for i in self._sensor_columns(place))
        precision = np.eye(len(groups))
        at = self.size
        for place in chosen:
            total = self._with_own(place)
            own = len(total) - self.size
            rows = np.concatenate((np.arange(self.size), np.arange(at, at + own)))
            precision[np.ix_(rows, rows)] += total
            at += own
        G = np.pad(gradient, ((0, 0), (0, len(groups) - self.size)))
        out = {}
        for group in dict.fromkeys(groups):
            left = np.array([g != group for g in groups])
            out[group] = G[:, left] @ covariance(precision[np.ix_(left, left)]) @ G[:, left].T
        return out
