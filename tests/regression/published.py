"""Published regression data with certified results.

NIST Statistical Reference Datasets, nonlinear regression: data, both starts, certified values,
their standard deviations and the residual sum of squares, of Misra1a, BoxBOD, MGH10, Rat43 and
Thurber.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Certified:
    """One reference data set; ``misfit(b)`` returns residuals and their Jacobian."""

    name: str
    misfit: Callable
    starts: tuple[tuple[float, ...], ...]
    values: tuple[float, ...]
    sds: tuple[float, ...]
    misfit_at_values: float


def _saturating(x, y):
    def misfit(b):
        decay = np.exp(-b[1] * x)
        J = np.column_stack((1.0 - decay, b[0] * x * decay))
        return b[0] * (1.0 - decay) - y, J

    return misfit


def _mgh10(b):
    x = np.linspace(50.0, 125.0, 16)
    e = np.exp(b[1] / (x + b[2]))
    f = b[0] * e
    return f - MGH10_Y, np.column_stack((e, f / (x + b[2]), -f * b[1] / (x + b[2]) ** 2))


def _rat43(b):
    x = np.arange(1.0, 16.0)
    e = np.exp(b[1] - b[2] * x)
    f = (1.0 + e) ** (-1.0 / b[3])
    slope = b[0] * f * e / (b[3] * (1.0 + e))
    J = np.column_stack((f, -slope, slope * x, b[0] * f * np.log1p(e) / b[3] ** 2))
    return b[0] * f - RAT43_Y, J


def _thurber(b):
    x = THURBER_X
    powers = np.column_stack((np.ones_like(x), x, x**2, x**3))
    below = powers @ np.array([1.0, *b[4:]])
    f = powers @ b[:4] / below
    return f - THURBER_Y, np.column_stack((powers, -f[:, None] * powers[:, 1:])) / below[:, None]


MISRA1A_X = np.array(
    [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760]
)
MISRA1A_Y = np.array(
    [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47,
     81.78]
)
BOXBOD_X = np.array([1.0, 2.0, 3.0, 5.0, 7.0, 10.0])
BOXBOD_Y = np.array([109.0, 149.0, 149.0, 191.0, 213.0, 224.0])
MGH10_Y = np.array(
    [34780.0, 28610.0, 23650.0, 19630.0, 16370.0, 13720.0, 11540.0, 9744.0, 8261.0, 7030.0,
     6005.0, 5147.0, 4427.0, 3820.0, 3307.0, 2872.0]
)
RAT43_Y = np.array(
    [16.08, 33.83, 65.80, 97.20, 191.55, 326.20, 386.87, 520.53, 590.03, 651.92, 724.93, 699.56,
     689.96, 637.56, 717.41]
)
THURBER_X = np.array(
    [-3.067, -2.981, -2.921, -2.912, -2.840, -2.797, -2.702, -2.699, -2.633, -2.481, -2.363,
     -2.322, -1.501, -1.460, -1.274, -1.212, -1.100, -1.046, -0.915, -0.714, -0.566, -0.545,
     -0.400, -0.309, -0.109, -0.103, 0.010, 0.119, 0.377, 0.790, 0.963, 1.006, 1.115, 1.572,
     1.841, 2.047, 2.200]
)
THURBER_Y = np.array(
    [80.574, 84.248, 87.264, 87.195, 89.076, 89.608, 89.868, 90.101, 92.405, 95.854, 100.696,
     101.060, 401.672, 390.724, 567.534, 635.316, 733.054, 759.087, 894.206, 990.785, 1090.109,
     1080.914, 1122.643, 1178.351, 1260.531, 1273.514, 1288.339, 1327.543, 1353.863, 1414.509,
     1425.208, 1421.384, 1442.962, 1464.350, 1468.705, 1447.894, 1457.628]
)

MISRA1A = Certified(
    "Misra1a", _saturating(MISRA1A_X, MISRA1A_Y), ((500.0, 1e-4), (250.0, 5e-4)),
    (238.94212918, 5.5015643181e-4), (2.7070075241, 7.2668688436e-6), 0.12455138894,
)
BOXBOD = Certified(
    "BoxBOD", _saturating(BOXBOD_X, BOXBOD_Y), ((1.0, 1.0), (100.0, 0.75)),
    (213.80940889, 0.54723748542), (12.354515176, 0.10455993237), 1168.0088766,
)
MGH10 = Certified(
    "MGH10", _mgh10, ((2.0, 400000.0, 25000.0), (0.02, 4000.0, 250.0)),
    (5.6096364710e-3, 6181.3463463, 345.22363462),
    (1.5687892471e-4, 23.309021107, 0.78486103508), 87.945855171,
)
RAT43 = Certified(
    "Rat43", _rat43, ((100.0, 10.0, 1.0, 1.0), (700.0, 5.0, 0.75, 1.3)),
    (699.64151270, 5.2771253025, 0.75962938329, 1.2792483859),
    (16.302297817, 2.0828735829, 0.19566123451, 0.68761936385), 8786.4049080,
)
THURBER = Certified(
    "Thurber", _thurber,
    ((1000.0, 1000.0, 400.0, 40.0, 0.7, 0.3, 0.03), (1300.0, 1500.0, 500.0, 75.0, 1.0, 0.4, 0.05)),
    (1288.1396800, 1491.0792535, 583.23836877, 75.416644291, 0.96629502864, 0.39797285797,
     0.049727297349),
    (4.6647963344, 39.571156086, 28.698696102, 5.5675370270, 0.031333340687, 0.014984928198,
     0.0065842344623), 5642.7082397,
)
