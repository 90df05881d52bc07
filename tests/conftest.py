"""One numeric thread: small systems gain nothing from several, and lose much on a busy machine.

Set before numpy is loaded; the processes that tests start, and those of `pytest -n`, inherit it.
"""

import builtins
import os

import pytest

os.environ.update(
    dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")
)


@pytest.fixture
def no_sampler(monkeypatch):
    """An installation without the optional sampler."""
    real = builtins.__import__

    def without(name, *args, **kwargs):
        if name.startswith("emcee"):
            raise ImportError(name)
        return real(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", without)
