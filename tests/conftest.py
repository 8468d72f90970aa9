"""How hypothesis draws its cases: the same ones each time; with HYPOTHESIS_PROFILE=long many more, with quick fewer.

Tests take the number of their examples from `settings().max_examples`, so that the profile scales them all.
"""

import os

from hypothesis import HealthCheck, settings

COMMON = {"deadline": None, "suppress_health_check": [HealthCheck.too_slow]}
settings.register_profile("default", **COMMON, max_examples=40, derandomize=True)
settings.register_profile("quick", **COMMON, max_examples=16, derandomize=True)
settings.register_profile("long", **COMMON, max_examples=2000, print_blob=True)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "default"))
