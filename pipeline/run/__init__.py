"""Plan, prepare, calibrate, judge, publish: what a whole flight takes."""

from __future__ import annotations

import sys
from types import ModuleType
from typing import Any


class _Callable(ModuleType):
    # Importing any module in here binds this package to the name `pipeline.run`, which is also
    # the public function: the package answers a call as the function does.
    def __call__(self, *args: Any, **kwargs: Any) -> Any:
        from pipeline.run.execute import run

        return run(*args, **kwargs)


sys.modules[__name__].__class__ = _Callable
