"""Seepward: a daemon that keeps a food garden alive through a hot, dry summer."""

__version__ = "0.1.0"
