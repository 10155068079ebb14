"""What holds for every test: no limit of time for an example, as the machine may be busy; long ones first."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile("busy machine", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("busy machine")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest first, so that nothing long is left to one process at the end."""
    items.sort(key=lambda item: "faults" not in item.path.parts)
