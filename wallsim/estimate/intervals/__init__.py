"""Intervals of a fit's main read-outs in other ways than by curvature."""
