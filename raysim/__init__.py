"""raysim: acoustic prediction for small listening rooms."""

__version__ = "0.1.0"
