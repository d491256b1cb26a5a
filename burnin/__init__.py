"""Acceptance harness for custom-built PCs."""

__version__ = "0.1.0"
