"""The demo: a hot week in the school kitchen garden, with the daemon's real parts, and a picture of it."""
