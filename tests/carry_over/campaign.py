"""Simulated campaigns with deposit carried over or lost; made by the demo's own program.

Errors are drawn from their priors as in `tests.statistics.campaigns`. Two bare firings, two with
the 3 % and one with the 6 % blend, five stations.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

from tests.lance.campaign import Campaign
from tests.lance.conduction import Resolution
from tests.lance.generate import make
from tests.statistics.campaigns import case_text, drawn

COARSE = Resolution(n_r=24, n_z=60, dt=0.04)


def changed(campaign: Campaign, **runs: dict[str, object]) -> Campaign:
    """Return the campaign with fields of firings changed, by run."""
    firings = tuple(replace(f, **runs.get(f.name, {})) for f in campaign.firings)
    return replace(campaign, firings=firings)


def write(folder: Path, campaign: Campaign, **lines: str) -> Path:
    """Write logs and case file, with lines added to runs; return the case file."""
    (folder / "logs").mkdir(parents=True)
    logs, _ = make(campaign, COARSE)
    for run, text in logs.items():
        (folder / "logs" / f"{run}.csv").write_text(text, encoding="utf-8", newline="\n")
    path = folder / "case.toml"
    path.write_text(with_lines(case_text(), **lines), encoding="utf-8")
    return path


def with_lines(text: str, **lines: str) -> str:
    """Return a case file's text with lines added to runs."""
    for run, more in lines.items():
        text, n = re.subn(rf'(?m)^(name = "{run}"\n)', rf"\g<1>{more}\n", text)
        assert n == 1
    return text


def base(seed: int) -> Campaign:
    """Return the campaign of ``seed``, every bore clean and every deposit whole."""
    return drawn(seed)
