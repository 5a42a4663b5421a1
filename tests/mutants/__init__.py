"""Seeded mistakes in guard, journal and loop: does the simulator see them?"""
