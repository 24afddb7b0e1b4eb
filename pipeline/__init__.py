"""reflectory: raw line-scan hyperspectral counts to calibrated reflectance with its uncertainty.

>>> import pipeline
>>> result = pipeline.run("flight.toml")               # doctest: +SKIP
>>> cube = pipeline.reflectance("flight.toml", "strip-00")  # doctest: +SKIP
>>> ground = pipeline.map(result)                      # doctest: +SKIP
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__all__ = ["load_config", "map", "reflectance", "run", "uncertainty_budget"]

if TYPE_CHECKING:
    from pipeline.config.flight import load_config
    from pipeline.flight.lazy_dataset import reflectance
    from pipeline.flight.run import run
    from pipeline.inspect.budget import uncertainty_budget
    from pipeline.inspect.map_dataset import map
    from pipeline.version import __version__ as __version__

_HOMES = {
    "__version__": "pipeline.version",
    "load_config": "pipeline.config.flight",
    "map": "pipeline.inspect.map_dataset",
    "reflectance": "pipeline.flight.lazy_dataset",
    "run": "pipeline.flight.run",
    "uncertainty_budget": "pipeline.inspect.budget",
}


def __getattr__(name: str) -> Any:
    # Scientific imports take a second; `reflectory --help` must not pay for them. The version
    # lives in a module of its own, so that what is below need not import this one.
    import importlib

    if name in _HOMES:
        return getattr(importlib.import_module(_HOMES[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
