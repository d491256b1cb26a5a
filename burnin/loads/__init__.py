"""One load per file; each proves its own arithmetic."""
