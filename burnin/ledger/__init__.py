"""The shop's records, rebuilt from journals at any time."""
