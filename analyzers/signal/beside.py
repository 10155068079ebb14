"""A question asked in a second thread, where a processor is to spare."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    from concurrent.futures import Executor

Answer = TypeVar("Answer")


def asked(
    beside: Executor | None, question: Callable[..., Answer], *given: Any, **named: Any
) -> Callable[[], Answer]:
    """Ask in the thread `beside`, or at once where there is none.

    What is returned gives the answer, waits for it, and raises what the question raised.
    """
    if beside is not None:
        return beside.submit(question, *given, **named).result
    answer = question(*given, **named)
    return lambda: answer
