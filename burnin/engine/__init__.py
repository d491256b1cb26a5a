"""Runs a plan: workers, sampler, safety watch, journal."""
