"""Figures drawn cheaply, for tests of what is said of them."""

import pytest

from wallsim.report import style


@pytest.fixture(scope="module")
def few_points():
    """Draw with few points."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(style, "DPI", 40)
        yield


@pytest.fixture
def sketched(few_points, monkeypatch):
    """Draw with few points and leave labels where they fall, which takes a third of the time."""
    monkeypatch.setitem(style.SETTINGS, "figure.constrained_layout.use", False)
