"""Figures drawn cheaply, for tests of what is said of them."""

import pytest

from wallsim.report import style


@pytest.fixture
def sketched(monkeypatch):
    """Draw with few points and leave labels where they fall, which takes a third of the time."""
    monkeypatch.setitem(style.SETTINGS, "figure.constrained_layout.use", False)
    monkeypatch.setattr(style, "DPI", 40)
