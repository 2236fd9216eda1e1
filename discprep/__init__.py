"""discprep: from one manifest to a checked bootstrap disc, and the rest over a slow serial link."""

__version__ = "0.1.0"
