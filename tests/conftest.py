"""What every test may use."""

from tests.making import make_site

__all__ = ["make_site"]
