"""Metals: conductivity, specific heat, density, limit temperatures, hot strength."""

from wallsim.materials.library import available, load_solid
from wallsim.materials.solid import Solid, Table

__all__ = ["Solid", "Table", "available", "load_solid"]
