"""Settings for all tests: no deadline for property tests, and the same examples each time in continuous integration."""

import os

from hypothesis import HealthCheck, settings

settings.register_profile("here", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("ci", parent=settings.get_profile("here"), derandomize=True, print_blob=True)
settings.load_profile("ci" if os.environ.get("CI") else "here")
