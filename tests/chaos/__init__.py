"""Real chaos: real daemon, real broker, pins that another process writes down, real SIGKILLs, clocks and disks."""
