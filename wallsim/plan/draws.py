"""Draws of the unknowns: from a fit that was saved, or from the values stated in the case."""

from __future__ import annotations

import hashlib
import json
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wallsim.build import Campaign
from wallsim.case.model import Case
from wallsim.errors import InputError
from wallsim.estimate.joint import Estimate
from wallsim.estimate.unknowns import SCATTERING, Unknowns
from wallsim.plan.told import RESULT, Told
from wallsim.wall.growth import Law

Array = NDArray[np.float64]

POSTERIOR = "posterior.npz"
SEED = 20
STATED = "values stated in the case, not fitted"


@dataclass(frozen=True, slots=True, eq=False)
class Knowledge:
    """What is known of the unknowns, normal in their coordinates.

    Parameters
    ----------
    unknowns : Unknowns
    x : Array, shape (m,)
    root : Array, shape (m, q)
        ``root root^T`` is the covariance.
    origin : str
        Where it comes from, for the reader.
    untold : mapping of str to str
        Blends whose R the fit tells not at all, and why; R and h of these are prior only.
    """

    unknowns: Unknowns
    x: Array
    root: Array
    origin: str
    untold: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def stated(cls, campaign: Campaign) -> Knowledge:
        """Return the priors of the case, no log having been looked at."""
        unknowns = Unknowns.of(campaign)
        prior = unknowns.prior
        return cls(unknowns, prior.mean, prior.root, STATED)

    @classmethod
    def fitted(cls, campaign: Campaign, folder: Path) -> Knowledge:
        """Return the posterior that a fit left in ``folder``.

        Raises
        ------
        InputError
            If there is none, or it belongs to another case.
        """
        path = Path(folder) / POSTERIOR
        try:
            with np.load(path, allow_pickle=False) as saved:
                names = saved["names"].tolist()
                laws: dict[str, Law] = dict(law.split("\t") for law in saved["laws"].tolist())
                x, covariance, sd = saved["x"], saved["covariance"], saved["prior_sd"]
                signature = str(saved["case"])
        except FileNotFoundError:
            found = f"has no {POSTERIOR}" if Path(folder).is_dir() else "no such folder"
            raise InputError(
                f"{folder}: {found}; name the result folder of this case's fit, or make one: "
                f"wallsim fit {campaign.case.path} --out DIR"
            ) from None
        except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile) as error:
            raise InputError(f"{path}: cannot be read ({error}); run the fit again") from error
        another = InputError(
            f"{path}: belongs to another case than {campaign.case.path}, or the case has been "
            "changed since; run the fit again, or name the folder of this case's fit"
        )
        if signature != _signature(campaign.case):
            raise another
        unknowns = Unknowns.of(campaign, laws)
        if names != [p.name for p in unknowns.prior.parameters]:
            raise another
        untold = Told.by(folder).untold if (Path(folder) / RESULT).exists() else {}
        return cls(_scattering(unknowns, sd), x, _root(covariance), f"fit in {folder}", untold)

    @property
    def of_a_fit(self) -> bool:
        """True if logs have been fitted."""
        return self.origin != STATED

    def draw(self, n: int, firing: bool) -> Array:
        """Return ``n`` draws of the unknowns; shape (m, n), the first the estimate itself.

        Parameters
        ----------
        n : int
            The others come in pairs that mirror each other about the estimate.
        firing : bool
            True for a firing yet to come, as in `to_come`.
        """
        rng = np.random.default_rng(SEED)
        half = rng.standard_normal((self.x.size, n // 2))
        known = self
        if firing:
            known = self.to_come()
            own = _uncorrelated(rng.standard_normal((len(SCATTERING), n // 2)))
            half = np.concatenate((half, own))
        z = np.concatenate((np.zeros((half.shape[0], 1)), half, -half), axis=1)[:, :n]
        return np.asarray(known.x[:, None] + known.root @ z)

    def to_come(self) -> Knowledge:
        """Return what is known of a firing yet to come, whichever firing it may be like.

        What differs from firing to firing scatters anew, with the scatter's own standard
        deviations.
        """
        prior = self.unknowns.prior
        x, root = self.x.copy(), self.root.copy()
        own = np.zeros((x.size, len(SCATTERING)))
        for i, p in enumerate(prior.parameters):
            if p.name.startswith(SCATTERING):
                kind = next(j for j, s in enumerate(SCATTERING) if p.name.startswith(s))
                x[i], root[i], own[i, kind] = prior.mean[i], 0.0, p.sd
        return replace(self, x=x, root=np.hstack((root, own)))


def knowledge(campaign: Campaign, fitted: Path | str | None) -> Knowledge:
    """Return what the fit in a folder found, or what the case states where there is none."""
    return Knowledge.stated(campaign) if fitted is None else Knowledge.fitted(
        campaign, Path(fitted))


def save_posterior(estimate: Estimate, folder: Path) -> None:
    """Write what `Knowledge.fitted` reads beside the result of a fit."""
    laws = ["\t".join(item) for item in estimate.unknowns.laws.items()]
    np.savez_compressed(
        Path(folder) / POSTERIOR, x=estimate.x, covariance=estimate.covariance,
        names=np.array([p.name for p in estimate.unknowns.prior.parameters]),
        prior_sd=np.array([p.sd for p in estimate.unknowns.prior.parameters]),
        laws=np.array(laws, dtype=str), case=_signature(estimate.unknowns.case),
    )


def _scattering(unknowns: Unknowns, sd: Array) -> Unknowns:
    """Return the unknowns with firings that scatter as the fit has learnt."""
    prior = unknowns.prior
    for i, p in enumerate(prior.parameters):
        if p.name.startswith(SCATTERING) and sd[i] != p.sd:
            prior = prior.rescaled(np.array([i]), float(sd[i] / p.sd))
    return replace(unknowns, prior=prior)


def _signature(case: Case) -> str:
    """Return a digest of all that a fit depends on in the case file."""
    text: dict[str, Any] = {k: v for k, v in case.resolved.items() if k != "title"}
    if isinstance(fit := text.get("fit"), dict):
        text["fit"] = {k: v for k, v in fit.items() if k != "limit_temperature"}
    return hashlib.sha256(json.dumps(text, sort_keys=True).encode()).hexdigest()


def _uncorrelated(z: Array) -> Array:
    """Return normal draws, a row each unknown, made uncorrelated and of unit mean square."""
    if z.shape[1] < z.shape[0]:
        return z
    return np.asarray(np.sqrt(z.shape[1]) * np.linalg.qr(z.T)[0].T)


def _root(covariance: Array) -> Array:
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))
