"""Bytes or text to records, pure: no file, no clock, no machine."""
