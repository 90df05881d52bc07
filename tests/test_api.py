"""The public names stay functions, whatever has been imported before."""

import importlib
import pkgutil

import wallsim


def test_no_module_hides_a_public_function():
    for module in pkgutil.walk_packages(wallsim.__path__, "wallsim."):
        if not module.name.endswith("__main__"):
            importlib.import_module(module.name)
    for name in ("fit", "load_case", "load_campaign", "FitResult"):
        assert callable(getattr(wallsim, name)), name
