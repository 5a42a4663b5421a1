"""The decision, pure: facts and `now` in, decisions and the reasons out.

No I/O, no clock, no threads. Read the files in the order the water goes:
weather -> soil -> need -> plan -> pulse -> interlock, and `step` to see them joined.
"""
