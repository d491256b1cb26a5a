"""Pure numerics on arrays and plain numbers: no clock, no machine, no files."""
