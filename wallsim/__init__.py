"""Finite-element wall conduction of an uncooled combustor tube, fitted to outer-wall traces."""

__version__ = "0.1.0"
