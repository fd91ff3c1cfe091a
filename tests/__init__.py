"""What breakerbench must do, stated as tests: contract, science, faults, screen, performance."""

from hypothesis import settings

# A busy machine must not fail a test by its clock. What else the environment chose (as under CI) is kept.
settings.register_profile("breakerbench", deadline=None)
settings.load_profile("breakerbench")
