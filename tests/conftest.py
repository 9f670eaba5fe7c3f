"""What all tests share: examples are judged by their result, never by how long a busy machine took for them."""

from hypothesis import settings

settings.register_profile("works", deadline=None)
settings.load_profile("works")
