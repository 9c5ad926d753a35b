"""panelvision: find the failed assembly of a television from photos of its screen."""

__version__ = "0.1.0"
