"""Which firings a deposit has seen, and what of it was retained or lost: from the case.

A firing on a clean bore without loss has no chain: the growth law of its blend is enough.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallsim.build import Campaign, Firing
from wallsim.case.model import Shed
from wallsim.units import Quantity
from wallsim.wall.deposit import DepositHistory, Loss, Stretch
from wallsim.wall.growth import Law

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Link:
    """One firing of a chain.

    Parameters
    ----------
    run, blend : str
    law : Law
    t_ref, burn, ignition : float
        Longest burn of the blend and this burn [s]; on the log's clock [s].
    retained : Quantity or None
        Of what the link before left [-]; None for the first.
    shed : Shed or None
    """

    run: str
    blend: str
    law: Law
    t_ref: float
    burn: float
    ignition: float
    retained: Quantity | None
    shed: Shed | None

    @property
    def retained_name(self) -> str:
        """Name of the unknown."""
        return f"retained fraction {self.run}"

    @property
    def lost_name(self) -> str:
        """Name of the unknown."""
        return f"lost fraction {self.run}"

    @property
    def moment_name(self) -> str:
        """Name of the unknown, a time on the log's clock."""
        return f"shedding time {self.run}"


@dataclass(frozen=True, slots=True)
class Chain:
    """The firings since the bore was last clean, the one in question last."""

    links: tuple[Link, ...]

    @classmethod
    def of(
        cls, campaign: Campaign, firing: Firing, laws: Mapping[str, Law],
        t_ref: Mapping[str, float],
    ) -> Chain | None:
        """Return the chain of ``firing``; None where its bore was clean and stays whole."""
        chain = cls.whole(campaign, firing, laws, t_ref)
        plain = chain is not None and len(chain.links) == 1 and chain.last.shed is None
        return None if plain else chain

    @classmethod
    def whole(
        cls, campaign: Campaign, firing: Firing, laws: Mapping[str, Law],
        t_ref: Mapping[str, float],
    ) -> Chain | None:
        """Return the chain of ``firing``, if only of itself; None where the bore is bare."""
        by_name = {f.run.name: f for f in campaign.firings}
        firings, at = [firing], firing.run.start
        while at is not None:
            firings.insert(0, by_name[at])
            at = by_name[at].run.start
        while len(firings) > 1 and firings[0].blend.name not in laws:
            firings.pop(0)
        if all(f.blend.name not in laws for f in firings):
            return None
        return cls(tuple(
            Link(f.run.name, f.blend.name, laws.get(f.blend.name, "none"),
                 t_ref[f.blend.name], f.burn, f.events.ignition,
                 f.run.retained if i else None, f.run.shed)
            for i, f in enumerate(firings)
        ))

    @property
    def last(self) -> Link:
        """The firing in question."""
        return self.links[-1]

    @property
    def under(self) -> tuple[str, ...]:
        """Other blends whose deposit is on the bore."""
        grown = dict.fromkeys(link.blend for link in self.links if link.law != "none")
        return tuple(blend for blend in grown if blend != self.last.blend)

    @property
    def shares(self) -> tuple[tuple[str, Quantity], ...]:
        """Names and priors of the fractions retained and lost, in the order of ``log_odds``."""
        out = []
        for link in self.links:
            if link.retained is not None:
                out.append((link.retained_name, link.retained))
            if link.shed is not None:
                out.append((link.lost_name, link.shed.lost))
        return tuple(out)

    @property
    def sheds(self) -> tuple[tuple[Link, Shed], ...]:
        """Links in which deposit comes off, in the order of ``shed_time``."""
        return tuple((link, link.shed) for link in self.links if link.shed is not None)

    def history(self, z: Array, basis: Array) -> DepositHistory:
        """Return the history at the bore nodes ``z`` [m] for the march.

        Parameters
        ----------
        z : Array, shape (m,)
        basis : Array, shape (m, n)
        """
        own = self.last.law != "none"
        sources = {blend: own + i for i, blend in enumerate(self.under)}
        if own:
            sources[self.last.blend] = 0
        odds = {name: i for i, (name, _) in enumerate(self.shares)}
        moments = {link.run: i for i, (link, _) in enumerate(self.sheds)}
        stretches = tuple(
            Stretch(
                sources.get(link.blend), link.law, link.t_ref, link.burn,
                None if link.retained is None else odds[link.retained_name],
                None if link.shed is None else Loss(
                    moments[link.run], odds[link.lost_name], (z >= link.shed.beyond).astype(float)
                ),
            )
            for link in self.links
        )
        return DepositHistory(basis, own, len(sources), stretches, np.empty(0))
