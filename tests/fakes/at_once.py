"""An executor that does the work when it is handed over, so that tests do not depend on time."""

from collections.abc import Callable
from concurrent.futures import Executor, Future
from typing import ParamSpec, TypeVar

Parameters = ParamSpec("Parameters")
Result = TypeVar("Result")


class AtOnce(Executor):
    """No thread: `submit` returns a finished future."""

    def submit(
        self, fn: Callable[Parameters, Result], /, *args: Parameters.args, **kwargs: Parameters.kwargs
    ) -> Future[Result]:
        future: Future[Result] = Future()
        future.set_result(fn(*args, **kwargs))
        return future
