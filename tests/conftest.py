"""What holds for every test: an example has no limit of time, since the machine may be busy."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

settings.register_profile("busy machine", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("busy machine")
