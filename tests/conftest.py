"""One numeric thread: small systems gain nothing from several, and lose much on a busy machine.

Set before numpy is loaded; the processes that tests start, and those of `pytest -n`, inherit it.
"""

import builtins
import os
from concurrent.futures import ThreadPoolExecutor

import pytest

os.environ.update(
    dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")
)


@pytest.fixture(scope="session")
def pool():
    """Yield an executor in this process."""
    with ThreadPoolExecutor(1) as executor:
        yield executor


@pytest.fixture(scope="module")
def coarse():
    """Start from so few cells and long steps that the tiny tube is marched in a moment.

    A fit still refines them as its tolerance asks. Only what runs in this process is changed.
    """
    from wallsim.estimate import resolution
    from wallsim.estimate.run_model import Resolution
    from wallsim.plan import whatif

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(resolution, "COARSEST", Resolution(2, 8, 0.4))
        patch.setattr(whatif, "FINE", Resolution(2, 8, 0.35))
        yield


@pytest.fixture
def no_sampler(monkeypatch):
    """An installation without the optional sampler."""
    real = builtins.__import__

    def without(name, *args, **kwargs):
        if name.startswith("emcee"):
            raise ImportError(name)
        return real(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", without)
