"""Profiles of the random tests: the default one is the same at every run; `--hypothesis-profile=long` digs deeper."""

from hypothesis import HealthCheck, settings

SLOW = (HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much)

settings.register_profile("default", deadline=None, derandomize=True, print_blob=True, suppress_health_check=SLOW)
settings.register_profile("long", deadline=None, max_examples=20_000, print_blob=True, suppress_health_check=SLOW)
settings.load_profile("default")
