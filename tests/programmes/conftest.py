"""Properties are tried without a limit of time: a slow machine is no fault."""

from hypothesis import settings

settings.register_profile("steady", deadline=None)
settings.load_profile("steady")
