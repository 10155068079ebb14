"""What the tests of the service share."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.daemon.inline import InlineService, Opener, opened
from tests.daemon.service_kit import settings_for


@pytest.fixture
def service(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Opener]:
    """A function that opens a service in this process; its arguments are sections of the configuration."""
    with contextlib.ExitStack() as stack:

        def make(**sections: dict[str, Any]) -> InlineService:
            return stack.enter_context(opened(settings_for(tmp_path, **sections), monkeypatch))

        yield make
