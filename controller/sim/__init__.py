"""A garden, a sky and instruments that exist only in memory, for runs on a virtual clock."""
