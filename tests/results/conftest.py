"""Property tests here have no deadline: the first call loads scipy, and the machine may be busy with other tests."""

from hypothesis import settings

settings.register_profile("no deadline", deadline=None)
settings.load_profile("no deadline")
