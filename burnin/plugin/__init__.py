"""Typed contracts of loads, sources, probes and criteria, and how they are found."""
