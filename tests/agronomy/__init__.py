"""The formulas against handbooks, worked examples and general-purpose libraries."""
