"""The guard: a small process of its own that alone owns the valve lines and has the last word."""
