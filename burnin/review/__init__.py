"""Comparison of runs, tuning ladders, families of builds; pure."""
