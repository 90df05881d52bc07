"""Marches cheap enough for tests of what is made of them."""

from concurrent.futures import ThreadPoolExecutor

import pytest

from wallsim.estimate import resolution
from wallsim.estimate.run_model import Resolution
from wallsim.plan import whatif


@pytest.fixture(scope="session")
def pool():
    with ThreadPoolExecutor(1) as executor:
        yield executor


@pytest.fixture(scope="module")
def coarse():
    """March the tiny tube on few cells and with long steps, in this process."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(resolution, "COARSEST", Resolution(2, 8, 0.4))
        patch.setattr(whatif, "FINE", Resolution(2, 8, 0.35))
        yield
