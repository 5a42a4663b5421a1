"""Published formulas of irrigation: numbers in, numbers out.

No input or output, no clock, no state, nothing imported but the standard library. Each function carries its
equation, the units of its arguments, where it holds, where it was printed, and one worked number.
"""
