"""Benchmarks: ours beside somebody else's, both in one run. `python -m tests.bench` lists them."""
