"""Linear algebra on one thread: sums of several differ in the last bit."""

from contextlib import AbstractContextManager
from functools import cache
from typing import Any

from threadpoolctl import ThreadpoolController


@cache
def _threads() -> ThreadpoolController:
    return ThreadpoolController()  # looks the loaded libraries up, which takes a while


def one_thread() -> AbstractContextManager[Any]:
    """Return a context in which linear algebra runs on one thread."""
    return _threads().limit(limits=1, user_api="blas")  # type: ignore[no-any-return]
