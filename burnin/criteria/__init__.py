"""One rule per file, and the fold to a verdict."""
