"""Finite-element wall conduction of an uncooled combustor tube, fitted to outer-wall traces."""

from __future__ import annotations

TYPE_CHECKING = False  # not from typing: an interrupt is not yet caught while this is imported
if TYPE_CHECKING:
    from typing import Any

__version__ = "0.1.0"

_PLACES = {
    "load_case": "wallsim.case",
    "fit": "wallsim.api",
    "FitResult": "wallsim.api",
    "predict": "wallsim.api",
    "whatif": "wallsim.api",
    "Forecast": "wallsim.api",
    "load_campaign": "wallsim.build",
    "load_plan": "wallsim.plan.place_file",
    "place": "wallsim.api",
    "Placement": "wallsim.api",
    "load_next": "wallsim.plan.next_file",
    "next_firing": "wallsim.api_next",
    "NextFiring": "wallsim.api_next",
}

__all__ = [
    "FitResult",
    "Forecast",
    "NextFiring",
    "Placement",
    "__version__",
    "fit",
    "load_campaign",
    "load_case",
    "load_next",
    "load_plan",
    "next_firing",
    "place",
    "predict",
    "whatif",
]


def __getattr__(name: str) -> Any:
    """Import the public functions when first asked for, so that ``--help`` stays quick."""
    if name in _PLACES:
        from importlib import import_module

        return getattr(import_module(_PLACES[name]), name)
    raise AttributeError(f"module 'wallsim' has no attribute {name!r}")
