"""Plan, prepare, calibrate, judge, publish: what a whole flight takes."""

from __future__ import annotations

import inspect
import sys
from collections.abc import Callable
from types import ModuleType
from typing import Any


def _function() -> Callable[..., Any]:
    from pipeline.run.execute import run

    return run


class _Callable(ModuleType):
    # Importing any module in here binds this package to the name `pipeline.run`, which is also
    # the public function: the package answers a call, and a question for help, as the function
    # does.
    def __call__(self, *args: Any, **kwargs: Any) -> Any:
        return _function()(*args, **kwargs)

    @property
    def __signature__(self) -> inspect.Signature:
        return inspect.signature(_function())

    @property
    def __doc__(self) -> str:  # type: ignore[override]
        first, _, rest = inspect.cleandoc(_function().__doc__ or "").partition("\n")
        return f"{first.rstrip('.')}: run{self.__signature__}\n{rest}"


sys.modules[__name__].__class__ = _Callable
