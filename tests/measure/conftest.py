import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

CAMPAIGNS = Path(__file__).parents[1] / "campaigns"


def load(name: str) -> ModuleType:
    """Load a campaign module by its path (test folders are no packages)."""
    if name in sys.modules:
        return sys.modules[name]
    spec = importlib.util.spec_from_file_location(name, CAMPAIGNS / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def scenes() -> ModuleType:
    return load("measure_scenes")


@pytest.fixture(scope="session")
def campaign():
    return load
