"""Simulated campaign "Lance L24" and the finite-volume program that makes its logs.

Nothing here imports the package under test: the wall, the metals and the sensors are written
a second time, with other numerics, so that agreement means something.
"""
