"""Fault layers, builders and contract suites for tests and plugin authors; never imported at run time."""
