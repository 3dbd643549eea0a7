"""What holds for all tests."""

from hypothesis import settings

# How long an example takes is no promise of a test, and a busy machine must not break one;
# speed is measured in `tests/benchmarks`.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")
