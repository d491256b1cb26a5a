"""One sensor source per file."""
