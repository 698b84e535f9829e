"""Property tests of the physics judge values, never time: the first call may import a library."""

from hypothesis import settings

settings.register_profile("values-not-time", deadline=None)
settings.load_profile("values-not-time")
