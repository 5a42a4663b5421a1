"""Seepward: a daemon that keeps a food garden alive through a hot, dry summer."""
