"""One probe per file; each fills one part of the inventory."""
